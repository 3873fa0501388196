//! What the numbers of an input mean, and the rig file that says so.

use std::path::{Path, PathBuf};

use engine::{InputCalibration, InputRole, RigSpec};
use library::files::{read_text, write_text};
use library::{Error, Result, place};
use measure::{Calibration, CalibrationCurve};

/// The kind of input that a measurement is usually made with: what belongs to the source is
/// measured in volts, everything else in the cabin.
#[must_use]
pub fn usual_role(measurement: &str) -> InputRole {
    match measurement {
        "tone" | "headroom" | "noise" => InputRole::Electrical,
        _ => InputRole::Microphone,
    }
}

/// What a calibration file says, as a measurement is told it.
#[must_use]
pub fn with_microphone(file: Option<&tuning::Calibration>) -> Calibration {
    file.map_or_else(Calibration::default, |file| Calibration {
        dbfs_at_94: file.dbfs_at_94,
        volts_per_fs: file.volts_per_fs,
        microphone: Some(CalibrationCurve {
            frequency_hz: file.response.frequency_hz.clone(),
            magnitude_db: file.response.magnitude_db.clone(),
            phase_deg: file.response.phase_deg.clone().unwrap_or_default(),
        }),
    })
}

/// The file that a person means: a plain word is the name of one of their own rigs.
#[must_use]
pub(crate) fn rig_file(path: &Path) -> PathBuf {
    path.to_str().and_then(|name| place::own("rigs", name)).unwrap_or_else(|| path.to_owned())
}

/// Reads a rig file.
///
/// # Errors
/// When it cannot be read or says something that cannot be.
pub fn read_spec(path: &Path) -> Result<RigSpec> {
    let path = rig_file(path);
    RigSpec::parse(&read_text(&path)?, &path.display().to_string())
        .map_err(|error| Error::input(error.to_string()))
}

/// Writes an input's calibration into a rig file; everything else in it stays as it is.
///
/// # Errors
/// When the file cannot be read or written, or has no such input.
pub fn write_calibration(path: &Path, change: &InputCalibration) -> Result<()> {
    let path = &rig_file(path);
    let changed = change
        .written_into(&read_text(path)?, &path.display().to_string())
        .map_err(|error| Error::input(error.to_string()))?;
    write_text(path, &changed)
}

/// The electrical input of this name, or the only one, from 0.
///
/// # Errors
/// When there is none, or several and no name.
pub fn electrical_input(spec: &RigSpec, name: Option<&str>) -> Result<usize> {
    let electrical =
        || spec.inputs.iter().enumerate().filter(|(_, input)| input.role == InputRole::Electrical);
    let names = || electrical().map(|(_, input)| input.name.as_str()).collect::<Vec<&str>>().join(", ");
    match name {
        Some(name) => match spec.inputs.iter().position(|input| input.name == name) {
            Some(index) if spec.inputs[index].role == InputRole::Electrical => Ok(index),
            Some(_) => Err(Error::input(format!(
                "the input `{name}` of the rig `{}` is not electrical (role = \"electrical\"); volts belong to one that is",
                spec.name
            ))),
            None => Err(Error::input(format!(
                "the rig `{}` has no input `{name}`; its electrical inputs: {}",
                spec.name,
                names()
            ))),
        },
        None => match (electrical().next(), electrical().count()) {
            (Some((index, _)), 1) => Ok(index),
            (None, _) => Err(Error::input(format!(
                "the rig `{}` has no electrical input; give one of its inputs role = \"electrical\"",
                spec.name
            ))),
            (Some(_), _) => Err(Error::input(format!(
                "the rig `{}` has several electrical inputs; say which one with --input: {}",
                spec.name,
                names()
            ))),
        },
    }
}

#[cfg(test)]
mod tests {
    use engine::Input;

    use super::*;

    fn spec(inputs: Vec<Input>) -> RigSpec {
        RigSpec { inputs, ..RigSpec::system_default() }
    }

    #[test]
    fn the_electrical_input_is_found_or_asked_for() {
        let mic = Input::new(1, "microphone", InputRole::Microphone);
        let tap = |channel, name| Input::new(channel, name, InputRole::Electrical);
        let one = spec(vec![mic.clone(), tap(2, "tap")]);
        assert_eq!(electrical_input(&one, None).unwrap(), 1);
        assert_eq!(electrical_input(&one, Some("tap")).unwrap(), 1);
        let two = spec(vec![tap(1, "front"), mic.clone(), tap(2, "rear")]);
        assert_eq!(electrical_input(&two, Some("rear")).unwrap(), 2);
        let refused = |spec: &RigSpec, name| electrical_input(spec, name).unwrap_err().to_string();
        assert!(refused(&two, None).contains("front, rear"));
        assert!(refused(&two, Some("roof")).contains("front, rear"));
        assert!(refused(&one, Some("microphone")).contains("not electrical"));
        assert!(refused(&spec(vec![mic]), None).contains("no electrical input"));
    }
}
