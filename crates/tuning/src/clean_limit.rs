//! The clean limit of a whole source: the lowest of its outputs.

use measure::Finding;
use serde::{Deserialize, Serialize};

/// One volume step of one output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputStep {
    /// The number on the volume control.
    pub step: i64,
    /// The tone's level re full scale of the recording.
    pub level_dbfs: f64,
    /// The same in RMS volts, where the input is calibrated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level_v: Option<f64>,
    /// Its distortion.
    pub thd_percent: f64,
    /// Whether it is clean.
    pub clean: bool,
}

/// What was found at one output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputHeadroom {
    /// Its name, such as `front`.
    pub output: String,
    /// The tone's frequency.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frequency_hz: Option<f64>,
    /// The highest clean step, if one was clean.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clean_step: Option<i64>,
    /// The first step above it that is not clean; absent where none was reached.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_clipped_step: Option<i64>,
    /// Every judged step.
    pub steps: Vec<OutputStep>,
}

/// The one number for the customer, and what follows from it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CleanLimit {
    /// The highest step at which every output is clean; absent when there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clean_step: Option<i64>,
    /// The outputs that limit it, those that are first over the limit.
    pub limited_by: Vec<String>,
    /// Whether something was seen to clip: without that the limit may lie higher.
    pub reached: bool,
    /// Every output at that step.
    pub outputs: Vec<OutputAtLimit>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// One output at the source's clean step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputAtLimit {
    /// Its name.
    pub output: String,
    /// Its own highest clean step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clean_step: Option<i64>,
    /// Its level at the source's clean step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level_dbfs: Option<f64>,
    /// Its RMS volts there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level_v: Option<f64>,
    /// Its distortion there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thd_percent: Option<f64>,
    /// How much louder its own last clean step is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room_db: Option<f64>,
}

/// Combines the outputs: the lowest clean step of them all is that of the source.
///
/// An output whose climb ended clean below another's limit bounds the verdict too, and
/// that is said: nothing is known above its last step.
#[must_use]
pub fn clean_limit(outputs: &[OutputHeadroom]) -> CleanLimit {
    let mut findings = Vec::new();
    for output in outputs.iter().filter(|output| output.clean_step.is_none()) {
        let text = format!(
            "`{}` has no clean step, so the source has none either. Begin lower, and check its connection for hum and \
             the input for overload.",
            output.output
        );
        findings.push(Finding::stop("no-clean-step", text));
    }
    let lowest = outputs.iter().map(|output| output.clean_step).min().flatten();
    let at_lowest = outputs.iter().filter(|output| output.clean_step == lowest && lowest.is_some());
    let limited_by: Vec<String> = at_lowest
        .clone()
        .filter(|output| output.first_clipped_step.is_some())
        .map(|output| output.output.clone())
        .collect();
    let reached = !limited_by.is_empty();
    if let Some(step) = lowest {
        for output in at_lowest.filter(|output| output.first_clipped_step.is_none() && !reached) {
            let text = format!(
                "`{}` was still clean at step {step}, the highest at which it was measured. Nothing is known above: \
                 measure it higher, unless that is the end of the volume control.",
                output.output
            );
            findings.push(Finding::note("never-clipped", text));
        }
    }
    let outputs: Vec<OutputAtLimit> =
        outputs.iter().map(|output| at_limit(output, lowest, &mut findings)).collect();
    if let (Some(step), true) = (lowest, reached) {
        let text = format!(
            "Never above step {step}: `{}` {} no longer clean at the next one.",
            limited_by.join("` and `"),
            if limited_by.len() == 1 { "is" } else { "are" }
        );
        findings.push(Finding::note("clean-limit", text));
    }
    CleanLimit { clean_step: lowest, limited_by, reached, outputs, findings }
}

