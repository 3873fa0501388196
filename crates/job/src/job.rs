//! An open job: what it holds, and the few ways in which it changes.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use measure::{Finding, Reading};

use crate::file::{CaptureFile, JobFile, ReadingFile};
use crate::folder::{
    AUDIO_FILE, CAPTURE_FILE, CAPTURES, DISCARDED, EXPORTS, JOB_FILE, LOCK_FILE, MOST_CAPTURES, READING_FILE,
    captures_in, ensure, names,
};
use crate::json;
use crate::lock::Lock;
use crate::save::{flush_file, flush_folder, write_atomically};
use crate::seal::{Seal, sha256_of_file};
use crate::store::{CaptureStore, Pending};
use crate::{Capture, CaptureId, CaptureMeta, CaptureState, Head, JobData, JobError, Set};

/// A job folder that has been opened.
///
/// Every change is on disk before the call returns; when a save fails, what is
/// in memory stays as it was, too.
#[derive(Debug)]
pub struct Job {
    dir: PathBuf,
    data: JobData,
    captures: Vec<Capture>,
    discarded: Vec<Capture>,
    problems: Vec<Finding>,
    /// Held while the job may be written.
    lock: Option<Arc<Lock>>,
}

impl Job {
    /// Makes a job in a new or empty folder, or around captures whose
    /// `job.json` was lost.
    ///
    /// # Errors
    /// When the folder is a job already or holds something else, when another
    /// process works in it, or when the system refuses.
    pub fn create(dir: impl Into<PathBuf>, head: Head) -> Result<Self, JobError> {
        let dir = dir.into();
        if dir.join(JOB_FILE).exists() {
            return Err(JobError::AlreadyAJob { dir });
        }
        let captures = dir.join(CAPTURES);
        let ours = |name: &String| [LOCK_FILE, CAPTURES, DISCARDED, EXPORTS].contains(&name.as_str());
        if !captures.is_dir() && !names(&dir)?.iter().all(ours) {
            return Err(JobError::FolderInUse { dir });
        }
        ensure(&captures)?;
        ensure(&dir.join(EXPORTS))?;
        let lock = Lock::take(&dir)?;
        let data = JobData::new(head);
        json::write(&dir.join(JOB_FILE), &JobFile::from(data.clone()))?;
        Self::load(dir, (data, Seal::Whole), Some(lock))
    }

    /// Opens a job to work on it.
    ///
    /// A capture whose description cannot be read does not keep the job from
    /// opening; [`Job::problems`] names it.
    ///
    /// # Errors
    /// When the folder is no job, `job.json` is damaged or too new, or another
    /// process works in it.
    pub fn open(dir: impl Into<PathBuf>) -> Result<Self, JobError> {
        let dir = dir.into();
        // Read once before anything is touched, so that a folder that is no
        // job does not get a lock file.
        read_data(&dir)?;
        let lock = Lock::take(&dir)?;
        let data = read_data(&dir)?;
        Self::load(dir, data, Some(lock))
    }

    /// Opens a job to look at it, even while another process works in it or
    /// where nothing can be written.
    ///
    /// # Errors
    /// When the folder is no job, or `job.json` is damaged or too new.
    pub fn open_to_read(dir: impl Into<PathBuf>) -> Result<Self, JobError> {
        let dir = dir.into();
        let data = read_data(&dir)?;
        Self::load(dir, data, None)
    }

    fn load(dir: PathBuf, data: (JobData, Seal), lock: Option<Lock>) -> Result<Self, JobError> {
        let mut problems = Vec::new();
        if data.1 == Seal::Broken {
            problems.push(changed_outside(JOB_FILE));
        }
        let data = data.0;
        let captures = read_captures(&dir.join(CAPTURES), lock.is_some(), &mut problems)?;
        let discarded = read_captures(&dir.join(DISCARDED), false, &mut Vec::new())?;
        let mut job = Self { dir, data, captures, discarded, problems, lock: lock.map(Arc::new) };
        job.sort();
        Ok(job)
    }

    /// Its folder.
    #[must_use]
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// What it holds besides its captures.
    #[must_use]
    pub fn data(&self) -> &JobData {
        &self.data
    }

