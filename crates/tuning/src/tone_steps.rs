//! The tone of one output at several volume steps: loudness curves and bass that is taken
//! back, with the step at which they begin.

use measure::Finding;
use serde::{Deserialize, Serialize};
use units::quantity::signed_decibels;

use crate::{Response, difference, log_axis};

/// The response of an output at one volume step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepResponse {
    /// The volume step.
    pub step: i64,
    /// The response there.
    pub response: Response,
}

/// How the tone changes with the volume.
#[derive(Debug, Clone, PartialEq)]
pub struct ToneOverSteps {
    /// The step that the others are compared with: the one that most of them are like.
    pub reference_step: i64,
    /// Each step's tone against that of the reference, by rising step.
    pub steps: Vec<StepTone>,
    /// Where it changes.
    pub changes: Vec<ToneChange>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// The tone of one step against the reference, the level of the middle taken out.
#[derive(Debug, Clone, PartialEq)]
pub struct StepTone {
    /// The step.
    pub step: i64,
    /// 40 to 80 Hz, where both were measured.
    pub bass_db: Option<f64>,
    /// 8 to 14 kHz, where both were measured.
    pub treble_db: Option<f64>,
    /// The difference over frequency.
    pub difference: Response,
}

/// A part of the tone that follows the volume.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToneChange {
    /// `bass` or `treble`.
    pub part: String,
    /// The step nearest to the reference that is still like it.
    pub unchanged_step: i64,
    /// The next measured step, at which it has changed.
    pub changed_step: i64,
    /// The step at which the change is largest.
    pub largest_step: i64,
    /// How much it is there.
    pub gain_db: f64,
}

/// Both are about one octave, well inside what shelves reach (common practice, no source).
const BASS_HZ: (f64, f64) = (40.0, 80.0);
const TREBLE_HZ: (f64, f64) = (8_000.0, 14_000.0);

/// Where the level of the whole is taken from.
const MIDDLE_HZ: (f64, f64) = (500.0, 2_000.0);

/// A tone that differs by less is the same.
pub const SAME_TONE_DB: f64 = 0.3;

/// Compares the tone at several volume steps; nothing with fewer than two.
///
/// Accuracy: proven by `a_loudness_curve_and_its_steps`.
#[must_use]
pub fn tone_over_steps(steps: &[StepResponse]) -> Option<ToneOverSteps> {
    let mut steps: Vec<StepResponse> =
        steps.iter().map(|one| StepResponse { step: one.step, response: one.response.smoothed(6) }).collect();
    steps.sort_by_key(|one| one.step);
    if steps.len() < 2 {
        return None;
    }
    let distance = |a: &StepResponse, b: &StepResponse| {
        part_of(a, b, BASS_HZ).unwrap_or(0.0).abs() + part_of(a, b, TREBLE_HZ).unwrap_or(0.0).abs()
    };
    // Most are alike where nothing is changed; of several the loudest, which is nearest to
    // how the car is worked on.
    let alike =
        |one: &StepResponse| steps.iter().filter(|other| distance(one, other) <= SAME_TONE_DB).count();
    let reference = steps.iter().max_by_key(|one| (alike(one), one.step))?;
    let tones: Vec<StepTone> = steps
        .iter()
        .filter_map(|one| {
            let (low, high) = one.response.range_hz();
            let raised = one.response.raised(-middle_db(reference, one));
            Some(StepTone {
                step: one.step,
                bass_db: part_of(reference, one, BASS_HZ),
                treble_db: part_of(reference, one, TREBLE_HZ),
                difference: difference(&reference.response, &raised, low, high)?,
            })
        })
        .collect();
    let mut changes = Vec::new();
    for (part, of) in [("bass", StepTone::bass as fn(&StepTone) -> Option<f64>), ("treble", StepTone::treble)]
    {
        changes.extend(change(part, &tones, reference.step, of, true));
        changes.extend(change(part, &tones, reference.step, of, false));
    }
    let findings = changes.iter().map(remark).collect();
    Some(ToneOverSteps { reference_step: reference.step, steps: tones, changes, findings })
}

impl StepTone {
    fn bass(&self) -> Option<f64> {
        self.bass_db
    }

    fn treble(&self) -> Option<f64> {
        self.treble_db
    }
}

/// The mean level of one over the other in the middle, or over all where that was not measured.
fn middle_db(reference: &StepResponse, one: &StepResponse) -> f64 {
    mean_difference(reference, one, MIDDLE_HZ)
        .or_else(|| mean_difference(reference, one, (0.0, f64::INFINITY)))
        .unwrap_or(0.0)
}

fn part_of(reference: &StepResponse, one: &StepResponse, range_hz: (f64, f64)) -> Option<f64> {
    Some(mean_difference(reference, one, range_hz)? - middle_db(reference, one))
}

