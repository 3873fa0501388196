//! Where the person's own things lie: work in a folder that they see, presets
//! and rigs where the system keeps a program's data.

use std::path::{Path, PathBuf};

use etcetera::BaseStrategy;

use crate::{Error, Result};

/// The folder of the person's work: jobs that were begun without naming a
/// folder, and recordings that belong to no job.
#[must_use]
pub fn work() -> PathBuf {
    #[cfg(feature = "for-tests")]
    if let Some(folder) = DATA.with_borrow(Clone::clone) {
        return folder.join("work");
    }
    std::env::home_dir().unwrap_or_default().join("Headrest")
}

/// The folder of the person's presets, rigs and measurements, where the system
/// wants it; nothing when the system knows no home.
#[must_use]
pub fn data() -> Option<PathBuf> {
    #[cfg(feature = "for-tests")]
    if let Some(folder) = DATA.with_borrow(Clone::clone) {
        return Some(folder);
    }
    let system = etcetera::base_strategy::choose_native_strategy().ok()?;
    Some(system.data_dir().join("headrest"))
}

#[cfg(feature = "for-tests")]
thread_local! {
    /// Both for a test that must not write where a person's own things are.
    pub static DATA: std::cell::RefCell<Option<PathBuf>> = const { std::cell::RefCell::new(None) };
}

/// The person's own TOML file of a kind, by its name without the ending.
#[must_use]
pub fn own(kind: &str, name: &str) -> Option<PathBuf> {
    own_in(&data()?, kind, name)
}

fn own_in(data: &Path, kind: &str, name: &str) -> Option<PathBuf> {
    let plain = !name.is_empty() && !name.contains(['/', '\\', ':']) && !name.starts_with('.');
    let file = data.join(kind).join(format!("{name}.toml"));
    (plain && file.is_file()).then_some(file)
}

/// The names of the person's own files of a kind, in order.
#[must_use]
pub fn own_names(kind: &str) -> Vec<String> {
    let folder = data().map(|data| data.join(kind));
    let entries = folder.and_then(|folder| std::fs::read_dir(folder).ok());
    let mut names: Vec<String> = entries
        .into_iter()
        .flatten()
        .filter_map(|entry| {
            let path = entry.ok()?.path();
            let toml = path.extension().is_some_and(|ending| ending == "toml");
            path.file_stem().filter(|_| toml).map(|name| name.to_string_lossy().into_owned())
        })
        .collect();
    names.sort();
    names
}

/// Where a recording that belongs to no job is kept.
///
/// # Errors
/// When its folder cannot be made.
pub fn loose_recording(id: &str) -> Result<PathBuf> {
    let folder = work().join("recordings");
    std::fs::create_dir_all(&folder).map_err(|error| Error::io("make", &folder, &error))?;
    Ok(unused(&folder, &format!("-{id}.wav")))
}

/// A path in a folder that nothing has yet: today's date, a number, an ending
/// such as `-sweep.wav`.
#[must_use]
pub fn unused(folder: &Path, ending: &str) -> PathBuf {
    let day = jiff::ZonedDateTime::now().strftime("%Y-%m-%d").to_string();
    (1..)
        .map(|number| folder.join(format!("{day}-{number}{ending}")))
        .find(|path| !path.exists())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_plain_names_reach_into_the_data_folder() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("targets")).unwrap();
        std::fs::write(folder.path().join("targets/mine.toml"), "").unwrap();
        std::fs::write(folder.path().join("secret.toml"), "").unwrap();
        assert!(own_in(folder.path(), "targets", "mine").is_some());
        for name in ["", "other", "../secret", ".", "..\\secret", "C:secret"] {
            assert_eq!(own_in(folder.path(), "targets", name), None, "{name}");
        }
    }

    #[test]
    fn a_path_that_is_taken_is_not_given_again() {
        let folder = tempfile::tempdir().unwrap();
        let first = unused(folder.path(), "-sweep.wav");
        std::fs::write(&first, "").unwrap();
        assert_ne!(unused(folder.path(), "-sweep.wav"), first);
        assert!(first.to_string_lossy().ends_with("-1-sweep.wav"));
    }
}