fn at_limit(output: &OutputHeadroom, limit: Option<i64>, findings: &mut Vec<Finding>) -> OutputAtLimit {
    let find = |wanted: Option<i64>| output.steps.iter().find(|step| Some(step.step) == wanted);
    let here = find(limit);
    if let (Some(limit), None) = (limit, here) {
        let text = format!(
            "`{}` was not measured at step {limit} (the step was skipped, or its climb began higher); its volts there \
             are not known. Go to step {limit} and measure it once more.",
            output.output
        );
        findings.push(Finding::caution("step-not-measured", text));
    }
    let own = find(output.clean_step);
    OutputAtLimit {
        output: output.output.clone(),
        clean_step: output.clean_step,
        level_dbfs: here.map(|step| step.level_dbfs),
        level_v: here.and_then(|step| step.level_v),
        thd_percent: here.map(|step| step.thd_percent),
        room_db: own.zip(here).map(|(own, here)| own.level_dbfs - here.level_dbfs),
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// An output of 1 dB a step, clean up to a step, its climb ending at `last`.
    fn output(name: &str, first: i64, clean: i64, last: i64) -> OutputHeadroom {
        let steps = (first..=last)
            .map(|step| OutputStep {
                step,
                level_dbfs: step as f64 - 40.0,
                level_v: Some(10f64.powf(step as f64 / 20.0) / 10.0),
                thd_percent: if step <= clean { 0.05 } else { 3.0 },
                clean: step <= clean,
            })
            .collect();
        OutputHeadroom {
            output: name.to_owned(),
            frequency_hz: Some(1_000.0),
            clean_step: (clean >= first).then_some(clean.min(last)),
            first_clipped_step: (clean < last).then_some(clean + 1),
            steps,
        }
    }

    fn codes(limit: &CleanLimit) -> Vec<&str> {
        limit.findings.iter().map(|finding| finding.code.as_str()).collect()
    }

    #[test]
    fn the_lowest_output_limits_all() {
        let limit = clean_limit(&[
            output("front", 15, 28, 30),
            output("rear", 15, 30, 33),
            output("sub", 15, 26, 28),
        ]);
        assert_eq!((limit.clean_step, limit.reached), (Some(26), true));
        assert_eq!(limit.limited_by, ["sub"]);
        assert_eq!(codes(&limit), ["clean-limit"]);
        near("front there", limit.outputs[0].level_v.unwrap(), 10f64.powf(1.3) / 10.0, 1e-12);
        near("room at the rear", limit.outputs[1].room_db.unwrap(), 4.0, 1e-12);
        let both = clean_limit(&[output("left", 15, 26, 28), output("right", 15, 26, 28)]);
        assert_eq!(both.limited_by, ["left", "right"]);
    }

    #[test]
    fn an_output_that_was_not_measured_high_enough_bounds_the_verdict() {
        let limit = clean_limit(&[output("front", 15, 28, 30), output("rear", 15, 99, 25)]);
        assert_eq!((limit.clean_step, limit.reached), (Some(25), false));
        assert_eq!(codes(&limit), ["never-clipped"]);
        // One that never clips, measured as high as the others, changes nothing.
        let limit = clean_limit(&[output("front", 15, 28, 30), output("rear", 15, 99, 30)]);
        assert_eq!((limit.clean_step, limit.limited_by.as_slice()), (Some(28), &["front".to_owned()][..]));
    }

    #[test]
    fn what_was_not_measured_is_said_and_left_out() {
        let limit = clean_limit(&[output("front", 15, 28, 30), output("sub", 29, 32, 34)]);
        assert_eq!(limit.clean_step, Some(28));
        assert_eq!(limit.outputs[1].level_v, None);
        assert!(codes(&limit).contains(&"step-not-measured"));
        let limit = clean_limit(&[output("front", 15, 28, 30), output("sub", 20, 10, 24)]);
        assert_eq!(limit.clean_step, None);
        assert!(codes(&limit).contains(&"no-clean-step"));
        assert_eq!(clean_limit(&[]).clean_step, None);
    }
}
