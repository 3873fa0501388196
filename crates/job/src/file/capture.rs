//! `capture.json`.

use std::collections::BTreeMap;

use jiff::Timestamp;
use measure::{Calibration, CalibrationCurve, Finding, ParameterValue, Parameters};
use serde::{Deserialize, Serialize};

use super::{FindingV1, Number, StimulusV1, Version, numbers, plain};
use crate::json::Document;
use crate::{
    CaptureId, CaptureMeta, CaptureState, Conditions, ImportSource, PlacedBy, ProcessorSetting, Set, Stage,
};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CaptureFile {
    format: String,
    version: Version<2>,
    /// Its number, by which a folder is known that was exchanged with another one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    capture: Option<CaptureId>,
    state: StateV1,
    label: String,
    #[serde(default)]
    set: Option<String>,
    stage: Stage,
    measurement: String,
    measurement_version: u32,
    #[serde(default)]
    parameters: BTreeMap<String, ValueV1>,
    #[serde(default)]
    position: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    placed_by: Option<PlacedBy>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    driver: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    processor_channel: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    setting: Option<ProcessorSetting>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    planned: Option<ProcessorSetting>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    volume_step: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    engine_rpm: Option<Number>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    vehicle_kmh: Option<Number>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    source_mode: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    condition: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    input: String,
    #[serde(default)]
    channel: usize,
    #[serde(default)]
    reference_channel: Option<usize>,
    started: Timestamp,
    #[serde(default)]
    rig: String,
    #[serde(default)]
    calibration: CalibrationV1,
    #[serde(default)]
    stimulus: Option<StimulusV1>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    plugin_hash: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    made_with: Option<CaptureId>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    imported_from: Option<ImportSource>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    audio_sha256: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    reading_sha256: Option<String>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    program: String,
    #[serde(default)]
    findings: Vec<FindingV1>,
}

