//! An open job, and the one way in which anything gets into it.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use job::{CaptureId, CaptureMeta, CaptureStore, Head, Job, JobError};
use library::{Error, Result};
use measure::FindingLevel;
use project::{Change, Project};

/// A job that is worked on: the project, and the folder that it is saved in. One thread owns it.
#[derive(Debug)]
pub struct OpenJob {
    job: Job,
    project: Project,
}

impl OpenJob {
    /// Opens a job to work on it, or makes it when there is none.
    ///
    /// # Errors
    /// When the folder is in use, cannot be made, or is damaged.
    pub fn open_or_create(dir: &Path) -> Result<Self> {
        let job = if dir.join("job.json").exists() { Job::open(dir)? } else { create_job(dir, None, "")? };
        Ok(Self::new(job))
    }

    /// A job that is open already. Of its readings the project has those that are noted from now on; the rest
    /// stays on disk, since curves are large.
    #[must_use]
    pub fn new(job: Job) -> Self {
        let project = Project::of(&job, |_| None);
        Self { job, project }
    }

    /// The same with the readings of all captures: for work that computes from them. One that cannot be read
    /// is absent; `headrest job check` says why.
    #[must_use]
    pub fn with_readings(job: Job) -> Self {
        let project = Project::of(&job, |id| job.reading(id).ok().flatten());
        Self { job, project }
    }

    /// The job's folder and its files.
    #[must_use]
    pub fn job(&self) -> &Job {
        &self.job
    }

    /// What the job holds.
    #[must_use]
    pub fn project(&self) -> &Project {
        &self.project
    }

    /// Lets go of a reading that was noted: for work that goes on for hours, and computes from none.
    pub fn forget(&mut self, id: CaptureId) {
        self.project.forget(id);
    }

    /// Where captures of it are begun.
    ///
    /// # Errors
    /// When it is open for reading only.
    pub fn store(&self) -> Result<CaptureStore> {
        Ok(self.job.store()?)
    }

    /// Makes a change, and saves it. Of changes that belong together either all are made or none; should the
    /// disk fail between them, those that were saved stand.
    ///
    /// # Errors
    /// When the change cannot be, or it cannot be saved: the project is as it was then. A recording is on
    /// disk in any case.
    pub fn apply(&mut self, change: Change) -> Result<()> {
        let mut after = self.project.clone();
        match change {
            Change::Together(_) => {
                after.apply(change.clone()).map_err(refused)?;
                let (captures, data): (Vec<Change>, Vec<Change>) =
                    one_by_one(change).into_iter().partition(|change| change.capture().is_some());
                captures.into_iter().try_for_each(|change| self.apply(change))?;
                // What is no capture's stands in one file, and is saved once.
                let mut after = self.project.clone();
                data.into_iter().try_for_each(|change| after.apply(change)).map_err(refused)?;
                self.save_data(after)
            }
            change => {
                after.apply(change.clone()).map_err(refused)?;
                match change.capture() {
                    Some(id) => self.save_capture(after, id, change),
                    None => self.save_data(after),
                }
            }
        }
    }

    fn save_data(&mut self, after: Project) -> Result<()> {
        if after.data != *self.job.data() {
            let data = after.data.clone();
            self.job.edit(|kept| *kept = data)?;
        }
        self.project = after;
        Ok(())
    }

    /// Saves what `change` made of one capture. Where the capture belongs is what the project says, whatever
    /// the change brings.
    fn save_capture(&mut self, mut after: Project, id: CaptureId, change: Change) -> Result<()> {
        let Some(meta) = after.known(id).map(|known| known.meta.clone()) else { return Ok(()) };
        let job = &mut self.job;
        match change {
            Change::CaptureBegun { meta: begun, .. } => {
                job.begun(id, &meta)?;
                // What the project notes of its own stands on disk from the beginning too.
                if begun != meta {
                    job.edit_capture(id, |kept| *kept = meta)?;
                }
            }
            Change::CaptureDone { reading, .. } => {
                job.finish_capture(&job.pending(id), &reading, meta.clone())
                    .map_err(|error| unsettled(&meta, &error))?;
            }
            Change::CaptureInterrupted { reading, .. } => {
                job.abandon_capture(&job.pending(id), reading.as_ref(), meta.clone())
                    .map_err(|error| unsettled(&meta, &error))?;
            }
            Change::Recomputed { reading, program, .. } => {
                job.set_reading(id, &reading)?;
                job.edit_capture(id, |meta| meta.program = program)?;
            }
            Change::Placed { .. } => job.edit_capture(id, |kept| *kept = meta)?,
            Change::Discarded(_) => job.discard(id)?,
            Change::Restored(_) => {
                job.restore(id)?;
                if let Some(reading) = job.reading(id)? {
                    after.read(id, reading);
                }
            }
            _ => {}
        }
        let mut known = job.captures().iter().chain(job.discarded());
        if let Some(capture) = known.find(|known| known.id == id) {
            after.saved(capture);
        }
        self.project = after;
        Ok(())
    }
}

