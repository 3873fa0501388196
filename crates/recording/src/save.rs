//! How a finished file comes to be: whole or not at all.

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// Writes a file so that the name only ever stands for whole content: into a
/// temporary file in the same folder, flushed to disk, renamed over the name;
/// then the folder is flushed.
///
/// A file of this name is replaced. On an error it stays as it was, and the
/// temporary file is removed. What an earlier save of this file left behind, because
/// its program was killed, is removed as well.
///
/// # Errors
/// When `write` fails or the system refuses.
pub fn save_atomically(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> io::Result<()> {
    let temporary = Temporary::beside(path)?;
    temporary.remove_leftovers();
    let result = fill(&temporary.path, write).and_then(|writer| {
        fs::rename(&temporary.path, path)?;
        // Until here the file is locked, so that nobody takes it for a leftover.
        drop(writer);
        Ok(())
    });
    if result.is_err() {
        // The first error is the one to report.
        let _ = fs::remove_file(&temporary.path);
        return result;
    }
    flush_folder(path)
}

fn fill(
    temporary: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> io::Result<BufWriter<File>> {
    let file = OpenOptions::new().write(true).create(true).truncate(true).open(temporary)?;
    // Not every disk knows locks; there, a leftover of a killed program stays.
    let _ = file.try_lock();
    let mut writer = BufWriter::new(file);
    write(&mut writer)?;
    writer.flush()?;
    writer.get_ref().sync_all()?;
    Ok(writer)
}

/// The longest name of a file that every usual disk takes, in bytes.
const MOST_NAME_BYTES: usize = 255;
/// How much of it the dots, two numbers and the ending may need.
const NAME_ROOM_BYTES: usize = 64;
const ENDING: &str = ".partial";

/// A temporary file: `.NAME.PROCESS-COUNT.partial`, with a long name cut short.
#[derive(Debug)]
struct Temporary {
    path: PathBuf,
    /// `.NAME.`
    begins: OsString,
}

impl Temporary {
    /// A name beside `path` that nobody else uses.
    fn beside(path: &Path) -> io::Result<Self> {
        static COUNT: AtomicU64 = AtomicU64::new(0);
        let name = path.file_name().ok_or_else(|| io::Error::other("the path names no file"))?;
        let mut begins = OsString::from(".");
        if name.len() <= MOST_NAME_BYTES - NAME_ROOM_BYTES {
            begins.push(name);
        } else {
            let name = name.to_string_lossy();
            begins.push(&name[..name.floor_char_boundary(MOST_NAME_BYTES - NAME_ROOM_BYTES)]);
        }
        begins.push(".");
        let mut temporary = begins.clone();
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        temporary.push(format!("{}-{count}{ENDING}", std::process::id()));
        Ok(Self { path: path.with_file_name(temporary), begins })
    }

    /// Removes what saves of the same file left behind. A file that somebody is still writing
    /// is locked and stays.
    fn remove_leftovers(&self) {
        let folder = self.path.parent().filter(|folder| !folder.as_os_str().is_empty());
        let Ok(entries) = fs::read_dir(folder.unwrap_or(Path::new("."))) else { return };
        for entry in entries.flatten() {
            if self.is_leftover(&entry.file_name()) && entry.file_type().is_ok_and(|kind| kind.is_file()) {
                let path = entry.path();
                if File::open(&path).is_ok_and(|file| file.try_lock().is_ok()) {
                    // Whoever may not remove it is not kept from saving.
                    let _ = fs::remove_file(&path);
                }
            }
        }
    }

    fn is_leftover(&self, name: &std::ffi::OsStr) -> bool {
        let numbers = name
            .as_encoded_bytes()
            .strip_prefix(self.begins.as_encoded_bytes())
            .and_then(|rest| rest.strip_suffix(ENDING.as_bytes()));
        numbers.is_some_and(|numbers| {
            !numbers.is_empty() && numbers.iter().all(|byte| byte.is_ascii_digit() || *byte == b'-')
        })
    }
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
        let temporary = Temporary::beside(Path::new("a.wav")).unwrap();
        assert!(temporary.path.to_str().unwrap().starts_with(".a.wav."));
        assert!(flush_folder(Path::new("a.wav")).is_ok());
    }
    /// A program that is killed while it saves leaves a temporary file; the next save of the same file removes
    /// it, and leaves alone what is being written and what belongs to others.
    #[test]
    fn what_a_killed_program_left_behind_is_removed_by_the_next_save() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let busy = File::create(at(".x.html.18-3.partial")).unwrap();
        busy.lock().unwrap();
        let theirs =
            [".x.html.18-3.partial", ".other.html.17.partial", ".x.html.mine.partial", ".x.html.partial"];
        for name in theirs.iter().skip(1).chain(&[".x.html.17.partial", ".x.html.17-0.partial"]) {
            fs::write(at(name), "half").unwrap();
        }
        save_atomically(&at("x.html"), |writer| writer.write_all(b"whole")).unwrap();
        let mut left: Vec<String> = fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        left.sort();
        let mut wanted = [theirs.as_slice(), &["x.html"]].concat();
        wanted.sort_unstable();
        assert_eq!(left, wanted);
        drop(busy);
        save_atomically(&at("x.html"), |writer| writer.write_all(b"whole")).unwrap();
        assert!(!at(theirs[0]).exists());
    }

    /// A name may have 255 bytes (POSIX `NAME_MAX` of the usual file systems); the temporary one is no longer.
    #[test]
    fn a_name_as_long_as_the_disk_allows_is_saved() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["n".repeat(255), "ü".repeat(127), format!("{}.csv", "n".repeat(251))] {
            let path = folder.path().join(&name);
            // Two at once whose names begin alike do not meet.
            save_atomically(&path, |writer| {
                save_atomically(&path.with_file_name(format!("{}.x", &name[..240])), |w| {
                    w.write_all(b"other")
                })?;
                writer.write_all(b"whole")
            })
            .unwrap();
            assert_eq!(fs::read(&path).unwrap(), b"whole");
        }
        assert!(
            fs::read_dir(folder.path())
                .unwrap()
                .all(|entry| { !entry.unwrap().file_name().to_string_lossy().ends_with(".partial") })
        );
    }
}