    /// Its captures in the order in which a person put them.
    #[must_use]
    pub fn captures(&self) -> &[Capture] {
        &self.captures
    }

    /// The captures in `discarded/`, by number.
    #[must_use]
    pub fn discarded(&self) -> &[Capture] {
        &self.discarded
    }

    /// The capture of this number.
    #[must_use]
    pub fn capture(&self, id: CaptureId) -> Option<&Capture> {
        self.captures.iter().find(|capture| capture.id == id)
    }

    /// The captures of one set, in order.
    pub fn in_set<'a>(&'a self, set: &'a Set) -> impl Iterator<Item = &'a Capture> {
        self.captures.iter().filter(move |capture| capture.meta.set.as_ref() == Some(set))
    }

    /// What was wrong with the folder when it was opened.
    #[must_use]
    pub fn problems(&self) -> &[Finding] {
        &self.problems
    }

    /// Whether it may be changed.
    #[must_use]
    pub fn is_writable(&self) -> bool {
        self.lock.is_some()
    }

    /// The folder of a capture.
    #[must_use]
    pub fn capture_folder(&self, id: CaptureId) -> PathBuf {
        self.dir.join(CAPTURES).join(id.to_string())
    }

    /// The raw recording of a capture.
    #[must_use]
    pub fn audio_path(&self, id: CaptureId) -> PathBuf {
        self.capture_folder(id).join(AUDIO_FILE)
    }

    /// What a capture's measurement found; `None` when it has not been computed.
    ///
    /// It is read from disk each time, because curves are large and few are
    /// looked at. One that is not as it was saved has a finding that says so.
    ///
    /// # Errors
    /// When there is no such capture, or its `reading.json` is damaged or too
    /// new.
    pub fn reading(&self, id: CaptureId) -> Result<Option<Reading>, JobError> {
        let index = self.known(id)?;
        let found = json::read_sealed::<ReadingFile>(&self.capture_folder(id).join(READING_FILE))?;
        Ok(found.map(|found| {
            let wanted = self.captures[index].meta.reading_sha256.as_ref();
            let is_changed =
                found.seal == Seal::Broken || wanted.is_some_and(|wanted| *wanted != found.sha256);
            let mut reading: Reading = found.document.into();
            if is_changed {
                reading.finding(changed_outside(&format!("{CAPTURES}/{id}/{READING_FILE}")));
            }
            reading
        }))
    }

    /// Whether a capture's recording is to the bit what was recorded; `None` when that is not known. It is
    /// read from end to end, so this is asked before it is computed again and not at every opening.
    ///
    /// # Errors
    /// When there is no such capture, or its recording cannot be read.
    pub fn audio_is_as_recorded(&self, id: CaptureId) -> Result<Option<bool>, JobError> {
        let index = self.known(id)?;
        let Some(wanted) = &self.captures[index].meta.audio_sha256 else { return Ok(None) };
        let audio = self.audio_path(id);
        let found = sha256_of_file(&audio).map_err(JobError::io("read", &audio))?;
        Ok(Some(found == *wanted))
    }

    /// Changes what the job holds, and saves it.
    ///
    /// # Errors
    /// When the job is open for reading only, a number is not finite, or the
    /// system refuses; nothing is changed then.
    pub fn edit(&mut self, change: impl FnOnce(&mut JobData)) -> Result<(), JobError> {
        let mut data = self.data.clone();
        change(&mut data);
        self.save(data)
    }

    /// Changes what is known about a capture, and saves it.
    ///
    /// # Errors
    /// When there is no such capture, and as for [`Job::edit`].
    pub fn edit_capture(
        &mut self,
        id: CaptureId,
        change: impl FnOnce(&mut CaptureMeta),
    ) -> Result<(), JobError> {
        self.writable()?;
        let index = self.known(id)?;
        let mut meta = self.captures[index].meta.clone();
        change(&mut meta);
        let file = CaptureFile::new(id, &meta, self.captures[index].state);
        json::write(&self.capture_folder(id).join(CAPTURE_FILE), &file)?;
        self.captures[index].meta = meta;
        Ok(())
    }

