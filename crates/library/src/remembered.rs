//! What the program remembers from one start to the next: how the window was left, what was measured
//! with, and which jobs were open. It is a convenience: without it, or with a file that cannot be read,
//! everything works as on the first day.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::files::{read_text, write_text};
use crate::{Error, Result, place};

/// How many jobs are remembered.
const JOBS: usize = 12;

/// What is remembered. Unknown keys of a newer version are left out, missing ones are as on the first day.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Remembered {
    /// How the window was left; absent before it was ever open.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub look: Option<RememberedLook>,
    /// What was measured with last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rig: Option<RememberedRig>,
    /// The jobs that were open, the last one first.
    pub jobs: Vec<RememberedJob>,
}

/// How a window was left.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RememberedLook {
    /// Whether the theme for a bright place was used.
    pub daylight: bool,
    /// The width, before the display's scale.
    pub width: f32,
    /// The height, before the display's scale.
    pub height: f32,
    /// How large everything was drawn: 1 as designed.
    pub text_scale: f32,
}

/// What was measured with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RememberedRig {
    /// The system's own devices.
    Devices,
    /// The person's own rig of this name, or the rig of this file.
    File(PathBuf),
    /// The simulated car of this name.
    Simulated(String),
}

/// A job that was open.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RememberedJob {
    /// Its folder.
    pub folder: PathBuf,
    /// What it was measured with, if with anything.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rig: Option<RememberedRig>,
}

impl Remembered {
    /// What is remembered; nothing where nothing can be read.
    #[must_use]
    pub fn load() -> Self {
        path().map_or_else(Self::default, |path| Self::read(&path))
    }

    fn read(path: &Path) -> Self {
        read_text(path).ok().and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default()
    }

    /// Keeps it for the next start; where the system names no folder for that, nothing is kept.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn save(&self) -> Result<()> {
        path().map_or(Ok(()), |path| self.write(&path))
    }

    fn write(&self, path: &Path) -> Result<()> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(|error| Error::io("make", folder, &error))?;
        }
        let text = serde_json::to_string_pretty(self)
            .map_err(|error| Error::measurement(format!("What is remembered cannot be written: {error}")))?;
        write_text(path, &(text + "\n"))
    }

    /// Notes that a job is open, and what it is measured with.
    pub fn opened(&mut self, folder: &Path, rig: Option<RememberedRig>) {
        let known = self.jobs.iter().position(|job| job.folder == folder).map(|at| self.jobs.remove(at));
        let rig = rig.or_else(|| known?.rig);
        self.jobs.insert(0, RememberedJob { folder: folder.to_owned(), rig });
        self.jobs.truncate(JOBS);
    }
}

/// Where it is kept.
fn path() -> Option<PathBuf> {
    Some(place::data()?.join("remembered.json"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_open_last_comes_first_and_is_there_again() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("deep/remembered.json");
        let mut remembered = Remembered::read(&file);
        assert_eq!(remembered, Remembered::default(), "nothing yet");
        let car = RememberedRig::Simulated("box-van".to_owned());
        remembered.opened(Path::new("/jobs/one"), Some(car.clone()));
        remembered.opened(Path::new("/jobs/two"), None);
        remembered.opened(Path::new("/jobs/one"), None);
        remembered.look =
            Some(RememberedLook { daylight: true, width: 1300.0, height: 810.5, text_scale: 1.25 });
        remembered.write(&file).unwrap();
        let again = Remembered::read(&file);
        assert_eq!(again, remembered);
        let folders: Vec<&Path> = again.jobs.iter().map(|job| &*job.folder).collect();
        assert_eq!(folders, [Path::new("/jobs/one"), Path::new("/jobs/two")]);
        assert_eq!(again.jobs[0].rig, Some(car), "its rig stays known");
        (0..30).for_each(|number| remembered.opened(Path::new(&format!("/jobs/{number}")), None));
        assert_eq!(remembered.jobs.len(), JOBS);
    }

    #[test]
    fn a_file_that_cannot_be_read_is_as_none() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("remembered.json");
        for text in ["", "{", "[]", "{\"jobs\": 3}", "{\"look\": {\"daylight\": \"yes\"}}"] {
            std::fs::write(&file, text).unwrap();
            assert_eq!(Remembered::read(&file), Remembered::default(), "{text}");
        }
        std::fs::write(&file, "{\"later\": 1, \"jobs\": [{\"folder\": \"/a\", \"colour\": 2}]}").unwrap();
        assert_eq!(Remembered::read(&file).jobs[0].folder, Path::new("/a"), "a newer version's keys");
    }
}
