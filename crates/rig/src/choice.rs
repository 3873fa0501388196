//! Which rig is meant.

use std::path::PathBuf;

use engine::Pace;

/// What is measured with.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum RigChoice {
    /// The system's own devices.
    #[default]
    Default,
    /// The devices that a rig file names. A plain word is one of the person's own rigs.
    File(PathBuf),
    /// A simulated car.
    Simulated {
        /// A preset's name or a file; empty for the usual car.
        car: String,
        /// How fast it runs.
        pace: Pace,
    },
}

impl RigChoice {
    /// A rig file comes before a simulated car, and without either the system's devices are
    /// meant.
    #[must_use]
    pub fn of(file: Option<PathBuf>, car: Option<String>, pace: Pace) -> Self {
        match (file, car) {
            (Some(file), _) => Self::File(file),
            (None, Some(car)) => Self::Simulated { car, pace },
            (None, None) => Self::Default,
        }
    }

    /// A simulated car that runs as fast as it can.
    #[must_use]
    pub fn fast_car(car: &str) -> Self {
        Self::Simulated { car: car.to_owned(), pace: Pace::AsFastAsPossible }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_comes_first_and_nothing_means_the_devices() {
        let (file, car) = (Some(PathBuf::from("rig.toml")), Some("box-van".to_owned()));
        let of = |file: &Option<PathBuf>, car: &Option<String>| {
            RigChoice::of(file.clone(), car.clone(), Pace::AsFastAsPossible)
        };
        assert_eq!(of(&file, &car), RigChoice::File(PathBuf::from("rig.toml")));
        assert_eq!(of(&None, &car), RigChoice::fast_car("box-van"));
        assert_eq!(of(&None, &None), RigChoice::Default);
    }
}
