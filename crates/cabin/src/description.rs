//! Cars as they are described in TOML, and those that come with the program.

mod check;

use crate::car::{Car, CarError, no_such};

const PRESETS: [(&str, &str); 4] = [
    ("compact-hatch", include_str!("../../../presets/cars/compact-hatch.toml")),
    ("saloon-adapter", include_str!("../../../presets/cars/saloon-adapter.toml")),
    ("box-van", include_str!("../../../presets/cars/box-van.toml")),
    ("straight-wire", include_str!("../../../presets/cars/straight-wire.toml")),
];

impl Car {
    /// Reads a car's description.
    ///
    /// # Errors
    /// What is wrong, with line and column where the text itself is at fault;
    /// an unknown key is named together with the nearest valid one.
    pub fn parse(text: &str) -> Result<Self, CarError> {
        let car: Self = toml::from_str(text).map_err(|error| CarError::from_toml(&error, text))?;
        car.check()?;
        Ok(car)
    }

    /// The names of the cars that come with the program, the usual one first,
    /// and their texts, which a person may copy and edit.
    #[must_use]
    pub fn presets() -> &'static [(&'static str, &'static str)] {
        &PRESETS
    }

    /// The car of this name that comes with the program.
    ///
    /// # Errors
    /// When there is none; the nearest name is given.
    pub fn preset(name: &str) -> Result<Self, CarError> {
        match PRESETS.iter().find(|(preset, _)| *preset == name) {
            Some((_, text)) => Self::parse(text),
            None => Err(CarError::new(no_such("simulated car", name, PRESETS.iter().map(|(name, _)| *name)))),
        }
    }
}
