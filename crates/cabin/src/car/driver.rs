//! The description of what makes sound: processor, amplifiers, drivers.

use serde::{Deserialize, Serialize};

use super::{Band, Channel, Edge};

/// The signal processor; it has one channel for each driver that it feeds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Processor {
    /// The peak voltage at an input that reaches its full scale.
    pub input_full_scale_v: f64,
    /// The peak voltage that an output gives at full scale.
    pub output_full_scale_v: f64,
    /// How long a signal takes through it without any delay set.
    #[serde(default)]
    pub latency_s: f64,
    /// The longest delay that can be set.
    #[serde(default = "twenty_milliseconds")]
    pub longest_delay_s: f64,
}

fn twenty_milliseconds() -> f64 {
    0.02
}

/// What a driver is for, which says how a test signal must be limited.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Plays everything.
    FullRange,
    /// Treble only.
    Tweeter,
    /// The middle.
    Mid,
    /// Bass and lower middle.
    Woofer,
    /// The lowest octaves only.
    Sub,
}

/// One driver with its amplifier.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Driver {
    /// Its name, which is also that of its processor channel.
    pub name: String,
    /// What it is for.
    pub role: Role,
    /// The radio outputs whose mean feeds it.
    pub inputs: Vec<String>,
    /// Whether the processor lies in between; without it the radio's output
    /// drives it directly.
    #[serde(default = "yes")]
    pub processed: bool,
    /// How its processor channel was found.
    #[serde(default)]
    pub channel: Channel,
    /// The gain of its amplifier.
    #[serde(default)]
    pub amplifier_gain_db: f64,
    /// The peak voltage that the amplifier can give; absent for no limit.
    #[serde(default)]
    pub amplifier_clip_v: Option<f64>,
    /// The sound pressure level at 1 m for 1 V, inside its band.
    pub sensitivity_db: f64,
    /// Its own lower band edge.
    #[serde(default)]
    pub high_pass: Option<Edge>,
    /// Its own upper band edge.
    #[serde(default)]
    pub low_pass: Option<Edge>,
    /// Its own peaks and dips.
    #[serde(default)]
    pub bands: Vec<Band>,
    /// Whether it is wired backwards.
    #[serde(default)]
    pub reversed: bool,
    /// Second harmonic at 94 dB at 1 m.
    #[serde(default)]
    pub second_harmonic_percent: f64,
    /// Third harmonic at 94 dB at 1 m.
    #[serde(default)]
    pub third_harmonic_percent: f64,
    /// Where it sits, from the front left lower corner of the cabin: backwards,
    /// to the right, up.
    #[serde(default)]
    pub at_m: [f64; 3],
}

fn yes() -> bool {
    true
}

/// A panel that buzzes when a driver shakes it: at every cycle of the driver's
/// signal within a band, a burst of noise of 2 ms.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rattle {
    /// What buzzes.
    pub name: String,
    /// What shakes it.
    pub driver: String,
    /// The lower edge of the band in which it does.
    pub from_hz: f64,
    /// The upper edge.
    pub to_hz: f64,
    /// The level of the buzz re the driver's sound.
    pub level_db: f64,
    /// The level of the driver's sound at 1 m under which the panel is quiet.
    pub starts_at_db_spl: f64,
}