/// A change that cannot be is a mistake of whoever asked for it.
fn refused(refused: project::Refused) -> Error {
    Error::input(refused.to_string())
}

/// What belongs together, each by itself.
fn one_by_one(change: Change) -> Vec<Change> {
    match change {
        Change::Together(changes) => changes.into_iter().flat_map(one_by_one).collect(),
        change => vec![change],
    }
}

/// Says of a capture that could not be settled what became of its recording, before anything else.
fn unsettled(meta: &CaptureMeta, error: &JobError) -> Error {
    let then = "When that is mended, `headrest job check` sets the capture right.";
    match meta.findings.iter().find(|finding| finding.level == FindingLevel::Stop) {
        Some(cause) => {
            Error::measurement(format!("{} Its reading was not saved: {error}. {then}", cause.text))
        }
        None => Error::input(format!("{error}. The recording is kept. {then}")),
    }
}

/// Makes a job folder.
///
/// # Errors
/// When the folder is in use or cannot be made.
pub fn create_job(dir: &Path, name: Option<&str>, car: &str) -> Result<Job> {
    let folder_name = || dir.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let name = name.map_or_else(folder_name, str::to_owned);
    let mut job = Job::create(dir, Head { name, created: Timestamp::now() })?;
    job.edit(|data| car.clone_into(&mut data.intake.vehicle))?;
    Ok(job)
}

/// A job that is opened, or made, when there is something to keep in it: what is refused leaves no
/// empty job behind.
#[derive(Debug, Default)]
pub struct WhenKept {
    dir: Option<PathBuf>,
    job: Option<OpenJob>,
}

impl WhenKept {
    /// The job in this folder; none without one.
    #[must_use]
    pub fn new(dir: Option<&Path>) -> Self {
        Self { dir: dir.map(Path::to_owned), job: None }
    }

    /// The job, now that there is something to keep; nothing where none was named.
    ///
    /// # Errors
    /// When it cannot be opened or made.
    pub fn job(&mut self) -> Result<Option<&mut OpenJob>> {
        if let (None, Some(dir)) = (&self.job, &self.dir) {
            self.job = Some(OpenJob::open_or_create(dir)?);
        }
        Ok(self.job.as_mut())
    }
}

#[cfg(test)]
mod tests {
    use job::{CaptureState, EnteredBand, Set, Stage};
    use measure::Reading;
    use project::Placement;
    use project::derive::SourceHeadroom;
    use tempfile::TempDir;

    use super::*;

