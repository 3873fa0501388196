//! What is known of a rig, for whoever looks at it while a procedure has it.

use std::path::{Path, PathBuf};

use cabin::{Car, Truth};
use engine::{InputRole, RigSpec};
use library::{Error, Result};
use measure::Calibration;

use crate::calibration::{electrical_input, usual_role, with_microphone};

/// How a rig is wired and calibrated. It stays as it is as long as the rig is open.
#[derive(Debug, Clone, PartialEq)]
pub struct RigFacts {
    pub(crate) spec: RigSpec,
    /// Each input's own response, where it is known; one entry for each input.
    pub(crate) microphones: Vec<Option<tuning::Calibration>>,
    pub(crate) simulated: Option<CarFacts>,
    /// Where the rig is described.
    pub(crate) file: Option<PathBuf>,
}

/// A simulated car.
#[derive(Debug, Clone, PartialEq)]
pub struct CarFacts {
    /// Its description.
    pub car: Car,
    /// What measurements should find.
    pub truth: Truth,
}

impl RigFacts {
    /// How it is wired and calibrated.
    #[must_use]
    pub fn spec(&self) -> &RigSpec {
        &self.spec
    }

    /// The file that describes it, if there is one.
    #[must_use]
    pub fn file(&self) -> Option<&Path> {
        self.file.as_deref()
    }

    /// Frames per second.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        f64::from(self.spec.sample_rate_hz)
    }

    /// The simulated car, if this is one.
    #[must_use]
    pub fn car(&self) -> Option<&CarFacts> {
        self.simulated.as_ref()
    }

    /// Whether this is a simulated car, which sets itself and makes no sound.
    #[must_use]
    pub fn is_simulated(&self) -> bool {
        self.simulated.is_some()
    }

    /// The first input of a kind, from 0.
    #[must_use]
    pub fn input(&self, role: InputRole) -> Option<usize> {
        self.spec.inputs.iter().position(|input| input.role == role)
    }

    /// The input of this name, from 0.
    ///
    /// # Errors
    /// When the rig has no such input: the names of those that it has.
    pub fn input_named(&self, name: &str) -> Result<usize> {
        let inputs = &self.spec.inputs;
        inputs.iter().position(|input| input.name == name).ok_or_else(|| {
            let names: Vec<&str> = inputs.iter().map(|input| input.name.as_str()).collect();
            Error::input(format!("the rig has no input `{name}`; it has {}", names.join(", ")))
        })
    }

    /// The input that a measurement is usually made with, or else the microphone's, or else the
    /// first.
    #[must_use]
    pub fn usual_input(&self, measurement: &str) -> usize {
        self.input(usual_role(measurement)).or_else(|| self.input(InputRole::Microphone)).unwrap_or(0)
    }

    /// The electrical input of this name, or the only one, from 0.
    ///
    /// # Errors
    /// When there is none, or several and no name.
    pub fn electrical_input(&self, name: Option<&str>) -> Result<usize> {
        electrical_input(&self.spec, name)
    }

    /// The own response of the microphone at an input, where it is known.
    #[must_use]
    pub fn microphone(&self, input: usize) -> Option<&tuning::Calibration> {
        self.microphones.get(input)?.as_ref()
    }

    /// What the numbers of an input mean: what the rig file says of this very input, and its own
    /// calibration file for what the rig file leaves open.
    #[must_use]
    pub fn calibration(&self, input: usize) -> Calibration {
        let file = with_microphone(self.microphone(input));
        let Some(input) = self.spec.inputs.get(input) else { return Calibration::default() };
        Calibration {
            dbfs_at_94: input.dbfs_at_94.or(file.dbfs_at_94),
            volts_per_fs: input.volts_per_fs.or(file.volts_per_fs),
            microphone: file.microphone,
        }
    }
}
