//! How the car is set at the moment: plain data.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::car::{Band, Car, Channel, Output, WIRE_POSITION, bands_fault, no_such};

/// What a person has set on the radio, the processor and around the car.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Setup {
    /// The radio's volume step; 0 is silent.
    pub volume_step: u32,
    /// The radio's bass knob.
    #[serde(default)]
    pub bass_knob_db: f64,
    /// Where the microphone stands.
    pub mic_position: String,
    /// The drivers that sound; absent for all.
    #[serde(default)]
    pub active: Option<Vec<String>>,
    /// The radio output that is tapped.
    pub tap_output: String,
    /// What is entered in the processor, by driver.
    #[serde(default)]
    pub processor: BTreeMap<String, Channel>,
    /// The equalizer of each of the processor's inputs, by the radio output that feeds it: it comes before the
    /// channels, and acts on all of them that this input feeds.
    #[serde(default)]
    pub processor_inputs: BTreeMap<String, Vec<Band>>,
    /// The peak voltage that reaches full scale at the processor's inputs (its
    /// input gain); absent for the car's own.
    #[serde(default)]
    pub processor_input_full_scale_v: Option<f64>,
    /// Whether there is noise anywhere: radio, cabin, microphone, interface.
    #[serde(default = "yes")]
    pub noise: bool,
    /// Whether panels may buzz.
    #[serde(default = "yes")]
    pub rattles: bool,
    /// The engine's speed; 0 for a standing engine.
    #[serde(default)]
    pub engine_rpm: f64,
    /// The frequency of the mains that a charger is connected to, if one is.
    #[serde(default)]
    pub mains_hz: Option<f64>,
    /// How much faster the recorder's clock runs than that of the live
    /// player; 0 when both are one interface.
    #[serde(default)]
    pub live_clock_ppm: f64,
}

fn yes() -> bool {
    true
}

/// Why a setup does not fit the car.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SetupError(String);

impl std::fmt::Display for SetupError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for SetupError {}

impl Setup {
    /// Checks that everything that is named exists and every number is usable.
    ///
    /// # Errors
    /// The first thing that does not fit, with what would.
    pub fn check(&self, car: &Car) -> Result<(), SetupError> {
        let refuse = |text: String| Err(SetupError(text));
        if self.volume_step > car.radio.last_step() {
            return refuse(format!(
                "the volume step is {}; this radio has steps 0 to {}",
                self.volume_step,
                car.radio.last_step()
            ));
        }
        let knob_db = car.radio.bass_knob.as_ref().map_or(0.0, |knob| knob.max_db);
        if !(self.bass_knob_db.abs() <= knob_db) {
            return refuse(format!(
                "the bass knob is at {} dB; this radio's goes from −{knob_db} to {knob_db} dB",
                self.bass_knob_db
            ));
        }
        if car.position(&self.mic_position).is_none() {
            return refuse(no_such("microphone position", &self.mic_position, car.position_names()));
        }
        for name in std::iter::once(&self.tap_output).chain(self.processor_inputs.keys()) {
            if car.radio.output(name).is_none() {
                let names = car.radio.outputs.iter().map(|output| output.name.as_str());
                return refuse(no_such("radio output", name, names));
            }
        }
        for name in self.active.iter().flatten().chain(self.processor.keys()) {
            if car.driver(name).is_none() {
                return refuse(no_such("driver", name, car.driver_names()));
            }
        }
        for (name, channel) in &self.processor {
            if let Some(fault) = channel.fault(car.processor.longest_delay_s) {
                return refuse(format!("processor channel `{name}`: {fault}"));
            }
        }
        for (name, bands) in &self.processor_inputs {
            if let Some(fault) = bands_fault(bands) {
                return refuse(format!("processor input `{name}`: {fault}"));
            }
        }
        for (what, value, range) in [
            ("the engine's speed", self.engine_rpm, 0.0..=12_000.0),
            ("the mains frequency", self.mains_hz.unwrap_or(50.0), 10.0..=400.0),
            ("the live clock's offset in ppm", self.live_clock_ppm, -2_000.0..=2_000.0),
            (
                "the processor's input full scale in volts",
                self.processor_input_full_scale_v.unwrap_or(1.0),
                1e-3..=1e6,
            ),
        ] {
            if !range.contains(&value) {
                return refuse(format!("{what} is {value}; expected {} to {}", range.start(), range.end()));
            }
        }
        Ok(())
    }

    /// The bands of the input that a radio output feeds.
    pub(crate) fn bands_of_input(&self, output: &Output) -> &[Band] {
        self.processor_inputs.get(&output.name).map_or(&[], Vec::as_slice)
    }

    /// Whether this driver sounds.
    pub(crate) fn is_active(&self, driver: &str) -> bool {
        self.active.as_ref().is_none_or(|names| names.iter().any(|name| name == driver))
    }
}

impl Car {
    /// The car as it was found: usual volume, first microphone position, all
    /// drivers, what the processor held, noise on, engine off.
    #[must_use]
    pub fn setup(&self) -> Setup {
        Setup {
            volume_step: self.radio.usual_step,
            bass_knob_db: 0.0,
            mic_position: self.position_names().next().unwrap_or(WIRE_POSITION).to_owned(),
            active: None,
            tap_output: self.tap.output.clone(),
            processor: self
                .drivers
                .iter()
                .map(|driver| (driver.name.clone(), driver.channel.clone()))
                .collect(),
            processor_inputs: BTreeMap::new(),
            processor_input_full_scale_v: None,
            noise: true,
            rattles: true,
            engine_rpm: 0.0,
            mains_hz: None,
            live_clock_ppm: 0.0,
        }
    }
}