    fn meta() -> CaptureMeta {
        CaptureMeta::new("level", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
    }

    fn reading() -> Reading {
        let mut reading = Reading::new("level", 1, 48_000.0);
        reading.value("rms_dbfs", -20.0);
        reading
    }

    fn open() -> (TempDir, OpenJob) {
        let folder = tempfile::tempdir().unwrap();
        let open = OpenJob::open_or_create(&folder.path().join("job")).unwrap();
        (folder, open)
    }

    /// A capture that has begun, with some audio.
    fn begun(open: &mut OpenJob) -> CaptureId {
        let pending = open.store().unwrap().begin(&meta()).unwrap();
        std::fs::write(&pending.audio_path, "audio").unwrap();
        open.apply(Change::CaptureBegun { id: pending.id, meta: meta() }).unwrap();
        pending.id
    }

    /// What the folder says is what the project says.
    fn saved(open: OpenJob) -> Job {
        let (dir, mut project) = (open.job.dir().to_owned(), open.project);
        drop(open.job);
        let job = Job::open(&dir).unwrap();
        let on_disk = Project::of(&job, |id| job.reading(id).unwrap());
        // The readings of what was discarded are read when it comes back.
        let without = |one: &mut project::CaptureEntry| (one.reading, one.response) = (None, None);
        project.discarded.iter_mut().for_each(without);
        assert_eq!(project, on_disk);
        job
    }

    /// Every change of a capture stands in the job when it is opened again.
    #[test]
    fn what_is_noted_stands_in_the_job() {
        let (_folder, mut open) = open();
        let whole = begun(&mut open);
        open.apply(Change::CaptureDone { id: whole, meta: meta(), reading: reading() }).unwrap();
        let cut = begun(&mut open);
        open.apply(Change::CaptureInterrupted { id: cut, meta: meta(), reading: None }).unwrap();
        let partly = begun(&mut open);
        let some = Some(reading());
        open.apply(Change::CaptureInterrupted { id: partly, meta: meta(), reading: some }).unwrap();
        let mut other = reading();
        other.value("rms_dbfs", -21.0);
        let again = Change::Recomputed { id: whole, reading: other.clone(), program: "9.9".to_owned() };
        open.apply(again).unwrap();
        let verdict =
            SourceHeadroom::of(&[("front".to_owned(), Reading::new("headroom", 1, 48_000.0))], None);
        open.apply(verdict.change()).unwrap();

        let job = saved(open);
        let states: Vec<CaptureState> = job.captures().iter().map(|capture| capture.state).collect();
        assert_eq!(states, [CaptureState::Done, CaptureState::Interrupted, CaptureState::Interrupted]);
        assert_eq!(job.reading(whole).unwrap(), Some(other));
        assert_eq!(job.capture(whole).unwrap().meta.program, "9.9");
        assert_eq!(job.reading(cut).unwrap(), None);
        assert_eq!(job.reading(partly).unwrap(), Some(reading()));
        assert_eq!(job.data().source.clean_step, None);
        assert!(job.data().stages[&Stage::Source].line.contains("no clean step"));
    }

    /// The name that a capture was given while it ran is its name, on disk at once and when it has ended.
    #[test]
    fn a_capture_that_is_renamed_while_it_runs_keeps_its_name() {
        let (_folder, mut open) = open();
        let id = begun(&mut open);
        let placement =
            Placement { label: "door open".to_owned(), set: Some(Set::After), ..Placement::of(&meta()) };
        open.apply(Change::Placed { id, placement }).unwrap();
        let label = |job: &Job| job.capture(id).map(|capture| capture.meta.label.clone());
        assert_eq!(label(&Job::open_to_read(open.job().dir()).unwrap()).as_deref(), Some("door open"));
        let ended = CaptureMeta { rig: "the rig".to_owned(), ..meta() };
        open.apply(Change::CaptureDone { id, meta: ended, reading: reading() }).unwrap();
        let job = saved(open);
        let capture = job.capture(id).unwrap();
        assert_eq!((capture.meta.label.as_str(), capture.meta.rig.as_str()), ("door open", "the rig"));
        assert_eq!((capture.state, &capture.meta.set), (CaptureState::Done, &Some(Set::After)));
        assert!(capture.meta.audio_sha256.is_some() && capture.meta.reading_sha256.is_some());
    }

    /// Discarded while it runs: it ends where it was put, whole, and comes back with its reading.
    #[test]
    fn a_capture_that_is_discarded_while_it_runs_ends_there() {
        let (_folder, mut open) = open();
        let id = begun(&mut open);
        open.apply(Change::Discarded(id)).unwrap();
        open.apply(Change::CaptureDone { id, meta: meta(), reading: reading() }).unwrap();
        assert!(open.project().captures.is_empty() && open.job().captures().is_empty());
        let mut open = OpenJob::new(saved(open));
        open.apply(Change::Restored(id)).unwrap();
        let capture = open.project().capture(id).unwrap();
        assert_eq!((capture.state, capture.value("rms_dbfs")), (CaptureState::Done, Some(-20.0)));
        saved(open);
    }

    /// What cannot be made changes nothing, neither here nor on disk.
    #[test]
    fn all_of_a_change_or_none() {
        let (_folder, mut open) = open();
        let id = begun(&mut open);
        open.apply(Change::CaptureDone { id, meta: meta(), reading: reading() }).unwrap();
        let before = open.project().clone();
        let band = tuning::Band::peak(1_000.0, -3.0, 2.0);
        let band = |gain_db| {
            let profile = tuning::Profile::preset("parametric-free").unwrap();
            EnteredBand { gain_db, ..EnteredBand::of_typed("", &band, &profile) }
        };
        let placement = Placement { label: "lost".to_owned(), ..Placement::default() };
        let refused = Change::Together(vec![
            Change::Placed { id, placement: placement.clone() },
            Change::Notes("lost".to_owned()),
            Change::Bands(vec![band(f64::NAN)]),
        ]);
        assert!(open.apply(refused).unwrap_err().to_string().contains("band 1"));
        assert_eq!(open.project(), &before);
        let made = Change::Together(vec![
            Change::Placed { id, placement },
            Change::Together(vec![Change::Notes("kept".to_owned()), Change::Bands(vec![band(-3.0)])]),
        ]);
        open.apply(made).unwrap();
        let job = saved(open);
        assert_eq!((job.data().notes.as_str(), job.data().bands.len()), ("kept", 1));
        assert_eq!(job.capture(id).unwrap().meta.label, "lost");
    }

    #[test]
    fn a_job_is_made_only_when_something_is_to_be_kept() {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path().join("job");
        let mut none = WhenKept::new(None);
        assert!(none.job().unwrap().is_none());
        let mut later = WhenKept::new(Some(&dir));
        assert!(!dir.exists());
        assert!(later.job().unwrap().is_some() && dir.join("job.json").is_file());
        // The same job, and not a second one.
        assert!(later.job().unwrap().is_some());
    }
}
