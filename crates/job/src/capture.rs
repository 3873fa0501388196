//! A capture: what is known about one raw recording.

use jiff::Timestamp;
use measure::{Calibration, Finding, Parameters, Stimulus};
use serde::{Deserialize, Serialize};

use crate::{CaptureId, ProcessorSetting, Stage};

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

/// What a capture was made under, as far as it was noted.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Conditions {
    /// The source's volume step.
    pub volume_step: Option<u32>,
    /// The engine's speed in turns a minute, 0 while it stands.
    pub engine_rpm: Option<f64>,
    /// The vehicle's speed in kilometres an hour.
    pub vehicle_kmh: Option<f64>,
    /// What the source was set to, such as a sound mode.
    pub source_mode: String,
    /// A word of a person's own.
    pub note: String,
}

impl Conditions {
    /// What a condition is called in files and on the command line.
    pub const NAMES: [&'static str; 5] =
        ["volume-step", "engine-speed", "vehicle-speed", "source-mode", "note"];

    /// What is noted here, and else what is noted there.
    #[must_use]
    pub fn or(self, other: Self) -> Self {
        let word = |own: String, other: String| if own.is_empty() { other } else { own };
        Self {
            volume_step: self.volume_step.or(other.volume_step),
            engine_rpm: self.engine_rpm.or(other.engine_rpm),
            vehicle_kmh: self.vehicle_kmh.or(other.vehicle_kmh),
            source_mode: word(self.source_mode, other.source_mode),
            note: word(self.note, other.note),
        }
    }

    /// What was noted, each under its name, with its unit.
    #[must_use]
    pub fn entries(&self) -> Vec<(&'static str, String)> {
        let Self { volume_step, engine_rpm, vehicle_kmh, source_mode, note } = self;
        let word = |text: &String| (!text.is_empty()).then(|| text.clone());
        let values = [
            volume_step.map(|step| step.to_string()),
            engine_rpm.map(|rpm| format!("{rpm} rpm")),
            vehicle_kmh.map(|kmh| format!("{kmh} km/h")),
            word(source_mode),
            word(note),
        ];
        Self::NAMES.into_iter().zip(values).filter_map(|(name, value)| Some((name, value?))).collect()
    }
}

/// How it is known where a capture belongs: its label, set, position, driver and channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlacedBy {
    /// A person said it.
    Person,
    /// The work order asked for this capture and it was made for it.
    Order,
    /// The name of its track or file says it.
    Name,
    /// A table that came with the recording says it.
    Table,
    /// Nobody said it; it is what the job expects next. To be confirmed.
    Proposal,
}

/// The file that a capture was cut out of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ImportSource {
    /// Its name.
    pub file: String,
    /// The SHA-256 of its bytes, as 64 hexadecimal digits.
    pub sha256: String,
    /// Where the capture begins in it.
    pub from_s: f64,
    /// Where the capture ends in it.
    pub to_s: f64,
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
    /// How it is known where it belongs.
    pub placed_by: Option<PlacedBy>,
    /// The driver that was measured alone; empty where several played.
    pub driver: String,
    /// The processor channel or side that was measured; empty for the whole car.
    pub processor_channel: String,
    /// What was set in the processor meanwhile.
    pub setting: Option<ProcessorSetting>,
    /// What the job held for the processor when the capture was begun, where the rig could not say what was in it:
    /// it is what was set, once the capture is one of the set *after*.
    pub planned: Option<ProcessorSetting>,
    /// What it was made under.
    pub conditions: Conditions,
    /// The name of the rig's input that was measured.
    pub input: String,
    /// Which channel of the recording was measured, from 0.
    pub channel: usize,
    /// Which channel carries the reference, where there is one.
    pub reference_channel: Option<usize>,
    /// When it was begun.
    pub started: Timestamp,
    /// The hash of the plugin's file, for a third party's measurement.
    pub plugin_hash: Option<String>,
    /// The first of the captures that were made by the same sweep, on several inputs at once.
    pub made_with: Option<CaptureId>,
    /// The file that it was cut out of, where it was imported.
    pub imported_from: Option<ImportSource>,
    /// The SHA-256 of `audio.wav`, as 64 hexadecimal digits.
    pub audio_sha256: Option<String>,
    /// The SHA-256 of `reading.json`, as 64 hexadecimal digits.
    pub reading_sha256: Option<String>,
    /// The version of the program that made the reading.
    pub program: String,
    /// Remarks about the recording itself (a gap, a lost device). Remarks about
    /// what was measured are in the reading.
    pub findings: Vec<Finding>,
}

impl CaptureMeta {
    /// Whether it is of what sounds together, and not of a driver alone.
    #[must_use]
    pub fn is_together(&self) -> bool {
        self.driver.is_empty() && self.stage != Stage::Drivers
    }

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
            placed_by: None,
            driver: String::new(),
            processor_channel: String::new(),
            setting: None,
            planned: None,
            conditions: Conditions::default(),
            input: String::new(),
            channel: 0,
            reference_channel: None,
            started,
            plugin_hash: None,
            made_with: None,
            imported_from: None,
            audio_sha256: None,
            reading_sha256: None,
            program: String::new(),
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
