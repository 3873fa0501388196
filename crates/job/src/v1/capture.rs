//! `capture.json`.

use std::collections::BTreeMap;

use jiff::Timestamp;
use measure::{Calibration, CalibrationCurve, ParameterValue, Parameters};
use serde::{Deserialize, Serialize};

use super::job::StageV1;
use super::{FindingV1, Number, StimulusV1, VersionOne, numbers, plain};
use crate::json::Document;
use crate::{CaptureMeta, CaptureState, Set};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct CaptureV1 {
    format: String,
    version: VersionOne,
    state: StateV1,
    label: String,
    #[serde(default)]
    set: Option<String>,
    stage: StageV1,
    measurement: String,
    measurement_version: u32,
    #[serde(default)]
    parameters: BTreeMap<String, ValueV1>,
    #[serde(default)]
    position: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    volume_step: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    engine_rpm: Option<Number>,
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
    #[serde(default)]
    findings: Vec<FindingV1>,
}

impl Document for CaptureV1 {
    const FORMAT: &'static str = "headrest-capture";
    const VERSION: u64 = 1;
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

impl CaptureV1 {
    /// The form on disk.
    pub(crate) fn new(meta: &CaptureMeta, state: CaptureState) -> Self {
        let state = match state {
            CaptureState::Recording => StateV1::Recording,
            CaptureState::Done => StateV1::Done,
            CaptureState::Interrupted => StateV1::Interrupted,
        };
        Self {
            format: Self::FORMAT.to_owned(),
            version: VersionOne,
            state,
            label: meta.label.clone(),
            set: meta.set.as_ref().map(|set| set.word().to_owned()),
            stage: meta.stage.into(),
            measurement: meta.measurement.clone(),
            measurement_version: meta.measurement_version,
            parameters: meta.parameters.iter().map(|(name, value)| (name.to_owned(), value.into())).collect(),
            position: meta.position.clone(),
            volume_step: meta.volume_step,
            engine_rpm: meta.engine_rpm.map(Into::into),
            channel: meta.channel,
            reference_channel: meta.reference_channel,
            started: meta.started,
            rig: meta.rig.clone(),
            calibration: (&meta.calibration).into(),
            stimulus: meta.stimulus.as_ref().map(Into::into),
            plugin_hash: meta.plugin_hash.clone(),
            findings: meta.findings.iter().map(Into::into).collect(),
        }
    }

    /// What the program works with.
    pub(crate) fn into_parts(self) -> (CaptureMeta, CaptureState) {
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
            stage: self.stage.into(),
            measurement: self.measurement,
            measurement_version: self.measurement_version,
            parameters,
            stimulus: self.stimulus.map(Into::into),
            rig: self.rig,
            calibration: self.calibration.into(),
            position: self.position,
            volume_step: self.volume_step,
            engine_rpm: self.engine_rpm.map(Into::into),
            channel: self.channel,
            reference_channel: self.reference_channel,
            started: self.started,
            plugin_hash: self.plugin_hash,
            findings: self.findings.into_iter().map(Into::into).collect(),
        };
        (meta, state)
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
