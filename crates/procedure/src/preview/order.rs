//! What is to be heard, and how.

use std::path::PathBuf;

use library::{Error, Result};

use super::Program;

/// What is to be heard, and how.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PreviewOrder {
    /// A recording; pink noise without one.
    pub recording: Option<PathBuf>,
    /// Whether it begins without the bands.
    pub without: bool,
    /// How long it lasts, where that is not left to the person or the recording.
    pub seconds: Option<f64>,
    /// After how long it changes by itself.
    pub every_s: Option<f64>,
    /// The highest sample without the bands.
    pub level_dbfs: Option<f64>,
    /// Whether what the microphone hears is told as a curve that follows, while it goes on.
    pub curves: bool,
}

/// How loud it is when nobody says so, in dBFS peak.
const USUAL_DBFS: f64 = -20.0;
/// The shortest time between two changes: what is shorter cannot be judged, nor its level measured.
const SHORTEST_EVERY_S: f64 = 2.0;
/// The longest that anything lasts.
const LONGEST_S: f64 = 86_400.0;
/// The lowest level that makes sense.
const LOWEST_DBFS: f64 = -80.0;

impl PreviewOrder {
    /// What is played.
    pub(super) fn program(&self) -> Program {
        match &self.recording {
            Some(path) => Program::Recording(path.clone()),
            None => Program::Pink { every_s: self.every_s },
        }
    }

    /// Refuses times and levels that cannot be.
    pub(super) fn check(&self, loudest_dbfs: f64) -> Result<()> {
        let within = |option: &str, value: Option<f64>, least: f64, most: f64, unit: &str| match value {
            Some(value) if !(least..=most).contains(&value) => {
                Err(Error::input(format!("{option} {value}: expected {least} to {most} {unit}")))
            }
            _ => Ok(()),
        };
        within("--seconds", self.seconds, 0.5, LONGEST_S, "seconds")?;
        within("--every", self.every_s, SHORTEST_EVERY_S, LONGEST_S, "seconds")?;
        within("--level", self.level_dbfs, LOWEST_DBFS, loudest_dbfs, "dBFS")
    }

    /// The highest sample without the bands, through a rig.
    #[must_use]
    pub fn peak_dbfs(&self) -> f64 {
        self.level_dbfs.unwrap_or(USUAL_DBFS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_and_levels_that_cannot_be_are_refused() {
        let unfit = |order: PreviewOrder| order.check(-12.0).expect_err("refused").to_string();
        let order = PreviewOrder::default();
        assert!(unfit(PreviewOrder { level_dbfs: Some(-3.0), ..order.clone() }).contains("-80 to -12 dBFS"));
        assert!(unfit(PreviewOrder { every_s: Some(0.5), ..order.clone() }).contains("--every 0.5"));
        assert!(unfit(PreviewOrder { seconds: Some(f64::NAN), ..order.clone() }).contains("--seconds NaN"));
        assert_eq!(order.check(-12.0), Ok(()));
    }
}
