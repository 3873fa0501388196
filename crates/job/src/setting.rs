//! What is set in a processor: bands, and what each channel does.

use serde::{Deserialize, Serialize};
use tuning::{Band, BandKind};

/// A preset by its name, or the text of a file of one's own.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PresetOrInline {
    /// A preset's name.
    #[serde(rename = "name")]
    Preset(String),
    /// The whole text of the file, kept so that the job stands by itself.
    #[serde(rename = "text")]
    Inline(String),
}

/// One equalizer band of a processor channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EnteredBand {
    /// The processor channel; empty for all of them.
    #[serde(default)]
    pub channel: String,
    /// Its kind.
    #[serde(rename = "type")]
    pub kind: BandKind,
    /// Its frequency.
    pub frequency_hz: f64,
    /// Its gain.
    pub gain_db: f64,
    /// Its Q in the cookbook's definition.
    pub q: f64,
    /// The Q to be typed, where the processor defines Q otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entered_q: Option<f64>,
    /// Whether it counts.
    #[serde(default = "yes")]
    pub enabled: bool,
    /// Whether a new fit must leave it alone.
    #[serde(default)]
    pub locked: bool,
    /// Why it is there.
    #[serde(default)]
    pub reason: String,
}

fn yes() -> bool {
    true
}

impl EnteredBand {
    /// The band with the cookbook's Q.
    #[must_use]
    pub fn band(&self) -> Band {
        Band { kind: self.kind, frequency_hz: self.frequency_hz, gain_db: self.gain_db, q: self.q }
    }

    /// The band as it is typed into the processor.
    #[must_use]
    pub fn typed(&self) -> Band {
        Band { q: self.typed_q(), ..self.band() }
    }

    /// The Q as it is typed into the processor.
    #[must_use]
    pub fn typed_q(&self) -> f64 {
        self.entered_q.unwrap_or(self.q)
    }
}

/// Delay, gain, polarity and crossovers of one processor channel.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelSetting {
    /// The processor channel.
    pub channel: String,
    /// Its delay.
    pub delay_s: f64,
    /// Its gain.
    pub gain_db: f64,
    /// Whether its polarity is inverted.
    pub inverted: bool,
    /// Its high-pass.
    #[serde(default)]
    pub high_pass: Option<Crossover>,
    /// Its low-pass.
    #[serde(default)]
    pub low_pass: Option<Crossover>,
}

impl ChannelSetting {
    /// Whether both are the same to the last digit that a processor shows: 0.05 dB, 5 µs, a thousandth of a frequency.
    #[must_use]
    pub fn is_like(&self, other: &Self) -> bool {
        (self.gain_db - other.gain_db).abs() < 0.05 && self.sums_like(other)
    }

    /// The same, but for the gain.
    #[must_use]
    pub fn sums_like(&self, other: &Self) -> bool {
        let same = |one: &Option<Crossover>, other: &Option<Crossover>| match (one, other) {
            (Some(one), Some(other)) => {
                one.family == other.family
                    && one.order == other.order
                    && (one.frequency_hz / other.frequency_hz - 1.0).abs() < 1e-3
            }
            (one, other) => one.is_none() && other.is_none(),
        };
        self.inverted == other.inverted
            && (self.delay_s - other.delay_s).abs() < 5e-6
            && same(&self.high_pass, &other.high_pass)
            && same(&self.low_pass, &other.low_pass)
    }
}

/// One crossover filter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Crossover {
    /// Its family: `butterworth`, `linkwitz-riley`, `bessel`.
    pub family: String,
    /// Its order; the slope is 6 dB per octave times this.
    pub order: u32,
    /// Its corner.
    pub frequency_hz: f64,
}

/// Everything that is set in a processor, absolute: what its screen shows.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ProcessorSetting {
    /// Each channel.
    pub channels: Vec<ChannelSetting>,
    /// The bands of all channels.
    pub bands: Vec<EnteredBand>,
    /// Whether the equalizer was switched off.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub bypassed: bool,
}

impl ProcessorSetting {
    /// Whether it says nothing of any channel or band.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.channels.is_empty() && self.bands.is_empty()
    }
}