fn mean_difference(reference: &StepResponse, one: &StepResponse, range_hz: (f64, f64)) -> Option<f64> {
    let found = difference(&reference.response, &one.response, range_hz.0, range_hz.1)?;
    let widths = log_axis::cell_widths(&found.frequency_hz);
    let total: f64 = widths.iter().sum();
    Some(widths.iter().zip(&found.magnitude_db).map(|(w, d)| w * d).sum::<f64>() / total)
}

/// The change of one part above or below the reference, if there is one.
fn change(
    part: &str,
    tones: &[StepTone],
    reference: i64,
    of: fn(&StepTone) -> Option<f64>,
    above: bool,
) -> Option<ToneChange> {
    let mut way: Vec<&StepTone> = tones
        .iter()
        .filter(|tone| if above { tone.step >= reference } else { tone.step <= reference })
        .filter(|tone| of(tone).is_some())
        .collect();
    if !above {
        way.reverse();
    }
    let value = |tone: &StepTone| of(tone).unwrap_or(0.0);
    let begins = way.iter().position(|tone| value(tone).abs() > SAME_TONE_DB)?;
    let largest = way[begins..].iter().max_by(|a, b| value(a).abs().total_cmp(&value(b).abs()))?;
    Some(ToneChange {
        part: part.to_owned(),
        unchanged_step: way.get(begins.checked_sub(1)?)?.step,
        changed_step: way[begins].step,
        largest_step: largest.step,
        gain_db: value(largest),
    })
}

fn remark(change: &ToneChange) -> Finding {
    let ToneChange { part, unchanged_step, changed_step, largest_step, gain_db } = change;
    let verb = if *gain_db > 0.0 { "raised" } else { "taken back" };
    let side = if changed_step > unchanged_step { "above" } else { "below" };
    let between = if (changed_step - unchanged_step).abs() > 1 {
        let (low, high) = (unchanged_step.min(changed_step), unchanged_step.max(changed_step));
        format!(" (it begins between {low} and {high}; measure in between to be exact)")
    } else {
        String::new()
    };
    let text = format!(
        "The {part} is {verb} {side} step {unchanged_step}: {} at step {largest_step}{between}. Tune at a step \
         where it is not, or switch the source's loudness off.",
        signed_decibels(*gain_db)
    );
    Finding::caution("tone-follows-volume", text)
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::{Band, BandKind, bands_db};

    /// Bass of +6 dB at step 10 that is gone at 20, and is taken back by 4 dB at 30 from 26 on.
    fn bass_at(step: i64) -> f64 {
        let step = step as f64;
        if step < 20.0 { 0.6 * (20.0 - step) } else { -(step - 26.0).max(0.0) }
    }

    fn responses(steps: &[i64]) -> Vec<StepResponse> {
        let frequency_hz = log_axis::grid(20.0, 20_000.0, 24.0);
        steps
            .iter()
            .map(|&step| {
                let shelf =
                    Band { kind: BandKind::LowShelf, frequency_hz: 150.0, gain_db: bass_at(step), q: 0.707 };
                let bass = bands_db(&[shelf], &frequency_hz, 192_000.0);
                let magnitude_db = bass.iter().map(|db| db + step as f64).collect();
                StepResponse { step, response: Response::new(frequency_hz.clone(), magnitude_db).unwrap() }
            })
            .collect()
    }

    #[test]
    fn a_loudness_curve_and_its_steps() {
        let steps: Vec<i64> = (10..=30).collect();
        let found = tone_over_steps(&responses(&steps)).unwrap();
        assert!((20..=26).contains(&found.reference_step), "{}", found.reference_step);
        let bass: Vec<&ToneChange> = found.changes.iter().filter(|change| change.part == "bass").collect();
        assert_eq!(found.changes.len(), bass.len(), "{:?}", found.changes);
        let (above, below) = (bass[0], bass[1]);
        assert_eq!((above.unchanged_step, above.changed_step, above.largest_step), (26, 27, 30));
        assert_eq!((below.unchanged_step, below.changed_step, below.largest_step), (20, 19, 10));
        near("taken back", above.gain_db, -4.0, 0.4);
        near("raised", below.gain_db, 6.0, 0.5);
    }

    #[test]
    fn coarse_steps_say_what_is_not_known() {
        let found = tone_over_steps(&responses(&[12, 20, 24, 30])).unwrap();
        assert!(found.findings.iter().any(|finding| finding.text.contains("between 24 and 30")), "{found:?}");
        let same = tone_over_steps(&responses(&[21, 23, 25])).unwrap();
        assert!(same.changes.is_empty() && same.findings.is_empty());
        assert_eq!(tone_over_steps(&responses(&[21])), None);
    }
}
