//! The jobs under a folder.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::JobError;
use crate::folder::{CAPTURES, JOB_FILE, captures_in, names};
use crate::job::read_data;

/// A job as a line of a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Its folder.
    pub dir: PathBuf,
    /// Its name; the folder's own name when `job.json` cannot be read.
    pub name: String,
    /// The vehicle.
    pub vehicle: String,
    /// When it was begun, where that is known.
    pub created: Option<Timestamp>,
    /// How many captures it has.
    pub captures: usize,
    /// Why it cannot be opened, when it cannot.
    pub problem: Option<String>,
}

/// The jobs in a folder (itself or directly under it), newest first; those
/// that cannot be opened come last and say why.
///
/// # Errors
/// When the folder cannot be read.
pub fn list(dir: &Path) -> Result<Vec<Listed>, JobError> {
    // A folder that is not there is empty to `names`, but a person who asks
    // for it by name has mistyped.
    std::fs::read_dir(dir).map_err(JobError::io("list", dir))?;
    let mut jobs = Vec::new();
    let below = names(dir)?.into_iter().map(|name| dir.join(name));
    for folder in std::iter::once(dir.to_owned()).chain(below) {
        if folder.join(JOB_FILE).is_file() {
            jobs.push(listed(folder));
        }
    }
    jobs.sort_by(|a, b| {
        let newest_first = b.created.cmp(&a.created);
        newest_first.then_with(|| a.dir.cmp(&b.dir))
    });
    Ok(jobs)
}

fn listed(dir: PathBuf) -> Listed {
    let captures = captures_in(&dir.join(CAPTURES)).map_or(0, |captures| captures.len());
    match read_data(&dir) {
        Ok((data, _)) => Listed {
            dir,
            name: data.head.name,
            vehicle: data.intake.vehicle,
            created: Some(data.head.created),
            captures,
            problem: None,
        },
        Err(error) => {
            let name = dir.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            let problem = Some(error.to_string());
            Listed { dir, name, vehicle: String::new(), created: None, captures, problem }
        }
    }
}
