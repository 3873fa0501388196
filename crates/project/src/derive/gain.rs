//! How the gains of the chain are set, as the job keeps it.

use job::{Basis, GainRecord, GainStageRecord, Stage, StageResult, StageState};
use tuning::{GainInput, GainPlan};

use crate::Change;

/// What the job is told of a gain plan.
#[must_use]
pub fn gain_changes(input: &GainInput, plan: &GainPlan, basis: Basis) -> Vec<Change> {
    let stage = |stage: &tuning::GainStage| GainStageRecord {
        stage: stage.stage.clone(),
        level_v: stage.level_v,
        clips_at_v: stage.clips_at_v,
        headroom_db: stage.headroom_db,
    };
    let record = GainRecord {
        basis,
        power_w: input.power_w,
        load_ohm: input.load_ohm,
        tone_dbfs: plan.tone_dbfs,
        target_v: plan.target_v,
        full_power_target_v: Some(plan.full_power_target_v),
        processor_input_target_v: Some(plan.processor_input_target_v),
        amplifier_gain_db: plan.amplifier_gain_db,
        stages: plan.stages.iter().map(stage).collect(),
        clips_first: plan.clips_first.clone(),
        measured_v: std::collections::BTreeMap::new(),
        findings: plan.findings.clone(),
    };
    let line = format!("{:.2} V with a tone of {} dBFS", plan.target_v, plan.tone_dbfs);
    let result = StageResult { state: StageState::Measured, line };
    vec![Change::GainFound(Some(record)), Change::StageResult(Stage::Gain, Some(result))]
}
