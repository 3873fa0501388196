//! What a person names, by file or by preset: responses, targets, processors,
//! band lists, calibrations.

use std::path::Path;

use tuning::{Profile, Response, Target, TextError};

use crate::files::read_text;
use crate::{Error, Result};

impl From<TextError> for Error {
    fn from(error: TextError) -> Self {
        Self::input(error.to_string())
    }
}

/// A response from its file.
pub(crate) fn response(path: &Path) -> Result<Response> {
    Ok(Response::parse(&read_text(path)?, &path.display().to_string())?)
}

/// Several responses, in the order in which they were named.
pub(crate) fn responses(paths: &[impl AsRef<Path>]) -> Result<Vec<Response>> {
    paths.iter().map(|path| response(path.as_ref())).collect()
}

/// A target by its name, or from a file.
pub(crate) fn target(name_or_file: &str) -> Result<Target> {
    if Target::presets().iter().any(|preset| preset.name == name_or_file) {
        return Ok(Target::preset(name_or_file)?);
    }
    match file_text(name_or_file)? {
        Some(text) => Ok(Target::parse(&text, name_or_file)?),
        None => Ok(Target::preset(name_or_file)?),
    }
}

/// A processor profile by its name, or from a file.
pub(crate) fn profile(name_or_file: &str) -> Result<Profile> {
    if Profile::presets().iter().any(|preset| preset.name == name_or_file) {
        return Ok(Profile::preset(name_or_file)?);
    }
    match file_text(name_or_file)? {
        Some(text) => Ok(Profile::parse(&text, name_or_file)?),
        None => Ok(Profile::preset(name_or_file)?),
    }
}

/// The text of a file, or nothing when there is no such file and what was
/// given can only have been meant as a name.
pub(crate) fn file_text(name_or_file: &str) -> Result<Option<String>> {
    let path = Path::new(name_or_file);
    let looks_like_a_file = path.extension().is_some() || path.components().count() > 1;
    if path.exists() || looks_like_a_file { read_text(path).map(Some) } else { Ok(None) }
}

/// A microphone calibration from its file.
pub(crate) fn calibration(path: &Path) -> Result<tuning::Calibration> {
    Ok(tuning::Calibration::parse(&read_text(path)?, &path.display().to_string())?)
}
