//! The targets and processor profiles that come with the program.

use crate::{Profile, Target, TextError};

/// A text that comes with the program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Preset {
    /// The name by which it is asked for.
    pub name: &'static str,
    /// Its text, to copy and edit.
    pub text: &'static str,
}

macro_rules! presets {
    ($folder:literal: $($name:literal),+ $(,)?) => {
        &[$(Preset {
            name: $name,
            text: include_str!(concat!("../../../presets/", $folder, "/", $name, ".toml")),
        }),+]
    };
}

/// The targets, the default first.
const TARGETS: &[Preset] = presets!["targets": "car-medium", "car-gentle", "car-strong", "flat"];
/// The processor profiles, the default first.
const PROCESSORS: &[Preset] =
    presets!["processors": "parametric-gridded", "parametric-free", "graphic-31", "tone-control-3"];

impl Target {
    /// The targets that come with the program.
    #[must_use]
    pub fn presets() -> &'static [Preset] {
        TARGETS
    }

    /// The target of a name.
    ///
    /// # Errors
    /// When there is none: the names that there are.
    pub fn preset(name: &str) -> Result<Self, TextError> {
        Self::parse(find(TARGETS, "target", name)?, name)
    }
}

impl Profile {
    /// The profiles that come with the program.
    #[must_use]
    pub fn presets() -> &'static [Preset] {
        PROCESSORS
    }

    /// The profile of a name.
    ///
    /// # Errors
    /// When there is none: the names that there are.
    pub fn preset(name: &str) -> Result<Self, TextError> {
        Self::parse(find(PROCESSORS, "processor", name)?, name)
    }
}

fn find(presets: &'static [Preset], what: &str, name: &str) -> Result<&'static str, TextError> {
    if let Some(preset) = presets.iter().find(|preset| preset.name == name) {
        return Ok(preset.text);
    }
    let names: Vec<&str> = presets.iter().map(|preset| preset.name).collect();
    let problem = match measure::nearest(name, names.iter().copied()) {
        Some(near) => format!("there is no {what} of this name; did you mean `{near}`?"),
        None => format!("there is no {what} of this name"),
    };
    Err(TextError::whole(name, problem, format!("give a file, or one of {}", names.join(", "))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::near;

    #[test]
    fn every_preset_is_read_and_says_where_it_comes_from() {
        for preset in Target::presets() {
            let target = Target::preset(preset.name).unwrap_or_else(|e| panic!("{e}"));
            assert!(!target.source.is_empty(), "{}", preset.name);
        }
        for preset in Profile::presets() {
            let profile = Profile::preset(preset.name).unwrap_or_else(|e| panic!("{e}"));
            assert!(!profile.note.is_empty(), "{}", preset.name);
            assert!(profile.gain_db.contains(0.0), "{}: a band can be left flat", preset.name);
        }
    }

    #[test]
    fn the_in_car_shapes_grow_from_gentle_to_strong() {
        let bass = |name: &str| {
            let target = Target::preset(name).unwrap();
            target.db_at(20.0) - target.db_at(1_000.0)
        };
        near("flat", bass("flat"), 0.0, 1e-9);
        assert!(bass("car-gentle") < bass("car-medium") && bass("car-medium") < bass("car-strong"));
    }

    #[test]
    fn an_unknown_name_lists_the_known_ones() {
        let message = Target::preset("car-meduim").unwrap_err().to_string();
        assert!(message.contains("did you mean `car-medium`?") && message.contains("flat"), "{message}");
        assert!(Profile::preset("").is_err());
    }
}
