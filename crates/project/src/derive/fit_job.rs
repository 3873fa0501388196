//! Bands for what a job holds, and all that the job is told of them.

use job::{Basis, Choices, Set, Stage, StageResult, StageState};
use tuning::{FitOptions, Profile, Target};

use super::{FitInputs, Fitted, SMOOTHING, measured_channels, outcome, together};
use crate::{Change, Project};

impl FitInputs {
    /// What a fit of a set of captures is computed from: what was measured of each channel, and the
    /// bands that are locked. `basis` says by what the target and the processor are kept.
    #[must_use]
    pub fn of_set(
        project: &Project,
        set: &Set,
        target: Target,
        profile: Profile,
        options: FitOptions,
        basis: Basis,
    ) -> Self {
        let mut captures = Vec::new();
        let channels = measured_channels(project, set)
            .into_iter()
            .map(|channel| {
                let measured = together(project, set, channel).map(|(id, _, response)| {
                    captures.push(id);
                    response.smoothed(SMOOTHING)
                });
                (channel.to_owned(), measured.collect())
            })
            .collect();
        let locked = project.data.bands.iter().filter(|band| band.locked).cloned().collect();
        let doubt = super::setting::set_since(project, &captures);
        let basis = Basis { captures, ..basis };
        Self { channels, locked, target, profile, options, basis, doubt }
    }

    /// What the job is told of a fit: target and processor, the limits that were chosen, the bands to enter,
    /// the whole result, how far the response is from the target, and a line for the stage. What an audit said
    /// of other bands is no longer true.
    #[must_use]
    pub fn changes(&self, project: &Project, fitted: Fitted) -> Vec<Change> {
        let options = &self.options;
        let choices = Choices {
            max_bands: options.max_bands.and_then(|most| u32::try_from(most).ok()),
            max_boost_db: options.max_boost_db,
            from_hz: Some(options.from_hz),
            to_hz: Some(options.to_hz),
            ..project.data.choices.clone()
        };
        let mut changes = Vec::new();
        if project.data.bands != fitted.bands {
            changes.push(Change::AuditFound(None));
        }
        changes.extend([
            Change::Target(self.basis.target.clone()),
            Change::Processor(self.basis.processor.clone()),
            Change::Choices(choices),
            Change::Bands(fitted.bands),
            Change::FitFound(Some(fitted.record)),
        ]);
        changes.extend(outcome_changes(project, &self.target, (options.from_hz, options.to_hz)));
        changes
    }
}

/// How far the response is from the target, and the line that says it of the stage; nothing where nothing was
/// measured before.
#[must_use]
pub fn outcome_changes(project: &Project, target: &Target, range_hz: (f64, f64)) -> Vec<Change> {
    let Some(outcome) = outcome(project, target, range_hz) else { return Vec::new() };
    let line = match outcome.after_rms_db {
        Some(after) => format!("{:.1} dB RMS before, {after:.1} dB after", outcome.before_rms_db),
        None => format!("{:.1} dB RMS from the target", outcome.before_rms_db),
    };
    let result = StageResult { state: StageState::Measured, line };
    vec![Change::OutcomeFound(Some(outcome)), Change::StageResult(Stage::Tune, Some(result))]
}