    /// Puts a capture into a set, or into none.
    ///
    /// # Errors
    /// As for [`Job::edit_capture`].
    pub fn mark(&mut self, id: CaptureId, set: Option<Set>) -> Result<(), JobError> {
        self.edit_capture(id, |meta| meta.set = set)
    }

    /// Gives a capture another label.
    ///
    /// # Errors
    /// As for [`Job::edit_capture`].
    pub fn rename(&mut self, id: CaptureId, label: &str) -> Result<(), JobError> {
        self.edit_capture(id, |meta| label.clone_into(&mut meta.label))
    }

    /// Puts the captures into another order.
    ///
    /// # Errors
    /// When `order` does not name each capture exactly once, and as for
    /// [`Job::edit`].
    pub fn reorder(&mut self, order: &[CaptureId]) -> Result<(), JobError> {
        let (mut wanted, mut present) = (order.to_vec(), self.ids());
        wanted.sort_unstable();
        present.sort_unstable();
        if wanted != present {
            return Err(JobError::Order { captures: self.captures.len() });
        }
        // Discarded captures keep a place, so that restoring one puts it back
        // near where it was.
        let mut whole = order.to_vec();
        for (place, id) in self.data.order.iter().enumerate() {
            if !whole.contains(id) {
                whole.insert(place.min(whole.len()), *id);
            }
        }
        self.edit(|data| data.order = whole)
    }

    /// Begins a capture: makes its folder and writes down all that is known,
    /// so that the recording can be understood even if nothing else is ever
    /// written. The caller streams the audio to [`Pending::audio_path`] and
    /// then calls [`Job::finish_capture`] or [`Job::abandon_capture`].
    ///
    /// # Errors
    /// When the job is open for reading only, or the system refuses.
    pub fn begin_capture(&mut self, meta: &CaptureMeta) -> Result<Pending, JobError> {
        self.store()?.begin(meta)
    }

    /// Notes that a capture of this job is being recorded, so that it can be named and placed meanwhile.
    ///
    /// # Errors
    /// When the job is open for reading only.
    pub fn begun(&mut self, id: CaptureId, meta: &CaptureMeta) -> Result<(), JobError> {
        self.writable()?;
        self.put(Capture { id, state: CaptureState::Recording, meta: meta.clone() });
        Ok(())
    }

    /// Where the audio of a capture that was begun is, even when it was discarded since.
    pub fn pending(&self, id: CaptureId) -> Pending {
        let is_discarded = self.discarded.iter().any(|capture| capture.id == id);
        let place = if is_discarded { DISCARDED } else { CAPTURES };
        let folder = self.dir.join(place).join(id.to_string());
        Pending { id, audio_path: folder.join(AUDIO_FILE), folder }
    }

    /// Where captures of this job are begun by whoever records them, on any
    /// thread; the job itself is not needed for that.
    ///
    /// # Errors
    /// When the job is open for reading only.
    pub fn store(&self) -> Result<CaptureStore, JobError> {
        self.writable()?;
        let lock = self.lock.clone().ok_or_else(|| JobError::ReadOnly { dir: self.dir.clone() })?;
        Ok(CaptureStore::new(self.dir.clone(), self.last_known(), lock))
    }

    /// Ends a capture that was recorded to its end, with what was found. May
    /// be called again after a failure (a full disk).
    ///
    /// # Errors
    /// When the reading breaks its contract, or the system refuses. The
    /// recording is on disk in any case.
    pub fn finish_capture(
        &mut self,
        pending: &Pending,
        reading: &Reading,
        meta: CaptureMeta,
    ) -> Result<CaptureId, JobError> {
        self.writable()?;
        let mut meta = settle_audio(pending, meta)?;
        meta.reading_sha256 = Some(write_reading(&pending.folder.join(READING_FILE), reading)?);
        self.keep(pending, meta, CaptureState::Done)
    }

    /// Ends a capture that was broken off: its recording is kept and marked, and what was found so far.
    /// Why it ended belongs into `meta.findings`.
    ///
    /// # Errors
    /// When the reading breaks its contract, or the system refuses. The recording is on disk in any case.
    pub fn abandon_capture(
        &mut self,
        pending: &Pending,
        reading: Option<&Reading>,
        meta: CaptureMeta,
    ) -> Result<CaptureId, JobError> {
        self.writable()?;
        let mut meta = settle_audio(pending, meta)?;
        if let Some(reading) = reading {
            meta.reading_sha256 = Some(write_reading(&pending.folder.join(READING_FILE), reading)?);
        }
        self.keep(pending, meta, CaptureState::Interrupted)
    }