impl Document for CaptureFile {
    const FORMAT: &'static str = "headrest-capture";
    const VERSION: u64 = 2;
    const IS_CHECKED: bool = true;
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum StateV1 {
    Recording,
    Done,
    Interrupted,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
enum ValueV1 {
    Number(Number),
    Text(String),
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct CalibrationV1 {
    dbfs_at_94: Option<Number>,
    volts_per_fs: Option<Number>,
    microphone: Option<MicrophoneV1>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct MicrophoneV1 {
    frequency_hz: Vec<Number>,
    magnitude_db: Vec<Number>,
    #[serde(default)]
    phase_deg: Vec<Number>,
}

impl CaptureFile {
    /// The form on disk.
    pub(crate) fn new(id: CaptureId, meta: &CaptureMeta, state: CaptureState) -> Self {
        let state = match state {
            CaptureState::Recording => StateV1::Recording,
            CaptureState::Done => StateV1::Done,
            CaptureState::Interrupted => StateV1::Interrupted,
        };
        Self {
            format: Self::FORMAT.to_owned(),
            version: Version::NEWEST,
            capture: Some(id),
            state,
            label: meta.label.clone(),
            set: meta.set.as_ref().map(|set| set.word().to_owned()),
            stage: meta.stage,
            measurement: meta.measurement.clone(),
            measurement_version: meta.measurement_version,
            parameters: meta.parameters.iter().map(|(name, value)| (name.to_owned(), value.into())).collect(),
            position: meta.position.clone(),
            placed_by: meta.placed_by,
            driver: meta.driver.clone(),
            processor_channel: meta.processor_channel.clone(),
            setting: meta.setting.clone(),
            planned: meta.planned.clone(),
            volume_step: meta.conditions.volume_step,
            engine_rpm: meta.conditions.engine_rpm.map(Into::into),
            vehicle_kmh: meta.conditions.vehicle_kmh.map(Into::into),
            source_mode: meta.conditions.source_mode.clone(),
            condition: meta.conditions.note.clone(),
            input: meta.input.clone(),
            channel: meta.channel,
            reference_channel: meta.reference_channel,
            started: meta.started,
            rig: meta.rig.clone(),
            calibration: (&meta.calibration).into(),
            stimulus: meta.stimulus.as_ref().map(Into::into),
            plugin_hash: meta.plugin_hash.clone(),
            made_with: meta.made_with,
            imported_from: meta.imported_from.clone(),
            audio_sha256: meta.audio_sha256.clone(),
            reading_sha256: meta.reading_sha256.clone(),
            program: meta.program.clone(),
            findings: meta.findings.iter().map(Into::into).collect(),
        }
    }

    /// What is to be said where it lies in the folder of another capture than its own.
    pub(crate) fn misplaced(&self, folder: CaptureId) -> Option<Finding> {
        let own = self.capture.filter(|own| *own != folder)?;
        Some(Finding::caution(
            "capture-exchanged",
            format!(
                "The folder {folder} holds capture {own}: folders were exchanged or renamed. Give each its own number \
                 again, or rename it in Headrest to leave it where it is."
            ),
        ))
    }

    /// What the program works with.
    pub(crate) fn into_parts(mut self) -> (CaptureMeta, CaptureState) {
        if self.version.number() == 1 {
            self.split_position();
        }
        let state = match self.state {
            StateV1::Recording => CaptureState::Recording,
            StateV1::Done => CaptureState::Done,
            StateV1::Interrupted => CaptureState::Interrupted,
        };
        let mut parameters = Parameters::default();
        for (name, value) in self.parameters {
            parameters.set(&name, value.into());
        }
        let meta = CaptureMeta {
            label: self.label,
            set: self.set.as_deref().and_then(Set::from_word),
            stage: self.stage,
            measurement: self.measurement,
            measurement_version: self.measurement_version,
            parameters,
            stimulus: self.stimulus.map(Into::into),
            rig: self.rig,
            calibration: self.calibration.into(),
            position: self.position,
            placed_by: self.placed_by,
            driver: self.driver,
            processor_channel: self.processor_channel,
            setting: self.setting,
            planned: self.planned,
            conditions: Conditions {
                volume_step: self.volume_step,
                engine_rpm: self.engine_rpm.map(Into::into),
                vehicle_kmh: self.vehicle_kmh.map(Into::into),
                source_mode: self.source_mode,
                note: self.condition,
            },
            input: self.input,
            channel: self.channel,
            reference_channel: self.reference_channel,
            started: self.started,
            plugin_hash: self.plugin_hash,
            made_with: self.made_with,
            imported_from: self.imported_from,
            audio_sha256: self.audio_sha256,
            reading_sha256: self.reading_sha256,
            program: self.program,
            findings: self.findings.into_iter().map(Into::into).collect(),
        };
        (meta, state)
    }

    /// Version 1 had the side that was measured in front of the place: `left: driver`.
    fn split_position(&mut self) {
        if let Some((side, place)) = self.position.split_once(": ")
            && ["left", "right"].contains(&side)
        {
            (self.processor_channel, self.position) = (side.to_owned(), place.to_owned());
        }
    }
}

impl From<&ParameterValue> for ValueV1 {
    fn from(value: &ParameterValue) -> Self {
        match value {
            ParameterValue::Number(number) => Self::Number((*number).into()),
            ParameterValue::Text(text) => Self::Text(text.clone()),
        }
    }
}

impl From<ValueV1> for ParameterValue {
    fn from(file: ValueV1) -> Self {
        match file {
            ValueV1::Number(number) => Self::Number(number.into()),
            ValueV1::Text(text) => Self::Text(text),
        }
    }
}

impl From<&Calibration> for CalibrationV1 {
    fn from(calibration: &Calibration) -> Self {
        Self {
            dbfs_at_94: calibration.dbfs_at_94.map(Number),
            volts_per_fs: calibration.volts_per_fs.map(Number),
            microphone: calibration.microphone.as_ref().map(|curve| MicrophoneV1 {
                frequency_hz: numbers(&curve.frequency_hz),
                magnitude_db: numbers(&curve.magnitude_db),
                phase_deg: numbers(&curve.phase_deg),
            }),
        }
    }
}

impl From<CalibrationV1> for Calibration {
    fn from(file: CalibrationV1) -> Self {
        Self {
            dbfs_at_94: file.dbfs_at_94.map(f64::from),
            volts_per_fs: file.volts_per_fs.map(f64::from),
            microphone: file.microphone.map(|curve| CalibrationCurve {
                frequency_hz: plain(curve.frequency_hz),
                magnitude_db: plain(curve.magnitude_db),
                phase_deg: plain(curve.phase_deg),
            }),
        }
    }
}
