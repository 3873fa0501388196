//! What sample values mean: levels, volts and sound pressure.

use dsp::response::interpolate_log;
use measure::{Block, Calibration, Start};

/// 0 dBu in volts, `√0.6`.
const DBU_REFERENCE_V: f64 = 0.774_596_669_241_483_4;

/// The sound pressure level of one pascal, which calibrators call 94 dB.
pub(crate) const CALIBRATOR_DB: f64 = 94.0;

/// The scale of the measured channel.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Scale {
    channel: usize,
    calibration: Calibration,
}

impl Scale {
    pub(crate) fn of(start: &Start) -> Self {
        Self { channel: start.channel, calibration: start.calibration.clone() }
    }

    /// The samples of the measured channel; nothing where the block lacks it.
    pub(crate) fn samples<'a>(&self, block: &Block<'a>) -> &'a [f32] {
        block.channels.get(self.channel).copied().unwrap_or(&[])
    }

    /// Volts for a sample value, where the channel is calibrated in volts.
    pub(crate) fn volts(&self, value: f64) -> Option<f64> {
        self.calibration.volts_per_fs.map(|volts| value * volts)
    }

    /// Whether sound pressure is known.
    pub(crate) fn is_acoustic(&self) -> bool {
        self.calibration.dbfs_at_94.is_some()
    }

    /// The sound pressure level of a level in dBFS, where the microphone is calibrated.
    pub(crate) fn spl_db(&self, dbfs: f64) -> Option<f64> {
        self.calibration.dbfs_at_94.map(|at_94| dbfs - at_94 + CALIBRATOR_DB)
    }

    /// The microphone's own response at these frequencies; zeros without a calibration.
    pub(crate) fn microphone_db(&self, frequency_hz: &[f64]) -> Vec<f64> {
        match &self.calibration.microphone {
            Some(curve) if !curve.frequency_hz.is_empty() => {
                interpolate_log(&curve.frequency_hz, &curve.magnitude_db, frequency_hz)
            }
            _ => vec![0.0; frequency_hz.len()],
        }
    }
}

/// The level of a mean square re a full-scale sine (AES17); negative infinity for none.
pub(crate) fn dbfs(mean_square: f64) -> f64 {
    10.0 * (2.0 * mean_square).log10()
}

/// Twenty times the logarithm of a ratio.
pub(crate) fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// The level of a voltage in dBu.
pub(crate) fn dbu(volts: f64) -> f64 {
    db(volts / DBU_REFERENCE_V)
}
