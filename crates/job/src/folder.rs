//! Where each thing is in a job folder.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::{CaptureId, JobError};

pub(crate) const JOB_FILE: &str = "job.json";
pub(crate) const LOCK_FILE: &str = "job.lock";
pub(crate) const CAPTURES: &str = "captures";
pub(crate) const DISCARDED: &str = "discarded";
pub(crate) const EXPORTS: &str = "exports";
pub(crate) const CAPTURE_FILE: &str = "capture.json";
pub(crate) const READING_FILE: &str = "reading.json";
pub(crate) const AUDIO_FILE: &str = "audio.wav";

/// The highest number of a capture. A folder of a higher one is no capture's, so that there is always a next.
pub(crate) const MOST_CAPTURES: u32 = 99_999_999;

/// The number that a capture's folder is named by: four digits or more.
pub(crate) fn capture_number(name: &str) -> Option<CaptureId> {
    if name.len() < 4 || !name.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let id = CaptureId(name.parse().ok().filter(|number| *number <= MOST_CAPTURES)?);
    // `00007` would be a second name for `0007`.
    (id.to_string() == name).then_some(id)
}

/// The names of what is in a folder, sorted; a folder that is not there is empty.
pub(crate) fn names(dir: &Path) -> Result<Vec<String>, JobError> {
    let entries = match fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(JobError::io("list", dir)(error)),
    };
    let mut names = Vec::new();
    for entry in entries {
        let entry = entry.map_err(JobError::io("list", dir))?;
        names.push(entry.file_name().to_string_lossy().into_owned());
    }
    names.sort();
    Ok(names)
}

/// The captures in `captures/` or `discarded/`, by number.
pub(crate) fn captures_in(dir: &Path) -> Result<Vec<(CaptureId, PathBuf)>, JobError> {
    let mut captures: Vec<_> = names(dir)?
        .iter()
        .filter_map(|name| Some((capture_number(name)?, dir.join(name))))
        .filter(|(_, path)| path.is_dir())
        .collect();
    captures.sort();
    Ok(captures)
}

/// Makes a folder unless it is there.
pub(crate) fn ensure(dir: &Path) -> Result<(), JobError> {
    fs::create_dir_all(dir).map_err(JobError::io("make the folder", dir))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_plain_numbers_name_captures() {
        assert_eq!(capture_number("0007"), Some(CaptureId(7)));
        assert_eq!(capture_number("12345"), Some(CaptureId(12_345)));
        for stranger in ["7", "007", "00007", "+007", "000a", "", "99999999999", "4294967295", "٠٠٠٧"] {
            assert_eq!(capture_number(stranger), None, "{stranger}");
        }
    }
}
