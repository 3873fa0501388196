//! What there is: devices, simulated cars, measurements.

use std::fmt;

use host::Registry;
use measure::{Manifest, ParameterKind};
use serde::Serialize;

use crate::{Error, Result, place};

/// The sound devices, the person's own rigs, and the simulated cars.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Devices {
    devices: Vec<Device>,
    rigs: Vec<String>,
    simulated: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Device {
    id: String,
    name: String,
    inputs: u16,
    outputs: u16,
}

/// Lists the sound devices, the person's own rigs, and the simulated cars.
///
/// # Errors
/// When the audio system does not answer.
pub fn devices() -> Result<Devices> {
    let devices = engine::devices()?
        .into_iter()
        .map(|device| Device {
            id: device.id,
            name: device.name,
            inputs: device.input_channels,
            outputs: device.output_channels,
        })
        .collect();
    let built_in = cabin::Car::presets().iter().map(|(name, _)| (*name).to_owned());
    let simulated = built_in.chain(place::own_names("cars")).collect();
    Ok(Devices { devices, rigs: place::own_names("rigs"), simulated })
}

impl fmt::Display for Devices {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.devices.is_empty() {
            writeln!(f, "no sound device was found; connect an interface, or use a simulated car")?;
        }
        for Device { id, name, inputs, outputs } in &self.devices {
            writeln!(f, "{name}  {inputs} in, {outputs} out\n    {id}")?;
        }
        if !self.rigs.is_empty() {
            writeln!(f, "rigs: {}", self.rigs.join(", "))?;
        }
        writeln!(f, "simulated cars: {}", self.simulated.join(", "))
    }
}

/// The measurements.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Measurements(Vec<Manifest>);

/// Lists the measurements.
#[must_use]
pub fn measurements() -> Measurements {
    Measurements(Registry::built_in().manifests().cloned().collect())
}

impl fmt::Display for Measurements {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|manifest| writeln!(f, "{:10} {}", manifest.id, manifest.summary))
    }
}

/// One measurement with its parameters.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(transparent)]
pub struct MeasurementCard(Manifest);

/// Shows one measurement.
///
/// # Errors
/// When there is none of this name.
pub fn measurement(id: &str) -> Result<MeasurementCard> {
    let registry = Registry::built_in();
    let manifest = registry.manifest(id).map_err(|unknown| Error::input(unknown.to_string()))?;
    Ok(MeasurementCard(manifest.clone()))
}

/// Why a third party's measurement cannot be checked.
#[must_use]
pub fn check_plugin(file: &std::path::Path) -> Error {
    Error::input(format!(
        "{}: measurements from third parties cannot be run by this version; `headrest plugins` lists the built-in ones",
        file.display()
    ))
}

impl fmt::Display for MeasurementCard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Manifest { id, title, version, summary, parameters, .. } = &self.0;
        writeln!(f, "{id} {version}: {title}\n{summary}")?;
        for parameter in parameters {
            let range = match &parameter.kind {
                ParameterKind::Number { unit, default, min, max } => {
                    format!("{default} {unit} ({min} to {max})")
                }
                ParameterKind::Integer { unit, default, min, max } => {
                    format!("{default} {unit} ({min} to {max})")
                }
                ParameterKind::Choice { default, options } => format!("{default} ({})", options.join(", ")),
                ParameterKind::Text { default } => format!("`{default}`"),
            };
            writeln!(f, "  -p {}={range}\n      {}", parameter.name, parameter.help)?;
        }
        Ok(())
    }
}
