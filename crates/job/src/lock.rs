//! One writer at a time.

use std::fs::{File, TryLockError};
use std::io::{self, Read as _, Seek as _, Write as _};
use std::path::Path;

use crate::JobError;
use crate::folder::LOCK_FILE;

/// The right to write a job, until it is dropped.
///
/// The operating system holds the lock for the open file, not the file's
/// existence: when a process dies, its lock is gone, and a `job.lock` left in
/// the folder means nothing by itself. The file stays, because deleting it
/// would let two processes lock two different files of one name.
#[derive(Debug)]
pub(crate) struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the lock of a job folder.
    pub(crate) fn take(dir: &Path) -> Result<Self, JobError> {
        let path = dir.join(LOCK_FILE);
        let mut file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(JobError::io("open", &path))?;
        match file.try_lock() {
            Ok(()) => note_holder(&mut file),
            Err(TryLockError::WouldBlock) => {
                let holder = holder(&mut file);
                return Err(JobError::Locked { dir: dir.to_owned(), holder });
            }
            // Some network disks cannot lock; working there without one is
            // better than not working at all.
            Err(TryLockError::Error(error)) if error.kind() == io::ErrorKind::Unsupported => {}
            Err(TryLockError::Error(error)) => return Err(JobError::io("lock", &path)(error)),
        }
        Ok(Self { _file: file })
    }
}

/// Writes who holds the lock, for the message that the next one gets. It is
/// only a courtesy: a failure is of no consequence.
fn note_holder(file: &mut File) {
    let _ = file
        .set_len(0)
        .and_then(|()| file.rewind())
        .and_then(|()| writeln!(file, "process {}", std::process::id()));
}

/// Who holds the lock, as far as the file says.
fn holder(file: &mut File) -> String {
    let mut text = String::new();
    let read = file.take(64).read_to_string(&mut text).is_ok();
    match text.trim().strip_prefix("process ").and_then(|id| id.parse::<u32>().ok()) {
        Some(id) if read => format!(" (process {id})"),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_writer_is_refused_and_told_who_has_it() {
        let dir = tempfile::tempdir().unwrap();
        let first = Lock::take(dir.path()).unwrap();
        let refused = Lock::take(dir.path()).unwrap_err();
        assert!(matches!(refused, JobError::Locked { .. }));
        if cfg!(unix) {
            assert!(refused.to_string().contains(&std::process::id().to_string()), "{refused}");
        }
        drop(first);
        Lock::take(dir.path()).unwrap();
    }

    #[test]
    fn a_lock_file_that_a_dead_process_left_is_no_hindrance() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join(LOCK_FILE), "process 4000000000000\n\u{0}garbage").unwrap();
        Lock::take(dir.path()).unwrap();
    }
}
