//! What a person names, by file or by preset: responses, targets, processors,
//! band lists, calibrations.

use std::path::Path;

use tuning::{Calibration, Profile, Target};

use crate::files::read_text;
use crate::{Result, place};

/// A target by its name, or from a file.
///
/// # Errors
/// When the file cannot be read, or says something that cannot be: its name, the line, what to do.
pub fn target(name_or_file: &str) -> Result<Target> {
    let built_in = Target::presets().iter().any(|preset| preset.name == name_or_file);
    match text("targets", name_or_file, built_in)? {
        Some((text, name)) => Ok(Target::parse(&text, &name)?),
        None => Ok(Target::preset(name_or_file)?),
    }
}

/// A processor profile by its name, or from a file.
///
/// # Errors
/// When the file cannot be read, or says something that cannot be: its name, the line, what to do.
pub fn profile(name_or_file: &str) -> Result<Profile> {
    let built_in = Profile::presets().iter().any(|preset| preset.name == name_or_file);
    match text("processors", name_or_file, built_in)? {
        Some((text, name)) => Ok(Profile::parse(&text, &name)?),
        None => Ok(Profile::preset(name_or_file)?),
    }
}

/// The text of a file and what to call it, or nothing when what was given can
/// only have been meant as the name of something built in.
///
/// What looks like a path is one. Else the person's own file of this kind and
/// name comes before what is built in, and a file beside the program's feet last.
///
/// # Errors
/// When the file cannot be read.
pub fn text(kind: &str, name_or_file: &str, built_in: bool) -> Result<Option<(String, String)>> {
    let path = Path::new(name_or_file);
    let looks_like_a_file = path.extension().is_some() || path.components().count() > 1;
    let file = if looks_like_a_file {
        Some(path.to_owned())
    } else {
        place::own(kind, name_or_file).or_else(|| (!built_in && path.exists()).then(|| path.to_owned()))
    };
    file.map(|file| Ok((read_text(&file)?, file.display().to_string()))).transpose()
}

/// A microphone calibration from its file.
///
/// # Errors
/// When the file cannot be read, or says something that cannot be: its name, the line, what to do.
pub fn calibration(path: &Path) -> Result<Calibration> {
    Ok(Calibration::parse(&read_text(path)?, &path.display().to_string())?)
}
