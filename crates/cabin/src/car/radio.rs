//! The description of the factory radio: what it does to a signal, and at
//! which volume step it stops being clean.

use serde::{Deserialize, Serialize};

use super::{Band, Edge};

/// The factory radio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Radio {
    /// The gain of each volume step re full volume, beginning with step 1;
    /// step 0 is silent.
    pub step_gain_db: Vec<f64>,
    /// The step at which the car was found.
    pub usual_step: u32,
    /// How much faster the recorder's clock runs than the one that plays a
    /// memory stick.
    #[serde(default)]
    pub stick_clock_ppm: f64,
    /// The factory tone, on all outputs.
    #[serde(default)]
    pub tone: Vec<Band>,
    /// Tone that changes with the volume step.
    #[serde(default)]
    pub loudness: Option<Loudness>,
    /// The bass knob.
    #[serde(default)]
    pub bass_knob: Option<BassKnob>,
    /// What the alternator puts on the outputs while the engine runs.
    #[serde(default)]
    pub whine: Vec<EngineOrder>,
    /// The outputs, each a place where signal can be taken.
    #[serde(rename = "output")]
    pub outputs: Vec<Output>,
}

/// Tone that changes with the volume: two shelves whose gain is interpolated
/// between points.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Loudness {
    /// The half-gain point of the bass shelf.
    pub bass_hz: f64,
    /// The half-gain point of the treble shelf.
    pub treble_hz: f64,
    /// `[step, bass_db, treble_db]` in rising steps; held beyond both ends.
    pub points: Vec<[f64; 3]>,
}

/// A bass control within the person's reach.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BassKnob {
    /// The half-gain point of its shelf.
    pub frequency_hz: f64,
    /// Its range to either side.
    pub max_db: f64,
}

/// A tone that follows the engine.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EngineOrder {
    /// Cycles per turn of the engine.
    pub order: f64,
    /// Its amplitude relative to the strongest line.
    pub relative_db: f64,
}

/// How an output is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputKind {
    /// A line output.
    Preamp,
    /// A bridged power output: neither side is ground.
    Speaker,
    /// The output of a digital adapter ahead of the factory amplifier.
    Adapter,
}

/// Which side of the stereo signal an output carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The left channel.
    Left,
    /// The right channel.
    Right,
    /// The mean of both.
    Mono,
}

/// One output of the radio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Output {
    /// Its name.
    pub name: String,
    /// How it is made.
    pub kind: OutputKind,
    /// What it carries.
    pub side: Side,
    /// The RMS voltage that a full-scale sine would reach at full volume and
    /// flat tone if nothing limited it.
    pub full_volume_v: f64,
    /// The tone with which its clean limit is measured.
    #[serde(default = "one_kilohertz")]
    pub test_tone_hz: f64,
    /// Where it stops being linear; absent for an output that never clips.
    #[serde(default)]
    pub limit: Option<Limit>,
    /// Even-order distortion that it has at any level.
    #[serde(default)]
    pub residual_percent: f64,
    /// Its lower band edge.
    #[serde(default)]
    pub high_pass: Option<Edge>,
    /// Its upper band edge.
    #[serde(default)]
    pub low_pass: Option<Edge>,
    /// Factory tone of this output alone.
    #[serde(default)]
    pub tone: Vec<Band>,
    /// Whether it is wired upside down.
    #[serde(default)]
    pub inverted: bool,
    /// White noise between 20 Hz and 20 kHz, RMS.
    #[serde(default)]
    pub noise_v: f64,
    /// The strongest line of the alternator at 2,000 turns a minute, RMS.
    #[serde(default)]
    pub whine_v: f64,
    /// Hum while a mains charger is connected, RMS.
    #[serde(default)]
    pub hum_v: f64,
}

fn one_kilohertz() -> f64 {
    1000.0
}

/// The shape of an output's limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LimitKind {
    /// Cut off flat.
    Hard,
    /// Bent over from 70 % of the limit on.
    Soft,
    /// Turned down so that the peak stays at the limit.
    Limiter,
}

/// Where an output stops being linear.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// Its shape.
    pub kind: LimitKind,
    /// The RMS voltage of the largest sine that stays inside it.
    pub sine_v: f64,
    /// The same for the negative half-wave where it differs.
    #[serde(default)]
    pub negative_sine_v: Option<f64>,
}

impl Radio {
    /// The gain of a volume step as an amplitude ratio; 0 for step 0.
    #[must_use]
    pub fn step_gain(&self, step: u32) -> f64 {
        match step.checked_sub(1).and_then(|index| self.step_gain_db.get(index as usize)) {
            Some(db) => 10f64.powf(db / 20.0),
            None => 0.0,
        }
    }

    /// The highest volume step.
    #[must_use]
    pub fn last_step(&self) -> u32 {
        u32::try_from(self.step_gain_db.len()).unwrap_or(u32::MAX)
    }

    /// The output with this name.
    #[must_use]
    pub fn output(&self, name: &str) -> Option<&Output> {
        self.outputs.iter().find(|output| output.name == name)
    }

    /// Everything that colours this output at a volume step, as bands.
    pub(crate) fn bands(&self, output: &Output, step: u32, bass_knob_db: f64) -> Vec<Option<Band>> {
        let shelf = |kind, frequency_hz, gain_db| {
            (gain_db != 0.0).then_some(Band { kind, frequency_hz, gain_db, q: SHELF_Q })
        };
        let mut bands: Vec<Option<Band>> = Vec::new();
        if let Some(loudness) = &self.loudness {
            let (bass_db, treble_db) = loudness.at(step);
            bands.push(shelf(super::BandKind::LowShelf, loudness.bass_hz, bass_db));
            bands.push(shelf(super::BandKind::HighShelf, loudness.treble_hz, treble_db));
        }
        if let Some(knob) = &self.bass_knob {
            bands.push(shelf(super::BandKind::LowShelf, knob.frequency_hz, bass_knob_db));
        }
        bands.extend(self.tone.iter().chain(&output.tone).map(|&band| Some(band)));
        bands
    }
}

/// The quality factor of the radio's own shelves.
const SHELF_Q: f64 = std::f64::consts::FRAC_1_SQRT_2;

impl Loudness {
    /// The gain of both shelves at a volume step.
    #[must_use]
    pub fn at(&self, step: u32) -> (f64, f64) {
        let step = f64::from(step);
        let after = self.points.partition_point(|point| point[0] <= step);
        match (after.checked_sub(1).map(|i| self.points[i]), self.points.get(after)) {
            (Some(a), Some(b)) => {
                let t = (step - a[0]) / (b[0] - a[0]);
                (a[1] + t * (b[1] - a[1]), a[2] + t * (b[2] - a[2]))
            }
            (Some(end), None) => (end[1], end[2]),
            (None, Some(begin)) => (begin[1], begin[2]),
            (None, None) => (0.0, 0.0),
        }
    }
}
