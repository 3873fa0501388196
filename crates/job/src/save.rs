//! Replacing a file whole or not at all.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use crate::JobError;

/// How much is written at a time.
const PIECE: usize = 64 * 1024;

/// Writes a file so that after a crash at any moment the path holds either
/// what it held before or all of the new contents.
///
/// The contents go to a temporary file in the same folder, are flushed to
/// disk, and take the path's place by a rename; then the folder is flushed.
/// Something that is not a plain file (a terminal, a pipe) is written to
/// directly; a symbolic link keeps pointing where it does.
///
/// # Errors
/// When the system refuses; the path then holds what it held before.
pub fn write_atomically(path: &Path, contents: &[u8]) -> Result<(), JobError> {
    write_observed(path, contents, &mut || {})
}

/// As [`write_atomically`], telling the tests after each piece.
fn write_observed(path: &Path, contents: &[u8], observe: &mut dyn FnMut()) -> Result<(), JobError> {
    let target = match fs::metadata(path) {
        Ok(there) if there.is_dir() => {
            let source = io::Error::from(io::ErrorKind::IsADirectory);
            return Err(JobError::io("write", path)(source));
        }
        Ok(there) if !there.is_file() => {
            return fs::write(path, contents).map_err(JobError::io("write", path));
        }
        Ok(_) => fs::canonicalize(path).map_err(JobError::io("write", path))?,
        Err(_) => path.to_owned(),
    };
    let write = |file: &mut io::BufWriter<File>| {
        observe();
        for piece in contents.chunks(PIECE) {
            file.write_all(piece)?;
            file.flush()?;
            observe();
        }
        Ok(())
    };
    recording::save_atomically(&target, write).map_err(JobError::io("write", path))
}

/// Whether a file is what an interrupted save leaves behind; the name is that
/// of [`recording::save_atomically`].
pub(crate) fn is_unfinished(name: &str) -> bool {
    name.starts_with('.') && name.ends_with(".partial")
}

/// Makes the names in a folder outlast a power cut.
pub(crate) fn flush_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) { File::open(folder)?.sync_all() } else { Ok(()) }
}

/// Makes a file that someone else wrote outlast a power cut.
pub(crate) fn flush_file(path: &Path) -> io::Result<()> {
    File::options().append(true).open(path)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scratch() -> tempfile::TempDir {
        tempfile::tempdir().unwrap()
    }

    /// The names in a folder and what each file holds.
    type Files = Vec<(String, Vec<u8>)>;

    fn files(dir: &Path) -> Files {
        let read = |entry: io::Result<fs::DirEntry>| {
            let path = entry.unwrap().path();
            (path.file_name().unwrap().to_str().unwrap().to_owned(), fs::read(&path).unwrap())
        };
        fs::read_dir(dir).unwrap().map(read).collect()
    }

    /// What a power cut would leave after each step of a save, the finished
    /// one last.
    fn pictures(old: Option<&[u8]>, new: &[u8]) -> Vec<Files> {
        let dir = scratch();
        let path = dir.path().join("job.json");
        if let Some(old) = old {
            fs::write(&path, old).unwrap();
        }
        let mut pictures = Vec::new();
        write_observed(&path, new, &mut || pictures.push(files(dir.path()))).unwrap();
        pictures.push(files(dir.path()));
        pictures
    }

    #[test]
    fn at_every_step_the_path_holds_all_of_the_old_or_all_of_the_new() {
        let (old, new) = (vec![b'o'; 3 * PIECE / 2], vec![b'n'; 5 * PIECE / 2]);
        let mut seen = pictures(Some(&old), &new);
        assert_eq!(seen.pop().unwrap(), [("job.json".to_owned(), new.clone())]);
        assert_eq!(seen.len(), 4, "before the first of three pieces, and after each");
        for (step, files) in seen.iter().enumerate() {
            assert_eq!(files.len(), 2);
            for (name, contents) in files {
                if name == "job.json" {
                    assert!(*contents == old, "at step {step}");
                } else {
                    assert!(is_unfinished(name), "`{name}` at step {step}");
                    assert!(*contents == new[..new.len().min(step * PIECE)], "at step {step}");
                }
            }
        }
    }

    #[test]
    fn a_first_save_that_is_cut_off_leaves_nothing_at_the_path() {
        let mut seen = pictures(None, b"all of it");
        assert_eq!(seen.pop().unwrap(), [("job.json".to_owned(), b"all of it".to_vec())]);
        for files in seen {
            assert!(files.iter().all(|(name, _)| is_unfinished(name)), "{files:?}");
        }
    }

    #[test]
    fn a_folder_that_is_not_there_and_a_folder_in_the_way_are_errors() {
        let dir = scratch();
        let missing = write_atomically(&dir.path().join("no/file"), b"x").unwrap_err();
        assert!(missing.to_string().contains("no/file"), "{missing}");
        fs::create_dir(dir.path().join("taken")).unwrap();
        let taken = write_atomically(&dir.path().join("taken"), b"x").unwrap_err();
        assert!(taken.to_string().contains("taken"), "{taken}");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1, "no temporary file is left");
    }

    #[cfg(unix)]
    #[test]
    fn a_link_keeps_pointing_and_its_file_is_replaced() {
        let dir = scratch();
        let (real, link) = (dir.path().join("real"), dir.path().join("link"));
        fs::write(&real, "old").unwrap();
        std::os::unix::fs::symlink(&real, &link).unwrap();
        write_atomically(&link, b"new").unwrap();
        assert_eq!(fs::read(&real).unwrap(), b"new");
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
    }
}
