//! How a recording was made: which channel holds what, and what its numbers mean.

use std::path::{Path, PathBuf};

use measure::Calibration;
use rig::with_microphone;

use library::{Error, Result};

/// How a recording was made.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Recorded {
    /// The channel to measure, from 0.
    pub channel: usize,
    /// The channel that carries the reference, from 0.
    pub reference_channel: Option<usize>,
    /// The microphone's own response.
    pub mic_cal: Option<PathBuf>,
    /// The level that 94 dB SPL gave, in dBFS; overrides the calibration file's.
    pub dbfs_at_94: Option<f64>,
    /// The voltage of a sample value of 1.0.
    pub volts_per_fs: Option<f64>,
    /// What the numbers of the measured channel mean, where that is known as a whole.
    pub calibration: Option<Calibration>,
}

impl Recorded {
    /// With this channel to be measured, from 0, and nothing else known.
    #[must_use]
    pub fn on(channel: usize) -> Self {
        Self { channel, ..Self::default() }
    }

    /// What the numbers of the measured channel mean.
    pub(crate) fn calibration(&self) -> Result<Calibration> {
        if let Some(calibration) = &self.calibration {
            return Ok(calibration.clone());
        }
        let microphone = self.mic_cal.as_deref().map(library::calibration).transpose()?;
        let calibration = with_microphone(microphone.as_ref());
        Ok(Calibration {
            dbfs_at_94: self.dbfs_at_94.or(calibration.dbfs_at_94),
            volts_per_fs: self.volts_per_fs.or(calibration.volts_per_fs),
            ..calibration
        })
    }

    /// Whether a recording of so many channels has those that are named.
    pub(crate) fn check(&self, path: &Path, channels: usize) -> Result<()> {
        let named = [("--channel", Some(self.channel)), ("--reference-channel", self.reference_channel)];
        match named.into_iter().find(|(_, channel)| channel.is_some_and(|channel| channel >= channels)) {
            Some((option, Some(channel))) => Err(Error::input(format!(
                "{option} {}: {} has {channels} channel{}",
                channel + 1,
                path.display(),
                if channels == 1 { "" } else { "s" }
            ))),
            _ => Ok(()),
        }
    }
}
