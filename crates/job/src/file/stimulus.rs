//! What was played, inside `capture.json`.

use measure::{Segment, Side, Signal, Stimulus};
use serde::ser::{Error as _, Serializer};
use serde::{Deserialize, Serialize};

use super::Number;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct StimulusV1 {
    name: String,
    segments: Vec<SegmentV1>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SegmentV1 {
    duration_s: Number,
    #[serde(default = "zero")]
    peak_dbfs: Number,
    #[serde(default = "zero")]
    fade_s: Number,
    #[serde(default)]
    side: SideV1,
    signal: SignalV1,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum SideV1 {
    #[default]
    Both,
    Left,
    Right,
}

fn zero() -> Number {
    Number(0.0)
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
enum SignalV1 {
    Silence,
    Sweep {
        from_hz: Number,
        to_hz: Number,
        synchronised: bool,
    },
    Pink {
        from_hz: Number,
        to_hz: Number,
        seed: u64,
        period_s: Option<Number>,
    },
    Sine {
        frequency_hz: Number,
    },
    TwoTone {
        low_hz: Number,
        high_hz: Number,
    },
    Burst {
        frequency_hz: Number,
        cycles: Number,
        every_s: Number,
    },
    Pulse {
        from_hz: Number,
        to_hz: Number,
        every_s: Number,
    },
    Samples {
        sample_rate_hz: Number,
        #[serde(serialize_with = "finite")]
        samples: Vec<f32>,
    },
}

/// Refuses samples that JSON cannot hold.
fn finite<S: Serializer>(samples: &[f32], serializer: S) -> Result<S::Ok, S::Error> {
    match samples.iter().find(|sample| !sample.is_finite()) {
        None => samples.serialize(serializer),
        Some(sample) => Err(S::Error::custom(format_args!("it holds {sample}, which JSON cannot"))),
    }
}

impl From<&Stimulus> for StimulusV1 {
    fn from(stimulus: &Stimulus) -> Self {
        Self { name: stimulus.name.clone(), segments: stimulus.segments.iter().map(Into::into).collect() }
    }
}

impl From<StimulusV1> for Stimulus {
    fn from(file: StimulusV1) -> Self {
        Self { name: file.name, segments: file.segments.into_iter().map(Into::into).collect() }
    }
}

impl From<&Segment> for SegmentV1 {
    fn from(segment: &Segment) -> Self {
        Self {
            duration_s: segment.duration_s.into(),
            peak_dbfs: segment.peak_dbfs.into(),
            fade_s: segment.fade_s.into(),
            side: match segment.side {
                Side::Both => SideV1::Both,
                Side::Left => SideV1::Left,
                Side::Right => SideV1::Right,
            },
            signal: (&segment.signal).into(),
        }
    }
}

impl From<SegmentV1> for Segment {
    fn from(file: SegmentV1) -> Self {
        Self {
            duration_s: file.duration_s.into(),
            peak_dbfs: file.peak_dbfs.into(),
            fade_s: file.fade_s.into(),
            side: match file.side {
                SideV1::Both => Side::Both,
                SideV1::Left => Side::Left,
                SideV1::Right => Side::Right,
            },
            signal: file.signal.into(),
        }
    }
}

impl From<&Signal> for SignalV1 {
    fn from(signal: &Signal) -> Self {
        match signal {
            Signal::Silence => Self::Silence,
            &Signal::Sweep { from_hz, to_hz, synchronised } => {
                Self::Sweep { from_hz: from_hz.into(), to_hz: to_hz.into(), synchronised }
            }
            &Signal::Pink { from_hz, to_hz, seed, period_s } => Self::Pink {
                from_hz: from_hz.into(),
                to_hz: to_hz.into(),
                seed,
                period_s: period_s.map(Number),
            },
            &Signal::Sine { frequency_hz } => Self::Sine { frequency_hz: frequency_hz.into() },
            &Signal::TwoTone { low_hz, high_hz } => {
                Self::TwoTone { low_hz: low_hz.into(), high_hz: high_hz.into() }
            }
            &Signal::Burst { frequency_hz, cycles, every_s } => Self::Burst {
                frequency_hz: frequency_hz.into(),
                cycles: cycles.into(),
                every_s: every_s.into(),
            },
            &Signal::Pulse { from_hz, to_hz, every_s } => {
                Self::Pulse { from_hz: from_hz.into(), to_hz: to_hz.into(), every_s: every_s.into() }
            }
            Signal::Samples { sample_rate_hz, samples } => {
                Self::Samples { sample_rate_hz: (*sample_rate_hz).into(), samples: samples.clone() }
            }
        }
    }
}

impl From<SignalV1> for Signal {
    fn from(file: SignalV1) -> Self {
        match file {
            SignalV1::Silence => Self::Silence,
            SignalV1::Sweep { from_hz, to_hz, synchronised } => {
                Self::Sweep { from_hz: from_hz.into(), to_hz: to_hz.into(), synchronised }
            }
            SignalV1::Pink { from_hz, to_hz, seed, period_s } => Self::Pink {
                from_hz: from_hz.into(),
                to_hz: to_hz.into(),
                seed,
                period_s: period_s.map(f64::from),
            },
            SignalV1::Sine { frequency_hz } => Self::Sine { frequency_hz: frequency_hz.into() },
            SignalV1::TwoTone { low_hz, high_hz } => {
                Self::TwoTone { low_hz: low_hz.into(), high_hz: high_hz.into() }
            }
            SignalV1::Burst { frequency_hz, cycles, every_s } => Self::Burst {
                frequency_hz: frequency_hz.into(),
                cycles: cycles.into(),
                every_s: every_s.into(),
            },
            SignalV1::Pulse { from_hz, to_hz, every_s } => {
                Self::Pulse { from_hz: from_hz.into(), to_hz: to_hz.into(), every_s: every_s.into() }
            }
            SignalV1::Samples { sample_rate_hz, samples } => {
                Self::Samples { sample_rate_hz: sample_rate_hz.into(), samples }
            }
        }
    }
}
