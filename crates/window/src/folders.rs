//! What lies in a folder, for those who choose one: a list of our own, because not every desktop has a
//! dialog for it.

use std::path::{Path, PathBuf};

use iced::Task;

/// The endings of recordings that can be read.
pub(crate) const RECORDINGS: [&str; 9] = ["wav", "flac", "mp3", "m4a", "aac", "ogg", "aif", "aiff", "caf"];
/// The file that makes a folder a job.
const JOB_FILE: &str = "job.json";
/// The most that is listed.
const MOST: usize = 500;

/// A folder that was looked into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folder {
    /// Which.
    pub path: PathBuf,
    /// What is in it, in order: folders first.
    pub entries: Vec<Entry>,
}

/// Something in a folder that can be chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its path.
    pub path: PathBuf,
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: Kind,
}

/// What lies in a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A job.
    Job,
    /// Any other folder.
    Folder,
    /// A recording.
    Recording,
}

/// Looks into the folder that a typed path names, or lies in, without the window waiting for it.
pub(crate) fn look(typed: &str) -> Task<Option<Folder>> {
    let path = PathBuf::from(typed.trim());
    Task::future(async move { read(&path) })
}

/// Opens a file or a folder with what the system opens it with; the window does not wait for it. Answers
/// why it could not.
pub(crate) fn open(path: String) -> Task<Option<String>> {
    Task::future(async move { opened(&path) })
}

fn opened(path: &str) -> Option<String> {
    let program = if cfg!(target_os = "macos") {
        "open"
    } else if cfg!(windows) {
        "explorer"
    } else {
        "xdg-open"
    };
    match std::process::Command::new(program).arg(path).spawn() {
        Ok(mut child) => {
            // Whoever is started is waited for, somewhere.
            let thread = std::thread::Builder::new().name("window-open".to_owned());
            _ = thread.spawn(move || child.wait());
            None
        }
        Err(_) => Some(format!("Nothing here opens {path}. Open it from a file manager.")),
    }
}

/// What can be chosen in the nearest folder on the way up; nothing where there is none.
fn read(typed: &Path) -> Option<Folder> {
    let home = std::env::home_dir();
    let path = if typed.as_os_str().is_empty() { home? } else { typed.to_owned() };
    let path = path.ancestors().find(|path| path.is_dir())?.to_owned();
    // A job's folder holds nothing that one would choose: its neighbours do.
    let path = if is_job(&path) { path.parent()?.to_owned() } else { path };
    let mut entries: Vec<Entry> =
        std::fs::read_dir(&path).ok()?.filter_map(|entry| known(&entry.ok()?.path())).collect();
    entries.sort_by_key(|entry| (entry.kind, entry.name.to_lowercase()));
    entries.truncate(MOST);
    Some(Folder { path, entries })
}

fn is_job(path: &Path) -> bool {
    path.join(JOB_FILE).is_file()
}

fn known(path: &Path) -> Option<Entry> {
    let name = path.file_name()?.to_string_lossy().into_owned();
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
    let kind = match path.is_dir() {
        true if name.starts_with('.') => return None,
        true if is_job(path) => Kind::Job,
        true => Kind::Folder,
        false if ending.is_some_and(|ending| RECORDINGS.contains(&&*ending)) => Kind::Recording,
        false => return None,
    };
    Some(Entry { path: path.to_owned(), name, kind })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jobs_folders_and_recordings_are_listed_and_a_half_typed_path_is_enough() {
        let root = std::env::temp_dir().join(format!("headrest-folders-{}", std::process::id()));
        for folder in ["job b", "empty", ".hidden"] {
            std::fs::create_dir_all(root.join(folder)).expect("a folder");
        }
        for file in ["job b/job.json", "tracks.WAV", "letter.txt"] {
            std::fs::write(root.join(file), "").expect("a file");
        }
        let listed = |path: &Path| -> Vec<(String, Kind)> {
            let folder = read(path).expect("it is there");
            assert_eq!(folder.path, root);
            folder.entries.into_iter().map(|entry| (entry.name, entry.kind)).collect()
        };
        let wanted = [("job b", Kind::Job), ("empty", Kind::Folder), ("tracks.WAV", Kind::Recording)];
        let wanted = wanted.map(|(name, kind)| (name.to_owned(), kind));
        assert_eq!(listed(&root), wanted);
        assert_eq!(listed(&root.join("emp-half-typed")), wanted);
        assert_eq!(listed(&root.join("job b")), wanted, "beside the job that is open");
        std::fs::remove_dir_all(&root).expect("it is taken away");
    }
}
