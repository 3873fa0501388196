//! Replacing a file whole or not at all.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use crate::JobError;

/// How much is written at a time.
const PIECE: usize = 64 * 1024;

/// Files of an unfinished save begin with a dot and end with this.
const UNFINISHED: &str = ".unfinished";

/// The moments of a save between which the power may fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Step {
    /// The new file is there under another name, empty.
    Begun,
    /// A further piece of it is written.
    Piece,
    /// All of it has reached the disk.
    Flushed,
    /// It has taken the old file's place.
    Renamed,
    /// The folder, too, has reached the disk.
    Done,
}

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
    write_observed(path, contents, &mut |_| {})
}

/// As [`write_atomically`], telling each step to the tests.
pub(crate) fn write_observed(
    path: &Path,
    contents: &[u8],
    observe: &mut dyn FnMut(Step),
) -> Result<(), JobError> {
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
    replace(&target, contents, observe).map_err(JobError::io("write", path))
}

fn replace(path: &Path, contents: &[u8], observe: &mut dyn FnMut(Step)) -> io::Result<()> {
    let folder = folder_of(path);
    let mut prefix = std::ffi::OsString::from(".");
    prefix.push(path.file_name().unwrap_or_default());
    prefix.push(".");
    let mut builder = tempfile::Builder::new();
    builder.prefix(&prefix).suffix(UNFINISHED);
    #[cfg(unix)]
    let permissions = {
        use std::os::unix::fs::PermissionsExt as _;
        // Not private, as temporary files are by default: the umask decides.
        fs::Permissions::from_mode(0o666)
    };
    #[cfg(unix)]
    builder.permissions(permissions);

    let mut file = builder.tempfile_in(&folder)?;
    observe(Step::Begun);
    for piece in contents.chunks(PIECE) {
        file.write_all(piece)?;
        observe(Step::Piece);
    }
    file.as_file().sync_all()?;
    observe(Step::Flushed);
    file.persist(path)?;
    observe(Step::Renamed);
    flush_folder(&folder)?;
    observe(Step::Done);
    Ok(())
}

/// The folder that a path is in.
fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// Whether a file is what an interrupted save leaves behind.
pub(crate) fn is_unfinished(name: &str) -> bool {
    name.starts_with('.') && name.ends_with(UNFINISHED)
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

    /// What a power cut would leave at each step: a copy of the folder.
    fn pictures(old: Option<&[u8]>, new: &[u8]) -> Vec<(Step, Files)> {
        let dir = scratch();
        let path = dir.path().join("job.json");
        if let Some(old) = old {
            fs::write(&path, old).unwrap();
        }
        let mut pictures = Vec::new();
        write_observed(&path, new, &mut |step| {
            let files = fs::read_dir(dir.path())
                .unwrap()
                .map(|entry| {
                    let entry = entry.unwrap();
                    let name = entry.file_name().into_string().unwrap();
                    (name, fs::read(entry.path()).unwrap())
                })
                .collect();
            pictures.push((step, files));
        })
        .unwrap();
        pictures
    }

    #[test]
    fn at_every_step_the_path_holds_all_of_the_old_or_all_of_the_new() {
        let old = vec![b'o'; 3 * PIECE / 2];
        let new = vec![b'n'; 5 * PIECE / 2];
        let seen = pictures(Some(&old), &new);
        assert_eq!(
            seen.iter().map(|(step, _)| *step).collect::<Vec<_>>(),
            [Step::Begun, Step::Piece, Step::Piece, Step::Piece, Step::Flushed, Step::Renamed, Step::Done]
        );
        for (step, files) in &seen {
            let held = &files.iter().find(|(name, _)| name == "job.json").expect("the path is there").1;
            let renamed = matches!(step, Step::Renamed | Step::Done);
            assert!(*held == if renamed { new.clone() } else { old.clone() }, "at {step:?}");
            for (name, contents) in files {
                if name != "job.json" {
                    assert!(is_unfinished(name) && !renamed, "`{name}` at {step:?}");
                    assert!(new.starts_with(contents));
                }
            }
        }
    }

    #[test]
    fn a_first_save_that_fails_leaves_no_partial_file_at_the_path() {
        for (step, files) in pictures(None, b"all of it") {
            let held = files.iter().find(|(name, _)| name == "job.json");
            match step {
                Step::Begun | Step::Piece | Step::Flushed => assert!(held.is_none(), "at {step:?}"),
                Step::Renamed | Step::Done => assert_eq!(held.expect("renamed").1, b"all of it"),
            }
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
