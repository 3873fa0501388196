//! An open job, and the one way in which what was found gets into it.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use job::{CaptureStore, Head, Job, Stage, StageResult, StageState};
use library::Result;
use project::derive::{SourceHeadroom, source_with};

use crate::Change;

/// A job that is worked on. One thread owns it.
#[derive(Debug)]
pub struct OpenJob {
    job: Job,
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

    /// A job that is open already.
    #[must_use]
    pub fn new(job: Job) -> Self {
        Self { job }
    }

    /// The job.
    #[must_use]
    pub fn job(&self) -> &Job {
        &self.job
    }

    /// The job, to be edited.
    pub fn job_mut(&mut self) -> &mut Job {
        &mut self.job
    }

    /// Where captures of it are begun.
    ///
    /// # Errors
    /// When it is open for reading only.
    pub fn store(&self) -> Result<CaptureStore> {
        Ok(self.job.store()?)
    }

    /// Notes a change, and saves it.
    ///
    /// # Errors
    /// When it cannot be saved. A recording is on disk in any case.
    pub fn apply(&mut self, change: &Change) -> Result<()> {
        note(&mut self.job, change)
    }
}

/// Notes a change in a job, and saves it.
///
/// # Errors
/// When it cannot be saved. A recording is on disk in any case.
pub fn note(job: &mut Job, change: &Change) -> Result<()> {
    match change {
        // Its folder and description are there since it was begun.
        Change::CaptureBegun { .. } | Change::ToneFound(_) | Change::NoiseFound(_) => {}
        Change::CaptureDone { pending, meta, reading } => {
            job.finish_capture(pending, reading, meta.clone())?;
        }
        Change::CaptureInterrupted { pending, meta, reading } => {
            let id = job.abandon_capture(pending, meta.clone())?;
            if let Some(reading) = reading {
                job.set_reading(id, reading)?;
            }
        }
        Change::ReadingMade { id, reading } => job.set_reading(*id, reading)?,
        Change::HeadroomFound(verdict) => note_headroom(job, verdict)?,
    }
    Ok(())
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

/// Keeps the verdict in the job.
fn note_headroom(job: &mut Job, verdict: &SourceHeadroom) -> Result<()> {
    let limit = &verdict.limit;
    let line = match limit.clean_step {
        Some(number) => format!("clean to step {number} · limited by {}", limit.limited_by.join(", ")),
        None => "no clean step".to_owned(),
    };
    job.edit(|data| {
        data.source = source_with(limit, &data.source);
        data.stages.insert(Stage::Source, StageResult { state: StageState::Measured, line });
    })?;
    Ok(())
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
    use job::{CaptureMeta, CaptureState};
    use measure::Reading;

    use super::*;

    fn meta() -> CaptureMeta {
        CaptureMeta::new("level", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
    }

    /// Every change stands in the job when it is opened again.
    #[test]
    fn what_is_noted_stands_in_the_job() {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path().join("job");
        let mut open = OpenJob::open_or_create(&dir).unwrap();
        let store = open.store().unwrap();
        let mut reading = Reading::new("level", 1, 48_000.0);
        reading.value("rms_dbfs", -20.0);
        let whole = store.begin(&meta()).unwrap();
        open.apply(&Change::CaptureBegun { pending: whole.clone(), meta: meta() }).unwrap();
        open.apply(&Change::CaptureDone { pending: whole.clone(), meta: meta(), reading: reading.clone() })
            .unwrap();
        let cut = store.begin(&meta()).unwrap();
        open.apply(&Change::CaptureInterrupted { pending: cut.clone(), meta: meta(), reading: None })
            .unwrap();
        let partly = store.begin(&meta()).unwrap();
        let some = Some(reading.clone());
        open.apply(&Change::CaptureInterrupted { pending: partly.clone(), meta: meta(), reading: some })
            .unwrap();
        let mut other = reading.clone();
        other.value("rms_dbfs", -21.0);
        open.apply(&Change::ReadingMade { id: whole.id, reading: other.clone() }).unwrap();
        let verdict =
            SourceHeadroom::of(&[("front".to_owned(), Reading::new("headroom", 1, 48_000.0))], None);
        open.apply(&Change::HeadroomFound(verdict)).unwrap();
        drop((open, store));

        let job = Job::open(&dir).unwrap();
        let states: Vec<CaptureState> = job.captures().iter().map(|capture| capture.state).collect();
        assert_eq!(states, [CaptureState::Done, CaptureState::Interrupted, CaptureState::Interrupted]);
        assert_eq!(job.reading(whole.id).unwrap(), Some(other));
        assert_eq!(job.reading(cut.id).unwrap(), None);
        assert_eq!(job.reading(partly.id).unwrap(), Some(reading));
        assert_eq!(job.data().source.clean_step, None);
        assert!(job.data().stages[&Stage::Source].line.contains("no clean step"));
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
