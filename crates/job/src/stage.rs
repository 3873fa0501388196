//! The seven lines of the work order, and how far each one is.

use serde::{Deserialize, Serialize};

/// One line of the work order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Stage {
    /// Note the vehicle, the source, the processor, the drivers.
    Intake,
    /// Find out what the source puts out.
    Source,
    /// Set every gain stage.
    Gain,
    /// Measure each driver alone.
    Drivers,
    /// Delays, polarity and crossovers.
    Timing,
    /// Average, target, bands, before and after.
    Tune,
    /// Check what was typed, print the sheet.
    Handover,
}

impl Stage {
    /// The stages in the order of the work.
    pub const ALL: [Self; 7] =
        [Self::Intake, Self::Source, Self::Gain, Self::Drivers, Self::Timing, Self::Tune, Self::Handover];

    /// Its name in files and on the command line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Intake => "intake",
            Self::Source => "source",
            Self::Gain => "gain",
            Self::Drivers => "drivers",
            Self::Timing => "timing",
            Self::Tune => "tune",
            Self::Handover => "handover",
        }
    }
}

/// How far a stage is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StageState {
    /// It has its result.
    Measured,
    /// Something in it is doubtful.
    NeedsAnotherLook,
}

/// What came out of a stage; a stage without one has not begun.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StageResult {
    /// How far it is.
    pub state: StageState,
    /// The result in one line, such as `clean to step 34 · 4.1 V`.
    #[serde(rename = "result")]
    pub line: String,
}
