//! `job.json`.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::Version;
use crate::json::Document;
use crate::{
    AuditRecord, CaptureId, ChannelFitRecord, ChannelSetting, Choices, Deviation, EnteredBand, FitRecord,
    Head, Intake, JobData, LeftAlone, Outcome, PresetOrInline, ProcessorSetting, Source, Stage, StageResult,
    TimingRecord, TuneRecord,
};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct JobFile {
    format: String,
    version: Version<2>,
    name: String,
    created: Timestamp,
    #[serde(default)]
    intake: Intake,
    #[serde(default)]
    notes: String,
    #[serde(default)]
    stages: BTreeMap<Stage, StageResult>,
    #[serde(default)]
    source: Source,
    #[serde(default)]
    target: Option<PresetOrInline>,
    #[serde(default)]
    processor: Option<PresetOrInline>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    preset: Option<ProcessorSetting>,
    #[serde(default)]
    bands: Vec<EnteredBand>,
    #[serde(default)]
    channels: Vec<ChannelSetting>,
    #[serde(default, skip_serializing_if = "is_usual")]
    choices: Choices,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fit: Option<FitRecord>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    timing: Option<TimingRecord>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    tune: Option<TuneRecord>,
    /// Version 1 kept nothing else of a fit.
    #[serde(default, skip_serializing)]
    left_alone: Vec<LeftAlone>,
    #[serde(default)]
    outcome: Option<Outcome>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    audit: Option<AuditRecord>,
    #[serde(default)]
    order: Vec<CaptureId>,
}

impl Document for JobFile {
    const FORMAT: &'static str = "headrest-job";
    const VERSION: u64 = 2;
    const IS_CHECKED: bool = true;
}

fn is_usual(choices: &Choices) -> bool {
    *choices == Choices::default()
}

impl From<JobData> for JobFile {
    fn from(data: JobData) -> Self {
        let JobData {
            head: Head { name, created },
            intake,
            notes,
            stages,
            source,
            target,
            processor,
            preset,
            bands,
            channels,
            choices,
            fit,
            timing,
            tune,
            outcome,
            audit,
            order,
        } = data;
        Self {
            format: Self::FORMAT.to_owned(),
            version: Version::NEWEST,
            name,
            created,
            intake,
            notes,
            stages,
            source,
            target,
            processor,
            preset,
            bands,
            channels,
            choices,
            fit,
            timing,
            tune,
            left_alone: Vec::new(),
            outcome,
            audit,
            order,
        }
    }
}

impl From<JobFile> for JobData {
    fn from(file: JobFile) -> Self {
        let JobFile { outcome, left_alone, .. } = &file;
        let of_version_1 = || {
            let deviation = |outcome: &Outcome| Deviation {
                rms_db: outcome.before_rms_db,
                max_db: outcome.before_max_db,
            };
            let channel = ChannelFitRecord {
                before: outcome.as_ref().map(deviation),
                left_alone: left_alone.clone(),
                ..ChannelFitRecord::default()
            };
            FitRecord { channels: vec![channel], ..FitRecord::default() }
        };
        let fit = file.fit.clone().or_else(|| (!left_alone.is_empty()).then(of_version_1));
        // Version 1 had an empty list where nothing was audited.
        let nothing = |audit: &AuditRecord| file.version.number() == 1 && audit.bands.is_empty();
        let audit = file.audit.filter(|audit| !nothing(audit));
        Self {
            head: Head { name: file.name, created: file.created },
            intake: file.intake,
            notes: file.notes,
            stages: file.stages,
            source: file.source,
            target: file.target,
            processor: file.processor,
            preset: file.preset,
            bands: file.bands,
            channels: file.channels,
            choices: file.choices,
            fit,
            timing: file.timing,
            tune: file.tune,
            outcome: file.outcome,
            audit,
            order: file.order,
        }
    }
}
