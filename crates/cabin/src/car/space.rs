//! The description of the space that the sound fills: cabin, positions, microphone.

use serde::{Deserialize, Serialize};

use super::{Band, Edge};

/// The cabin, a box with soft and hard walls.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Space {
    /// Length, width and height.
    pub size_m: [f64; 3],
    /// Below this frequency pressure rises by 12 dB per octave, the cabin being
    /// small against the wavelength.
    pub pressurisation_hz: f64,
    /// Below this one leaks end the rise.
    #[serde(default = "five_hertz")]
    pub leak_hz: f64,
    /// The air's temperature.
    #[serde(default = "twenty_degrees")]
    pub temperature_c: f64,
    /// The standing waves.
    pub modes: Modes,
    /// The walls that reflect; a wall that is left out does not.
    #[serde(rename = "wall", default)]
    pub walls: Vec<Wall>,
    /// Sound in the car with everything off.
    #[serde(default)]
    pub ambient_db_spl: Option<f64>,
    /// The engine's loudest order at 2,000 turns a minute.
    #[serde(default)]
    pub engine_db_spl: Option<f64>,
    /// The places where the microphone can stand.
    #[serde(rename = "position")]
    pub positions: Vec<Position>,
}

fn five_hertz() -> f64 {
    5.0
}

fn twenty_degrees() -> f64 {
    20.0
}

/// The standing waves of the box.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Modes {
    /// Modes above this frequency are left out (at most sixteen are used).
    pub up_to_hz: f64,
    /// How narrow they are.
    pub q: f64,
    /// How strong they are against the direct sound.
    pub strength: f64,
}

/// A side of the box.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WallSide {
    /// Dashboard and windscreen.
    Front,
    /// Tailgate or rear window.
    Rear,
    /// The left windows and doors.
    Left,
    /// The right windows and doors.
    Right,
    /// Carpet and seats.
    Floor,
    /// The headliner.
    Roof,
}

/// How a side of the box reflects.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wall {
    /// Which side.
    pub side: WallSide,
    /// The reflected part of the pressure, 0 to 1.
    pub reflection: f64,
    /// Above this frequency the wall swallows the sound, 6 dB per octave.
    pub low_pass_hz: f64,
}

/// A place where the microphone can stand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// Its name.
    pub name: String,
    /// Where it is, as for drivers.
    pub at_m: [f64; 3],
}

/// The measurement microphone with its preamplifier and converter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Microphone {
    /// What 94 dB SPL reads.
    pub dbfs_at_94: f64,
    /// Its own white noise, 20 Hz to 20 kHz.
    #[serde(default)]
    pub noise_db_spl: Option<f64>,
    /// Its lower band edge.
    #[serde(default)]
    pub high_pass: Option<Edge>,
    /// Its own peaks and dips.
    #[serde(default)]
    pub bands: Vec<Band>,
}

/// The electrical tap: from a radio output through an attenuator into the
/// interface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tap {
    /// The output that is tapped at first.
    pub output: String,
    /// The attenuator's gain.
    pub attenuator_db: f64,
    /// The peak voltage at the interface that reaches full scale.
    pub input_full_scale_v: f64,
    /// The interface's own white noise, 20 Hz to 20 kHz.
    #[serde(default)]
    pub noise_dbfs: Option<f64>,
}

impl Tap {
    /// Volts at the radio's output for a sample value of 1.
    #[must_use]
    pub fn volts_per_fs(&self) -> f64 {
        self.input_full_scale_v / 10f64.powf(self.attenuator_db / 20.0)
    }
}
