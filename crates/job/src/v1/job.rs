//! `job.json`.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Number, VersionOne};
use crate::json::Document;
use crate::{
    Amplifier, AuditLine, Band, BandType, CaptureId, ChannelSetting, Crossover, Driver, Head, Intake,
    JobData, LeftAlone, NameOrText, Outcome, Source, SourceOutput, SourceUnit, Stage, StageResult,
    StageState,
};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct JobV1 {
    format: String,
    version: VersionOne,
    name: String,
    created: Timestamp,
    #[serde(default)]
    intake: IntakeV1,
    #[serde(default)]
    notes: String,
    #[serde(default)]
    stages: BTreeMap<StageV1, StageResultV1>,
    #[serde(default)]
    source: SourceV1,
    #[serde(default)]
    target: Option<NameOrTextV1>,
    #[serde(default)]
    processor: Option<NameOrTextV1>,
    #[serde(default)]
    bands: Vec<BandV1>,
    #[serde(default)]
    channels: Vec<ChannelV1>,
    #[serde(default)]
    left_alone: Vec<LeftAloneV1>,
    #[serde(default)]
    outcome: Option<OutcomeV1>,
    #[serde(default)]
    audit: Vec<AuditLineV1>,
    #[serde(default)]
    order: Vec<u32>,
}

