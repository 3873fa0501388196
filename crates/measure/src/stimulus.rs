//! What is played, described exactly enough to be made again at any rate.

use serde::{Deserialize, Serialize};

/// A test signal: segments one after another.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stimulus {
    /// Its name, such as `sweep-full`.
    pub name: String,
    /// Its parts in the order in which they are played.
    pub segments: Vec<Segment>,
}

/// One part of a stimulus.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Segment {
    /// How long it lasts.
    pub duration_s: f64,
    /// Its peak re full scale; of no meaning for silence.
    #[serde(default)]
    pub peak_dbfs: f64,
    /// The raised-cosine fade at both ends.
    #[serde(default)]
    pub fade_s: f64,
    /// Which side of a stereo file carries it.
    #[serde(default, skip_serializing_if = "Side::is_both")]
    pub side: Side,
    /// What sounds.
    pub signal: Signal,
}

/// The side of a stereo file that carries a segment; the other one is silent
/// meanwhile.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Both sides alike.
    #[default]
    Both,
    /// The left side only.
    Left,
    /// The right side only.
    Right,
}

impl Side {
    /// Whether both sides carry it.
    #[must_use]
    pub fn is_both(&self) -> bool {
        *self == Self::Both
    }
}

/// What sounds during a segment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Signal {
    /// Nothing.
    Silence,
    /// An exponential sine sweep.
    Sweep {
        /// Where it begins.
        from_hz: f64,
        /// Where it ends.
        to_hz: f64,
        /// Whether `from_hz·L` is rounded to a whole number, so that harmonics
        /// stay in phase (the duration is then the nearest that fits).
        synchronised: bool,
    },
    /// Pink noise, band-limited.
    Pink {
        /// The lower band limit.
        from_hz: f64,
        /// The upper band limit.
        to_hz: f64,
        /// The seed; the same seed gives the same samples.
        seed: u64,
        /// The length after which the noise repeats; absent for noise that
        /// never does.
        period_s: Option<f64>,
    },
    /// A sine.
    Sine {
        /// Its frequency.
        frequency_hz: f64,
    },
    /// Two sines of equal level.
    TwoTone {
        /// The lower frequency.
        low_hz: f64,
        /// The upper frequency.
        high_hz: f64,
    },
    /// A tone burst under a raised-cosine envelope, beginning upward.
    Burst {
        /// Its carrier.
        frequency_hz: f64,
        /// How many cycles of the carrier the envelope spans.
        cycles: f64,
        /// The time from one burst to the next.
        every_s: f64,
    },
    /// A pulse whose first half-wave is positive, band-limited, for polarity.
    Pulse {
        /// The lower band limit.
        from_hz: f64,
        /// The upper band limit.
        to_hz: f64,
        /// The time from one pulse to the next.
        every_s: f64,
    },
    /// Samples as they stand, for a stimulus that came as a recording.
    Samples {
        /// Their rate.
        sample_rate_hz: f64,
        /// The samples, full scale being ±1.
        samples: Vec<f32>,
    },
}

impl Segment {
    /// Silence for a time.
    #[must_use]
    pub fn silence(duration_s: f64) -> Self {
        Self { duration_s, peak_dbfs: 0.0, fade_s: 0.0, side: Side::Both, signal: Signal::Silence }
    }

    /// A signal on both sides.
    #[must_use]
    pub fn of(signal: Signal, duration_s: f64, peak_dbfs: f64, fade_s: f64) -> Self {
        Self { duration_s, peak_dbfs, fade_s, side: Side::Both, signal }
    }
}

impl Stimulus {
    /// How long it lasts in all.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        self.segments.iter().map(|segment| segment.duration_s).sum()
    }

    /// The highest peak of its segments re full scale, or nothing for silence.
    #[must_use]
    pub fn peak_dbfs(&self) -> Option<f64> {
        self.segments
            .iter()
            .filter(|segment| segment.signal != Signal::Silence)
            .map(|segment| segment.peak_dbfs)
            .reduce(f64::max)
    }
}
