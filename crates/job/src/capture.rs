//! A capture: what is known about one raw recording.

use std::fmt;

use jiff::Timestamp;
use measure::{Calibration, Finding, Parameters, Stimulus};

use crate::Stage;

/// The number of a capture within its job, as in `captures/0007`. A number is
/// never given twice, not even after its capture was discarded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CaptureId(pub u32);

impl fmt::Display for CaptureId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}", self.0)
    }
}

/// Which side of a comparison a capture is on.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Set {
    /// It shows the state before the change.
    Before,
    /// It shows the state after the change.
    After,
    /// It belongs to a set that a person named.
    Named(String),
}

impl Set {
    /// The set of this name; `before` and `after` are the two that are
    /// compared. Surrounding blanks are ignored, and a blank name is no set.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        match word.trim() {
            "" => None,
            "before" => Some(Self::Before),
            "after" => Some(Self::After),
            name => Some(Self::Named(name.to_owned())),
        }
    }

    /// Its name in files and on the command line.
    #[must_use]
    pub fn word(&self) -> &str {
        match self {
            Self::Before => "before",
            Self::After => "after",
            Self::Named(name) => name,
        }
    }
}

/// Everything that is needed to compute a capture's reading again, and what a
/// person said about it.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureMeta {
    /// What a person calls it.
    pub label: String,
    /// Which side of a comparison it is on.
    pub set: Option<Set>,
    /// The stage it was made for.
    pub stage: Stage,
    /// The measurement's id; empty when it is not known (a recovered recording).
    pub measurement: String,
    /// The measurement's version.
    pub measurement_version: u32,
    /// The parameters it ran with.
    pub parameters: Parameters,
    /// What was played meanwhile, where it is known.
    pub stimulus: Option<Stimulus>,
    /// The rig in words: devices, rates, what was wired to what.
    pub rig: String,
    /// What the numbers of the measured channel mean.
    pub calibration: Calibration,
    /// Where the microphone was, or which output was tapped.
    pub position: String,
    /// The source's volume step, where it was noted.
    pub volume_step: Option<u32>,
    /// The engine's speed in turns a minute, 0 while it stands, where it was noted.
    pub engine_rpm: Option<f64>,
    /// Which channel of the recording was measured, from 0.
    pub channel: usize,
    /// Which channel carries the reference, where there is one.
    pub reference_channel: Option<usize>,
    /// When it was begun.
    pub started: Timestamp,
    /// The hash of the plugin's file, for a third party's measurement.
    pub plugin_hash: Option<String>,
    /// Remarks about the recording itself (a gap, a lost device). Remarks about
    /// what was measured are in the reading.
    pub findings: Vec<Finding>,
}

impl CaptureMeta {
    /// A capture of this measurement with everything else unset.
    #[must_use]
    pub fn new(measurement: &str, measurement_version: u32, stage: Stage, started: Timestamp) -> Self {
        Self {
            label: String::new(),
            set: None,
            stage,
            measurement: measurement.to_owned(),
            measurement_version,
            parameters: Parameters::default(),
            stimulus: None,
            rig: String::new(),
            calibration: Calibration::default(),
            position: String::new(),
            volume_step: None,
            engine_rpm: None,
            channel: 0,
            reference_channel: None,
            started,
            plugin_hash: None,
            findings: Vec::new(),
        }
    }
}

/// How far a capture came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CaptureState {
    /// It is being recorded, or the program ended before it could say that it
    /// was not.
    Recording,
    /// It was recorded to its end.
    Done,
    /// It ended early: stopped by hand, a lost device, a power cut.
    Interrupted,
}

/// A capture in a job.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// Its number.
    pub id: CaptureId,
    /// How far it came.
    pub state: CaptureState,
    /// What is known about it.
    pub meta: CaptureMeta,
}
