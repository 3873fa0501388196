//! Where captures are begun.

use std::fs;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;

use crate::file::CaptureFile;
use crate::folder::{AUDIO_FILE, CAPTURE_FILE, CAPTURES, DISCARDED, MOST_CAPTURES, captures_in, ensure};
use crate::json;
use crate::lock::Lock;
use crate::save::flush_folder;
use crate::{CaptureId, CaptureMeta, CaptureState, JobError};

/// A capture that is being recorded: its folder is made, its description is on
/// disk, and its audio may be streamed to [`Pending::audio_path`].
#[derive(Debug, Clone, PartialEq, Eq)]
#[must_use = "a capture that is never finished is taken for a crash"]
pub struct Pending {
    /// Its number.
    pub id: CaptureId,
    /// Its folder.
    pub folder: PathBuf,
    /// Where its audio goes.
    pub audio_path: PathBuf,
}

/// Begins captures of a job, on whatever thread records them.
///
/// It keeps the right to write the job for as long as it lives: a recording that is still running
/// when the job is closed has the folder for itself.
#[derive(Debug, Clone)]
pub struct CaptureStore {
    dir: PathBuf,
    /// The highest number that the job spoke of when the store was made.
    last: CaptureId,
    _lock: Arc<Lock>,
}

impl CaptureStore {
    pub(crate) fn new(dir: PathBuf, last: CaptureId, lock: Arc<Lock>) -> Self {
        Self { dir, last, _lock: lock }
    }

    /// Begins a capture: makes its folder and writes down all that is known,
    /// so that the recording can be understood even if nothing else is ever
    /// written. The job learns of it when the capture is finished or abandoned.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn begin(&self, meta: &CaptureMeta) -> Result<Pending, JobError> {
        let captures = self.dir.join(CAPTURES);
        ensure(&captures)?;
        let mut id = self.next_id()?;
        let folder = loop {
            if id.0 > MOST_CAPTURES {
                return Err(JobError::Full { dir: captures });
            }
            let folder = captures.join(id.to_string());
            match fs::create_dir(&folder) {
                Ok(()) => break folder,
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => id = CaptureId(id.0 + 1),
                Err(error) => return Err(JobError::io("make the folder", &folder)(error)),
            }
        };
        flush_folder(&captures).map_err(JobError::io("flush", &captures))?;
        json::write(&folder.join(CAPTURE_FILE), &CaptureFile::new(id, meta, CaptureState::Recording))?;
        let audio_path = folder.join(AUDIO_FILE);
        Ok(Pending { id, folder, audio_path })
    }

    /// The first number after all that were ever given, as far as the folder
    /// shows.
    fn next_id(&self) -> Result<CaptureId, JobError> {
        let mut last = self.last.0;
        for place in [CAPTURES, DISCARDED] {
            for (id, _) in captures_in(&self.dir.join(place))? {
                last = last.max(id.0);
            }
        }
        Ok(CaptureId(last + 1))
    }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;
    use crate::{Head, Job, Stage};

    fn meta() -> CaptureMeta {
        CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH)
    }

    #[test]
    fn captures_are_begun_on_several_threads_while_the_job_is_edited() {
        let folder = tempfile::tempdir().unwrap();
        let head = Head { name: "a job".to_owned(), created: Timestamp::UNIX_EPOCH };
        let mut job = Job::create(folder.path().join("job"), head).unwrap();
        let store = job.store().unwrap();
        let threads: Vec<_> = (0..4)
            .map(|_| {
                let store = store.clone();
                std::thread::Builder::new()
                    .name("test-store".to_owned())
                    .spawn(move || (0..8).map(|_| store.begin(&meta()).unwrap().id.0).collect::<Vec<u32>>())
                    .unwrap()
            })
            .collect();
        job.edit(|data| data.notes = "meanwhile".to_owned()).unwrap();
        let mut ids: Vec<u32> = threads.into_iter().flat_map(|thread| thread.join().unwrap()).collect();
        ids.sort_unstable();
        assert_eq!(ids, (1..=32).collect::<Vec<u32>>());
    }

    #[test]
    fn a_store_keeps_the_job_locked() {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path().join("job");
        let head = Head { name: "a job".to_owned(), created: Timestamp::UNIX_EPOCH };
        let store = Job::create(&dir, head).unwrap().store().unwrap();
        assert!(matches!(Job::open(&dir), Err(JobError::Locked { .. })));
        drop(store);
        let job = Job::open(&dir).unwrap();
        assert!(matches!(Job::open_to_read(&dir).unwrap().store(), Err(JobError::ReadOnly { .. })));
        drop(job);
    }
}