    fn keep(
        &mut self,
        pending: &Pending,
        meta: CaptureMeta,
        state: CaptureState,
    ) -> Result<CaptureId, JobError> {
        json::write(&pending.folder.join(CAPTURE_FILE), &CaptureFile::new(pending.id, &meta, state))?;
        self.put(Capture { id: pending.id, state, meta });
        Ok(pending.id)
    }

    /// Takes a capture, in place of what was known of it.
    fn put(&mut self, capture: Capture) {
        let known = self.captures.iter_mut().chain(&mut self.discarded).find(|known| known.id == capture.id);
        match known {
            Some(known) => *known = capture,
            None => self.captures.push(capture),
        }
        self.sort();
    }

    /// Replaces what a capture's measurement found, after it was computed again.
    ///
    /// # Errors
    /// When there is no such capture, the reading breaks its contract, and as
    /// for [`Job::edit`].
    pub fn set_reading(&mut self, id: CaptureId, reading: &Reading) -> Result<(), JobError> {
        self.writable()?;
        self.known(id)?;
        let saved = write_reading(&self.capture_folder(id).join(READING_FILE), reading)?;
        self.edit_capture(id, |meta| meta.reading_sha256 = Some(saved))
    }

    /// Moves a capture to `discarded/`. Nothing is deleted.
    ///
    /// # Errors
    /// When there is no such capture, and as for [`Job::edit`].
    pub fn discard(&mut self, id: CaptureId) -> Result<(), JobError> {
        self.writable()?;
        let index = self.known(id)?;
        move_capture(&self.dir, id, CAPTURES, DISCARDED)?;
        let capture = self.captures.remove(index);
        self.discarded.push(capture);
        self.discarded.sort_by_key(|capture| capture.id);
        Ok(())
    }

    /// Brings a discarded capture back.
    ///
    /// # Errors
    /// When it is not in `discarded/`, and as for [`Job::edit`].
    pub fn restore(&mut self, id: CaptureId) -> Result<(), JobError> {
        self.writable()?;
        let index =
            self.discarded.iter().position(|capture| capture.id == id).ok_or(JobError::NoCapture { id })?;
        move_capture(&self.dir, id, DISCARDED, CAPTURES)?;
        let capture = self.discarded.remove(index);
        self.captures.push(capture);
        self.sort();
        Ok(())
    }

    /// Writes a file into `exports/` and says where it is.
    ///
    /// # Errors
    /// When the job is open for reading only, or the system refuses.
    pub fn export(&self, name: &str, contents: &[u8]) -> Result<PathBuf, JobError> {
        self.writable()?;
        let exports = self.dir.join(EXPORTS);
        ensure(&exports)?;
        let path = exports.join(name);
        write_atomically(&path, contents)?;
        Ok(path)
    }

    fn save(&mut self, data: JobData) -> Result<(), JobError> {
        self.writable()?;
        json::write(&self.dir.join(JOB_FILE), &JobFile::from(data.clone()))?;
        let is_reordered = data.order != self.data.order;
        self.data = data;
        if is_reordered {
            self.sort();
        }
        Ok(())
    }

    fn writable(&self) -> Result<(), JobError> {
        if self.lock.is_some() { Ok(()) } else { Err(JobError::ReadOnly { dir: self.dir.clone() }) }
    }

    fn known(&self, id: CaptureId) -> Result<usize, JobError> {
        self.captures.iter().position(|capture| capture.id == id).ok_or(JobError::NoCapture { id })
    }

    fn ids(&self) -> Vec<CaptureId> {
        self.captures.iter().map(|capture| capture.id).collect()
    }

    /// The highest number that the job itself speaks of.
    fn last_known(&self) -> CaptureId {
        let given = self.data.order.iter().copied().filter(|id| id.0 <= MOST_CAPTURES);
        given.max().unwrap_or(CaptureId(0))
    }

