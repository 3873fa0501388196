//! What came out of each stage, in one line, and kept in the job.

use job::{Outcome, StageResult};
use procedure::Change;
use project::derive::limit_change;
use view::{SetMark, Stage, StageState};

use super::captures::CaptureView;
use super::derivation::Derivation;
use super::memos::RANGE_HZ;

impl Derivation {
    /// How far a stage is and what came of it; nothing before it has begun.
    pub(super) fn stage_result(&self, stage: Stage) -> Option<(StageState, String)> {
        let measured = |result: String| Some((StageState::Measured, result));
        match stage {
            Stage::Intake => {
                let data = &self.job.as_ref()?.data;
                let known = [!data.intake.vehicle.is_empty(), !data.intake.drivers.is_empty()];
                let state = match known {
                    [false, false] => return None,
                    [true, true] => StageState::Measured,
                    _ => StageState::Begun,
                };
                Some((state, self.tune.profile().name.clone()))
            }
            Stage::Source => {
                let captured = self.captures.of(Stage::Source).next().is_some();
                match self.clean_text() {
                    Some(text) if self.open_tasks().is_empty() => measured(text),
                    Some(text) => Some((StageState::Begun, text)),
                    None if captured => Some((StageState::Begun, "no clean step yet".to_owned())),
                    None => None,
                }
            }
            Stage::Gain => self.gain().result(),
            Stage::Drivers => {
                let (found, of, _) = self.drivers_result();
                match (found, self.reversed_drivers().as_slice()) {
                    (0, _) => None,
                    (_, []) if found < of => Some((StageState::Begun, format!("{found} of {of} measured"))),
                    (_, []) => measured(match self.places_done() {
                        0 | 1 => format!("{found} measured"),
                        places => format!("{found} measured at {places} places"),
                    }),
                    (_, [name]) => Some((StageState::NeedsAnotherLook, format!("reversed: {name}"))),
                    (_, names) => Some((StageState::NeedsAnotherLook, format!("{} reversed", names.len()))),
                }
            }
            Stage::Timing => {
                let channels = &self.job.as_ref()?.data.channels;
                let longest_s = channels.iter().map(|channel| channel.delay_s).fold(0.0, f64::max);
                let turned = channels.iter().filter(|channel| channel.inverted).count();
                if channels.is_empty() {
                    return None;
                }
                let inverted = match turned {
                    0 => String::new(),
                    count => format!(", {count} inverted"),
                };
                measured(format!("up to {:.2} ms{inverted}", 1e3 * longest_s))
            }
            Stage::Tune if self.entered_tune().is_some() => measured(self.car_result()?),
            Stage::Tune => {
                let rms = |mark| self.deviation_of_all(mark).map(|(rms, _)| rms);
                let (before, after) = (rms(SetMark::Before), rms(SetMark::After));
                let text = match (before, after) {
                    (Some(before), Some(after)) => format!("{before:.1} → {after:.1} dB RMS"),
                    (Some(rms), None) | (None, Some(rms)) => format!("{rms:.1} dB RMS error"),
                    (None, None) => return None,
                };
                // What the bands did is known when it was measured.
                let proven = after.is_some() && self.is_set_complete(SetMark::After);
                let state = if proven { StageState::Measured } else { StageState::Begun };
                Some((state, text))
            }
            Stage::Handover => {
                self.handed_over.then(|| (StageState::Measured, "sheet and report written".to_owned()))
            }
        }
    }

    /// What a capture without a response found, in a few words.
    pub(super) fn short_result(&self, held: &CaptureView) -> String {
        match (held.response.is_some(), held.has_result()) {
            (true, _) => String::new(),
            (false, false) if held.running => "being recorded".to_owned(),
            (false, false) => "no result".to_owned(),
            (false, true) => match held.reading.values.get("clean_step") {
                Some(step) => format!("clean to step {step:.0}"),
                None => "measured".to_owned(),
            },
        }
    }

    /// How far the response is from the target, as the job keeps it.
    pub(super) fn outcome(&self) -> Option<Outcome> {
        let (before_rms_db, before_max_db) = self.deviation_of_all(SetMark::Before)?;
        let after = self.deviation_of_all(SetMark::After);
        Some(Outcome {
            before_rms_db,
            after_rms_db: after.map(|(rms, _)| rms),
            before_max_db,
            after_max_db: after.map(|(_, max)| max),
            from_hz: RANGE_HZ.0,
            to_hz: RANGE_HZ.1,
        })
    }
}

impl Derivation {
    /// What the job keeps of what follows from the captures: the source's limit, the tuning and its proof, and
    /// a line of each stage.
    pub(super) fn results(&self) -> Vec<Change> {
        let lines = Stage::ALL.into_iter().zip(job::Stage::ALL).filter_map(|(stage, job_stage)| {
            let (state, line) = self.stage_result(stage)?;
            let state = match state {
                StageState::NeedsAnotherLook | StageState::Begun => job::StageState::NeedsAnotherLook,
                StageState::NotBegun | StageState::Measured => job::StageState::Measured,
            };
            Some(Change::StageResult(job_stage, Some(StageResult { state, line })))
        });
        let mut results = self.tuning();
        let limit = self.limit();
        if !limit.outputs.is_empty() {
            // Without a sweep here the job keeps what it was told.
            results.push(limit_change(&limit));
        }
        results.push(Change::OutcomeFound(self.outcome()));
        results.push(Change::AuditFound(self.audit_record()));
        results.extend(self.tune_record());
        results.extend(lines);
        results
    }
}
