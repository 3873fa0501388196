//! What there is: devices, simulated cars, measurements.

use std::fmt;

use host::Registry;
use measure::{Finding, Manifest, ParameterKind};
use serde::Serialize;
use units::quantity::typed;

use library::{Result, place};

/// The sound devices, the person's own rigs, and the simulated cars.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Devices {
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
pub(crate) fn devices() -> Result<Devices> {
    let devices = engine::devices()
        .map_err(rig::refused)?
        .into_iter()
        .map(|device| Device {
            id: device.id,
            name: device.name,
            inputs: device.input_channels,
            outputs: device.output_channels,
        })
        .collect();
    Ok(Devices { devices, rigs: place::own_names("rigs"), simulated: rig::car_names() })
}

impl fmt::Display for Devices {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.devices.is_empty() {
            writeln!(f, "No sound device was found: connect an interface, or use a simulated car")?;
        }
        for Device { id, name, inputs, outputs } in &self.devices {
            writeln!(f, "{name}  {inputs} in, {outputs} out\n    {id}")?;
        }
        if !self.rigs.is_empty() {
            writeln!(f, "Rigs: {}", self.rigs.join(", "))?;
        }
        writeln!(f, "Simulated cars: {}", self.simulated.join(", "))
    }
}

/// The measurements, those of third parties among them.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Measurements {
    all: Vec<MeasurementCard>,
    unfit: Vec<Finding>,
}

/// Lists the measurements.
#[must_use]
pub(crate) fn measurements() -> Measurements {
    let registry = procedure::whole_registry();
    Measurements {
        all: registry.manifests().map(|manifest| MeasurementCard::new(&registry, manifest)).collect(),
        unfit: registry.files().iter().filter_map(|file| file.plugin.as_ref().err()).cloned().collect(),
    }
}

impl Measurements {
    /// Which files of the plugin folder cannot be used, and why.
    #[must_use]
    pub(crate) fn unfit(&self) -> &[Finding] {
        &self.unfit
    }
}

impl Serialize for Measurements {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> std::result::Result<S::Ok, S::Error> {
        self.all.serialize(serializer)
    }
}

impl fmt::Display for Measurements {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let width = self.all.iter().map(|card| card.manifest.id.len()).max().unwrap_or(0).clamp(10, 24);
        for MeasurementCard { manifest, sha256, .. } in &self.all {
            writeln!(f, "{:width$} {}", manifest.id, manifest.summary)?;
            if let Some(sha256) = sha256 {
                writeln!(f, "{:width$} plugin, SHA-256 {}…", "", &sha256[..16])?;
            }
        }
        Ok(())
    }
}

/// One measurement with its parameters.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct MeasurementCard {
    #[serde(flatten)]
    manifest: Manifest,
    /// The file of a plugin.
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<String>,
    /// The hash of that file.
    #[serde(skip_serializing_if = "Option::is_none")]
    sha256: Option<String>,
}

impl MeasurementCard {
    fn new(registry: &Registry, manifest: &Manifest) -> Self {
        let plugin = registry.plugin(&manifest.id);
        let is_it = |file: &&host::PluginFile| {
            file.plugin.as_ref().is_ok_and(|plugin| plugin.manifest().id == manifest.id)
        };
        Self {
            manifest: manifest.clone(),
            file: registry.files().iter().find(is_it).map(|file| file.path.display().to_string()),
            sha256: plugin.map(|plugin| plugin.hash().to_owned()),
        }
    }
}

/// Shows one measurement.
///
/// # Errors
/// When there is none of this name.
pub(crate) fn measurement(id: &str) -> Result<MeasurementCard> {
    let registry = procedure::registry(id);
    let manifest = registry.manifest(id).map_err(|unknown| procedure::unknown(&registry, &unknown))?;
    Ok(MeasurementCard::new(&registry, manifest))
}

/// A unit as it is written, with a blank ahead of it.
fn unit_text(unit: &str) -> String {
    let word = match unit {
        "" => return String::new(),
        "hz" => "Hz",
        "db" => "dB",
        "percent" => "%",
        other => other,
    };
    format!(" {word}")
}

impl fmt::Display for MeasurementCard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Manifest { id, title, version, summary, parameters, .. } = &self.manifest;
        writeln!(f, "{id} {version}: {title}\n{summary}")?;
        if let (Some(file), Some(sha256)) = (&self.file, &self.sha256) {
            writeln!(f, "  Plugin {file}\n  SHA-256 {sha256}")?;
        }
        for parameter in parameters {
            let range = match &parameter.kind {
                ParameterKind::Number { unit, default, min, max } => {
                    format!("{}  ({} to {}{})", typed(*default), typed(*min), typed(*max), unit_text(unit))
                }
                ParameterKind::Integer { unit, default, min, max } => {
                    format!("{default}  ({min} to {max}{})", unit_text(unit))
                }
                ParameterKind::Choice { default, options } => format!("{default}  ({})", options.join(", ")),
                ParameterKind::Text { default } => format!("`{default}`"),
            };
            writeln!(f, "  -p {}={range}\n      {}", parameter.name, parameter.help)?;
        }
        Ok(())
    }
}