impl Document for JobV1 {
    const FORMAT: &'static str = "headrest-job";
    const VERSION: u64 = 1;
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct IntakeV1 {
    vehicle: String,
    customer: String,
    source: SourceUnitV1,
    processor: String,
    amplifiers: Vec<AmplifierV1>,
    drivers: Vec<DriverV1>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct SourceUnitV1 {
    name: String,
    tap: String,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct AmplifierV1 {
    name: String,
    power_w: Option<Number>,
    load_ohm: Option<Number>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct DriverV1 {
    name: String,
    role: String,
    channel: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum StageV1 {
    Intake,
    Source,
    Gain,
    Drivers,
    Timing,
    Tune,
    Handover,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StageResultV1 {
    state: StageStateV1,
    result: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum StageStateV1 {
    Measured,
    NeedsAnotherLook,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct SourceV1 {
    clean_step: Option<u32>,
    limited_by: String,
    outputs: Vec<SourceOutputV1>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SourceOutputV1 {
    name: String,
    #[serde(default)]
    clean_step: Option<u32>,
    #[serde(default)]
    level_v: Option<Number>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum NameOrTextV1 {
    Name(String),
    Text(String),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum BandTypeV1 {
    Peak,
    LowShelf,
    HighShelf,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct BandV1 {
    #[serde(default)]
    channel: String,
    #[serde(rename = "type")]
    kind: BandTypeV1,
    frequency_hz: Number,
    gain_db: Number,
    q: Number,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    entered_q: Option<Number>,
    #[serde(default = "yes")]
    enabled: bool,
    #[serde(default)]
    locked: bool,
    #[serde(default)]
    reason: String,
}

fn yes() -> bool {
    true
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ChannelV1 {
    channel: String,
    delay_s: Number,
    gain_db: Number,
    inverted: bool,
    #[serde(default)]
    high_pass: Option<CrossoverV1>,
    #[serde(default)]
    low_pass: Option<CrossoverV1>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct CrossoverV1 {
    family: String,
    order: u32,
    frequency_hz: Number,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LeftAloneV1 {
    frequency_hz: Number,
    why: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct OutcomeV1 {
    before_rms_db: Number,
    #[serde(default)]
    after_rms_db: Option<Number>,
    before_max_db: Number,
    #[serde(default)]
    after_max_db: Option<Number>,
    from_hz: Number,
    to_hz: Number,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct AuditLineV1 {
    index: u32,
    verdict: String,
    text: String,
}

impl From<&JobData> for JobV1 {
    fn from(data: &JobData) -> Self {
        Self {
            format: Self::FORMAT.to_owned(),
            version: VersionOne,
            name: data.head.name.clone(),
            created: data.head.created,
            intake: (&data.intake).into(),
            notes: data.notes.clone(),
            stages: data.stages.iter().map(|(&stage, result)| (stage.into(), result.into())).collect(),
            source: (&data.source).into(),
            target: data.target.as_ref().map(Into::into),
            processor: data.processor.as_ref().map(Into::into),
            bands: data.bands.iter().map(Into::into).collect(),
            channels: data.channels.iter().map(Into::into).collect(),
            left_alone: data
                .left_alone
                .iter()
                .map(|place| LeftAloneV1 { frequency_hz: place.frequency_hz.into(), why: place.why.clone() })
                .collect(),
            outcome: data.outcome.as_ref().map(Into::into),
            audit: data
                .audit
                .iter()
                .map(|line| AuditLineV1 {
                    index: line.index,
                    verdict: line.verdict.clone(),
                    text: line.text.clone(),
                })
                .collect(),
            order: data.order.iter().map(|id| id.0).collect(),
        }
    }
}

impl From<JobV1> for JobData {
    fn from(file: JobV1) -> Self {
        Self {
            head: Head { name: file.name, created: file.created },
            intake: file.intake.into(),
            notes: file.notes,
            stages: file.stages.into_iter().map(|(stage, result)| (stage.into(), result.into())).collect(),
            source: file.source.into(),
            target: file.target.map(Into::into),
            processor: file.processor.map(Into::into),
            bands: file.bands.into_iter().map(Into::into).collect(),
            channels: file.channels.into_iter().map(Into::into).collect(),
            left_alone: file
                .left_alone
                .into_iter()
                .map(|place| LeftAlone { frequency_hz: place.frequency_hz.into(), why: place.why })
                .collect(),
            outcome: file.outcome.map(Into::into),
            audit: file
                .audit
                .into_iter()
                .map(|line| AuditLine { index: line.index, verdict: line.verdict, text: line.text })
                .collect(),
            order: file.order.into_iter().map(CaptureId).collect(),
        }
    }
}

impl From<&Intake> for IntakeV1 {
    fn from(intake: &Intake) -> Self {
        Self {
            vehicle: intake.vehicle.clone(),
            customer: intake.customer.clone(),
            source: SourceUnitV1 { name: intake.source.name.clone(), tap: intake.source.tap.clone() },
            processor: intake.processor.clone(),
            amplifiers: intake
                .amplifiers
                .iter()
                .map(|amplifier| AmplifierV1 {
                    name: amplifier.name.clone(),
                    power_w: amplifier.power_w.map(Number),
                    load_ohm: amplifier.load_ohm.map(Number),
                })
                .collect(),
            drivers: intake
                .drivers
                .iter()
                .map(|driver| DriverV1 {
                    name: driver.name.clone(),
                    role: driver.role.clone(),
                    channel: driver.channel.clone(),
                })
                .collect(),
        }
    }
}

impl From<IntakeV1> for Intake {
    fn from(file: IntakeV1) -> Self {
        Self {
            vehicle: file.vehicle,
            customer: file.customer,
            source: SourceUnit { name: file.source.name, tap: file.source.tap },
            processor: file.processor,
            amplifiers: file
                .amplifiers
                .into_iter()
                .map(|amplifier| Amplifier {
                    name: amplifier.name,
                    power_w: amplifier.power_w.map(f64::from),
                    load_ohm: amplifier.load_ohm.map(f64::from),
                })
                .collect(),
            drivers: file
                .drivers
                .into_iter()
                .map(|driver| Driver { name: driver.name, role: driver.role, channel: driver.channel })
                .collect(),
        }
    }
}

impl From<Stage> for StageV1 {
    fn from(stage: Stage) -> Self {
        match stage {
            Stage::Intake => Self::Intake,
            Stage::Source => Self::Source,
            Stage::Gain => Self::Gain,
            Stage::Drivers => Self::Drivers,
            Stage::Timing => Self::Timing,
            Stage::Tune => Self::Tune,
            Stage::Handover => Self::Handover,
        }
    }
}

impl From<StageV1> for Stage {
    fn from(stage: StageV1) -> Self {
        match stage {
            StageV1::Intake => Self::Intake,
            StageV1::Source => Self::Source,
            StageV1::Gain => Self::Gain,
            StageV1::Drivers => Self::Drivers,
            StageV1::Timing => Self::Timing,
            StageV1::Tune => Self::Tune,
            StageV1::Handover => Self::Handover,
        }
    }
}

impl From<&StageResult> for StageResultV1 {
    fn from(result: &StageResult) -> Self {
        let state = match result.state {
            StageState::Measured => StageStateV1::Measured,
            StageState::NeedsAnotherLook => StageStateV1::NeedsAnotherLook,
        };
        Self { state, result: result.line.clone() }
    }
}

impl From<StageResultV1> for StageResult {
    fn from(file: StageResultV1) -> Self {
        let state = match file.state {
            StageStateV1::Measured => StageState::Measured,
            StageStateV1::NeedsAnotherLook => StageState::NeedsAnotherLook,
        };
        Self { state, line: file.result }
    }
}

impl From<&Source> for SourceV1 {
    fn from(source: &Source) -> Self {
        Self {
            clean_step: source.clean_step,
            limited_by: source.limited_by.clone(),
            outputs: source
                .outputs
                .iter()
                .map(|output| SourceOutputV1 {
                    name: output.name.clone(),
                    clean_step: output.clean_step,
                    level_v: output.volts_rms.map(Number),
                })
                .collect(),
        }
    }
}

impl From<SourceV1> for Source {
    fn from(file: SourceV1) -> Self {
        Self {
            clean_step: file.clean_step,
            limited_by: file.limited_by,
            outputs: file
                .outputs
                .into_iter()
                .map(|output| SourceOutput {
                    name: output.name,
                    clean_step: output.clean_step,
                    volts_rms: output.level_v.map(f64::from),
                })
                .collect(),
        }
    }
}

impl From<&NameOrText> for NameOrTextV1 {
    fn from(value: &NameOrText) -> Self {
        match value {
            NameOrText::Name(name) => Self::Name(name.clone()),
            NameOrText::Text(text) => Self::Text(text.clone()),
        }
    }
}

impl From<NameOrTextV1> for NameOrText {
    fn from(file: NameOrTextV1) -> Self {
        match file {
            NameOrTextV1::Name(name) => Self::Name(name),
            NameOrTextV1::Text(text) => Self::Text(text),
        }
    }
}

impl From<&Band> for BandV1 {
    fn from(band: &Band) -> Self {
        let kind = match band.kind {
            BandType::Peak => BandTypeV1::Peak,
            BandType::LowShelf => BandTypeV1::LowShelf,
            BandType::HighShelf => BandTypeV1::HighShelf,
        };
        Self {
            channel: band.channel.clone(),
            kind,
            frequency_hz: band.frequency_hz.into(),
            gain_db: band.gain_db.into(),
            q: band.q.into(),
            entered_q: band.entered_q.map(Number),
            enabled: band.enabled,
            locked: band.locked,
            reason: band.reason.clone(),
        }
    }
}

impl From<BandV1> for Band {
    fn from(file: BandV1) -> Self {
        let kind = match file.kind {
            BandTypeV1::Peak => BandType::Peak,
            BandTypeV1::LowShelf => BandType::LowShelf,
            BandTypeV1::HighShelf => BandType::HighShelf,
        };
        Self {
            channel: file.channel,
            kind,
            frequency_hz: file.frequency_hz.into(),
            gain_db: file.gain_db.into(),
            q: file.q.into(),
            entered_q: file.entered_q.map(f64::from),
            enabled: file.enabled,
            locked: file.locked,
            reason: file.reason,
        }
    }
}

impl From<&ChannelSetting> for ChannelV1 {
    fn from(setting: &ChannelSetting) -> Self {
        Self {
            channel: setting.channel.clone(),
            delay_s: setting.delay_s.into(),
            gain_db: setting.gain_db.into(),
            inverted: setting.inverted,
            high_pass: setting.high_pass.as_ref().map(Into::into),
            low_pass: setting.low_pass.as_ref().map(Into::into),
        }
    }
}

impl From<ChannelV1> for ChannelSetting {
    fn from(file: ChannelV1) -> Self {
        Self {
            channel: file.channel,
            delay_s: file.delay_s.into(),
            gain_db: file.gain_db.into(),
            inverted: file.inverted,
            high_pass: file.high_pass.map(Into::into),
            low_pass: file.low_pass.map(Into::into),
        }
    }
}

impl From<&Crossover> for CrossoverV1 {
    fn from(crossover: &Crossover) -> Self {
        Self {
            family: crossover.family.clone(),
            order: crossover.order,
            frequency_hz: crossover.frequency_hz.into(),
        }
    }
}

impl From<CrossoverV1> for Crossover {
    fn from(file: CrossoverV1) -> Self {
        Self { family: file.family, order: file.order, frequency_hz: file.frequency_hz.into() }
    }
}

impl From<&Outcome> for OutcomeV1 {
    fn from(outcome: &Outcome) -> Self {
        Self {
            before_rms_db: outcome.before_rms_db.into(),
            after_rms_db: outcome.after_rms_db.map(Number),
            before_max_db: outcome.before_max_db.into(),
            after_max_db: outcome.after_max_db.map(Number),
            from_hz: outcome.from_hz.into(),
            to_hz: outcome.to_hz.into(),
        }
    }
}

impl From<OutcomeV1> for Outcome {
    fn from(file: OutcomeV1) -> Self {
        Self {
            before_rms_db: file.before_rms_db.into(),
            after_rms_db: file.after_rms_db.map(f64::from),
            before_max_db: file.before_max_db.into(),
            after_max_db: file.after_max_db.map(f64::from),
            from_hz: file.from_hz.into(),
            to_hz: file.to_hz.into(),
        }
    }
}
