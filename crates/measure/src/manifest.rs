//! What a measurement says of itself before it is run.

use serde::{Deserialize, Serialize};

use crate::{Parameter, ParameterError, Parameters, Stimulus, nearest};

/// A measurement's card of introduction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Manifest {
    /// The name used on the command line and in readings: a built-in one is a
    /// single word, a third party's has a dot.
    pub id: String,
    /// A short title for people.
    pub title: String,
    /// The version of the measurement; it goes up when a reading changes meaning.
    pub version: u32,
    /// One or two sentences: what is measured, and how to connect for it.
    pub summary: String,
    /// How many input channels it needs at the least.
    pub channels: usize,
    /// Whether it compares with a reference channel.
    pub needs_reference: bool,
    /// What should be played meanwhile.
    pub stimulus: StimulusWanted,
    /// What can be set.
    pub parameters: Vec<Parameter>,
}

/// What should be played while a measurement listens.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StimulusWanted {
    /// Nothing in particular: whatever sounds is measured.
    Any,
    /// Silence: the device under test must be quiet.
    Quiet,
    /// This signal unless another of the same kind is given. The measurement
    /// must know it, in `Start::stimulus`.
    Known(Stimulus),
    /// This signal by default; the measurement works without knowing it.
    Suggested(Stimulus),
}

impl Manifest {
    /// The parameters with their defaults.
    #[must_use]
    pub fn defaults(&self) -> Parameters {
        Parameters::from_defaults(&self.parameters)
    }

    /// Defaults overlaid with `KEY=VALUE` settings from a person.
    ///
    /// # Errors
    /// When a key is unknown (the nearest one is named), a value is not of the
    /// parameter's kind, or lies outside its range.
    pub fn parameters<'a>(
        &self,
        settings: impl IntoIterator<Item = (&'a str, &'a str)>,
    ) -> Result<Parameters, ParameterError> {
        let mut parameters = self.defaults();
        for (key, text) in settings {
            let Some(parameter) = self.parameters.iter().find(|p| p.name == key) else {
                return Err(ParameterError::Unknown {
                    key: key.to_owned(),
                    measurement: self.id.clone(),
                    nearest: nearest(key, self.parameters.iter().map(|p| p.name.as_str())).map(str::to_owned),
                });
            };
            parameters.set(key, parameter.parse(text)?);
        }
        Ok(parameters)
    }
}