    fn sort(&mut self) {
        let mut places = HashMap::with_capacity(self.data.order.len());
        for (place, id) in self.data.order.iter().enumerate() {
            places.entry(*id).or_insert(place);
        }
        self.captures
            .sort_by_key(|capture| (places.get(&capture.id).copied().unwrap_or(usize::MAX), capture.id));
    }
}

/// Reads `job.json`.
pub(crate) fn read_data(dir: &Path) -> Result<(JobData, Seal), JobError> {
    let found = json::read_sealed::<JobFile>(&dir.join(JOB_FILE))?;
    let found = found.ok_or_else(|| JobError::NotAJob { dir: dir.to_owned() })?;
    Ok((found.document.into(), found.seal))
}

/// Said of a file that is not as it was saved. It is read all the same: a person may do so.
pub(crate) fn changed_outside(file: &str) -> Finding {
    Finding::caution(
        "changed-outside",
        format!(
            "`{file}` is not as Headrest saved it. If you changed it, nothing is wrong and the next change here \
             accepts it; if nobody did, the disk may be failing, so fetch it from a copy."
        ),
    )
}

/// Reads the descriptions in `captures/` or `discarded/`. One that cannot be
/// read is a problem to be named, not a reason to hide the others.
fn read_captures(place: &Path, alone: bool, problems: &mut Vec<Finding>) -> Result<Vec<Capture>, JobError> {
    let mut captures = Vec::new();
    for (id, folder) in captures_in(place)? {
        match json::read_sealed::<CaptureFile>(&folder.join(CAPTURE_FILE)) {
            Ok(Some(found)) => {
                if found.seal == Seal::Broken {
                    problems.push(changed_outside(&format!("{CAPTURES}/{id}/{CAPTURE_FILE}")));
                }
                problems.extend(found.document.misplaced(id));
                let (meta, state) = found.document.into_parts();
                // Whoever holds the lock knows that nobody else is recording.
                if alone && state == CaptureState::Recording {
                    problems.push(Finding::caution(
                        "capture-interrupted",
                        format!("Capture {id} was being recorded when the program ended. `headrest job check` repairs it."),
                    ));
                }
                captures.push(Capture { id, state, meta });
            }
            Ok(None) => problems.push(Finding::caution(
                "capture-undescribed",
                format!("Capture {id} has no `capture.json`. `headrest job check` looks into it."),
            )),
            Err(error) => problems.push(Finding::caution("capture-unreadable", error.to_string())),
        }
    }
    Ok(captures)
}

/// Writes a reading and gives the SHA-256 of its file.
fn write_reading(file: &Path, reading: &Reading) -> Result<String, JobError> {
    reading.check().map_err(|problem| JobError::Unwritable { file: file.to_owned(), problem })?;
    json::write(file, &ReadingFile::from(reading))
}

/// Makes the audio outlast a power cut, notes by what it is known again, and when there is none.
fn settle_audio(pending: &Pending, mut meta: CaptureMeta) -> Result<CaptureMeta, JobError> {
    match flush_file(&pending.audio_path).and_then(|()| sha256_of_file(&pending.audio_path)) {
        Ok(sha256) => meta.audio_sha256 = Some(sha256),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let text = format!("Capture {} has no recording: `audio.wav` was not written.", pending.id);
            let missing = Finding::caution("audio-missing", text);
            if !meta.findings.contains(&missing) {
                meta.findings.push(missing);
            }
        }
        Err(error) => return Err(JobError::io("flush", &pending.audio_path)(error)),
    }
    Ok(meta)
}

/// Moves a capture's folder; a rename is done or not done, never half.
pub(crate) fn move_capture(dir: &Path, id: CaptureId, from: &str, to: &str) -> Result<(), JobError> {
    let (from, to) = (dir.join(from), dir.join(to));
    ensure(&to)?;
    let (source, target) = (from.join(id.to_string()), to.join(id.to_string()));
    if target.exists() {
        let taken = io::Error::from(io::ErrorKind::AlreadyExists);
        return Err(JobError::io("move the capture to", &target)(taken));
    }
    fs::rename(&source, &target).map_err(JobError::io("move", &source))?;
    for folder in [&to, &from] {
        flush_folder(folder).map_err(JobError::io("flush", folder))?;
    }
    Ok(())
}
