//! What a measurement is told before the first block.

use serde::{Deserialize, Serialize};

use crate::{Parameters, Stimulus};

/// How a stream starts.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Start {
    /// Frames per second.
    pub sample_rate_hz: f64,
    /// How many channels each block will hold.
    pub channels: usize,
    /// Which channel is measured, from 0.
    pub channel: usize,
    /// Which channel carries the reference, where there is one.
    pub reference_channel: Option<usize>,
    /// What the numbers mean in volts and pascals.
    pub calibration: Calibration,
    /// What is played meanwhile, where it is known.
    pub stimulus: Option<Stimulus>,
    /// Every parameter of the measurement, checked against its manifest.
    pub parameters: Parameters,
}

/// What the numbers of the measured channel mean.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Calibration {
    /// The level that 94 dB SPL gives, in dBFS.
    pub dbfs_at_94: Option<f64>,
    /// The voltage of a sample value of 1.0: volts are samples times this.
    pub volts_per_fs: Option<f64>,
    /// The microphone's own response, to be subtracted.
    pub microphone: Option<CalibrationCurve>,
}

/// A microphone's own response.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CalibrationCurve {
    /// Ascending frequencies.
    pub frequency_hz: Vec<f64>,
    /// The microphone's response in dB at each.
    pub magnitude_db: Vec<f64>,
    /// Its phase at each, or nothing where it is not known.
    pub phase_deg: Vec<f64>,
}
