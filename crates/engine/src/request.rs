//! What a capture is asked to do.

use std::path::PathBuf;

use crate::{EngineError, PreviewPath, RigSpec, RunToken};

/// What to play, how long to record, and where to.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureRequest {
    /// What is played meanwhile.
    pub play: Play,
    /// When the capture ends by itself.
    pub length: Length,
    /// The WAV file that every sample goes to; it must not exist. Without one nothing is
    /// kept: that is for watching the input meters only.
    pub record_to: Option<PathBuf>,
    /// The run that the capture belongs to: it ends when that is stopped.
    pub run: Option<RunToken>,
}

/// What is played: one row of samples per output of the rig, in its order, at its rate. Missing
/// rows and the ends of short ones are silence.
///
/// The first and the last 10 ms are always faded, so a signal that must stay as it is
/// begins and ends with silence.
#[derive(Debug, Clone, PartialEq)]
pub enum Play {
    /// Nothing: the source plays by itself.
    Nothing,
    /// Once, from beginning to end.
    Once(Vec<Vec<f32>>),
    /// Again and again without a seam until the capture ends.
    Endless(Vec<Vec<f32>>),
}

/// When a capture ends, unless it is stopped before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Length {
    /// This long after the last sample was played.
    Playback {
        /// How much longer to record: the room's decay.
        tail_s: f64,
    },
    /// After so many seconds of recording.
    Seconds(f64),
    /// Only when it is stopped.
    UntilStopped,
}

impl CaptureRequest {
    /// Plays once and records it with half a second of decay.
    #[must_use]
    pub fn play_once(rows: Vec<Vec<f32>>, record_to: impl Into<PathBuf>) -> Self {
        Self {
            play: Play::Once(rows),
            length: Length::Playback { tail_s: 0.5 },
            record_to: Some(record_to.into()),
            run: None,
        }
    }

    /// Records until stopped and plays nothing.
    #[must_use]
    pub fn record(record_to: impl Into<PathBuf>) -> Self {
        Self { record_to: Some(record_to.into()), ..Self::watch() }
    }

    /// Watches the inputs and keeps nothing.
    #[must_use]
    pub fn watch() -> Self {
        Self { play: Play::Nothing, length: Length::UntilStopped, record_to: None, run: None }
    }

    /// Refuses what cannot be done with this rig.
    pub(crate) fn check(&self, spec: &RigSpec, path: Option<&PreviewPath>) -> Result<(), EngineError> {
        if let Some(path) = path
            && (path.channels() != spec.outputs.len()
                || (path.sample_rate_hz() - f64::from(spec.sample_rate_hz)).abs() > 1e-3)
        {
            return Err(EngineError::request(format!(
                "the virtual processor has {} channels at {} Hz, but the rig `{}` has {} outputs at {} Hz",
                path.channels(),
                path.sample_rate_hz(),
                spec.name,
                spec.outputs.len(),
                spec.sample_rate_hz
            )));
        }
        let rows = self.play.rows();
        if rows.len() > spec.outputs.len() {
            return Err(EngineError::request(format!(
                "{} channels are to be played, but the rig `{}` has {} outputs; add [[output]] entries to its file",
                rows.len(),
                spec.name,
                spec.outputs.len()
            )));
        }
        if self.play != Play::Nothing && rows.iter().all(Vec::is_empty) {
            return Err(EngineError::request("there is nothing to play: every channel is empty"));
        }
        if rows.iter().flatten().any(|sample| !sample.is_finite()) {
            return Err(EngineError::request("the signal to play holds a sample that is not a number"));
        }
        match (&self.play, self.length) {
            (Play::Once(_), Length::Playback { tail_s }) if (0.0..=3_600.0).contains(&tail_s) => Ok(()),
            (_, Length::Playback { tail_s }) => Err(EngineError::request(format!(
                "a capture that ends {tail_s} s after its playback needs a signal that is played once and a tail of 0 to 3600 s"
            ))),
            (_, Length::Seconds(seconds)) if !(seconds > 0.0 && seconds <= 86_400.0) => {
                Err(EngineError::request(format!("a capture of {seconds} s; expected up to a day")))
            }
            _ => Ok(()),
        }
    }
}

impl Play {
    /// The samples, a row per output.
    #[must_use]
    pub fn rows(&self) -> &[Vec<f32>] {
        match self {
            Self::Nothing => &[],
            Self::Once(rows) | Self::Endless(rows) => rows,
        }
    }

    /// The highest sample of one row.
    pub(crate) fn peak(&self, row: usize) -> f32 {
        self.rows().get(row).map_or(0.0, |row| row.iter().fold(0.0, |peak: f32, x| peak.max(x.abs())))
    }
}
