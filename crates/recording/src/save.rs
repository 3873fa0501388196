//! How a finished file comes to be: whole or not at all.

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Writes a file so that the name only ever stands for whole content: into a
/// temporary file in the same folder, flushed to disk, renamed over the name;
/// then the folder is flushed.
///
/// A file of this name is replaced. On an error it stays as it was, and the
/// temporary file is removed.
///
/// # Errors
/// When `write` fails or the system refuses.
pub fn save_atomically(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> io::Result<()> {
    let temporary = temporary_name(path)?;
    let result = fill(&temporary, write).and_then(|()| fs::rename(&temporary, path));
    if result.is_err() {
        // The first error is the one to report.
        let _ = fs::remove_file(&temporary);
        return result;
    }
    flush_folder(path)
}

fn fill(temporary: &Path, write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>) -> io::Result<()> {
    let file = OpenOptions::new().write(true).create(true).truncate(true).open(temporary)?;
    let mut writer = BufWriter::new(file);
    write(&mut writer)?;
    writer.flush()?;
    writer.get_ref().sync_all()
}

/// A name beside `path` that no other process uses.
fn temporary_name(path: &Path) -> io::Result<PathBuf> {
    let name = path.file_name().ok_or_else(|| io::Error::other("the path names no file"))?;
    let mut temporary = OsString::from(".");
    temporary.push(name);
    temporary.push(format!(".{}.partial", std::process::id()));
    Ok(path.with_file_name(temporary))
}

/// Makes a new name in a folder survive a power cut, where the system can.
pub(crate) fn flush_folder(path: &Path) -> io::Result<()> {
    if cfg!(unix) {
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
        File::open(folder.unwrap_or(Path::new(".")))?.sync_all()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_leaves_the_old_file_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tracks.json");
        save_atomically(&path, |writer| writer.write_all(b"old")).unwrap();
        let failed = save_atomically(&path, |writer| {
            writer.write_all(b"new")?;
            Err(io::Error::other("disk full"))
        });
        assert!(failed.is_err());
        assert_eq!(fs::read(&path).unwrap(), b"old");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_name_without_a_folder_is_saved_in_the_current_one() {
        assert!(temporary_name(Path::new("a.wav")).unwrap().to_str().unwrap().starts_with(".a.wav."));
        assert!(flush_folder(Path::new("a.wav")).is_ok());
    }
}
