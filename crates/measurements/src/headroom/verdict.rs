//! Numbers the volume steps and judges them.

use dsp::statistics::median;

use super::tracker::{Judged, Plateau};

/// A rise of less is the same step.
const LEAST_RISE_DB: f64 = 0.05;

/// A plateau this far below the loudest so far is a mute, not a step.
const MUTE_DB: f64 = 12.0;

/// A rise of more is no volume step: what came before was hum, or the tone muted.
const NO_STEP_DB: f64 = 10.0;

/// No volume control has finer steps than 0.3 dB; a rise under this, where earlier
/// ones were at least twice as high, is held back.
const HELD_DB: f64 = 0.25;

/// Distortion below this is not called clipping on the waveform's word alone.
const LEAST_THD: f64 = 3e-4;

/// A peak as high as this is the recorder's own full scale.
const RECORDER_FULL: f64 = 0.99;

/// Why a step is not clean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// THD at or over the limit.
    Distorted,
    /// The waveform has a flat top or a sharp corner.
    FlatTop,
    /// The level no longer follows the volume.
    Held,
    /// As loud as a tone, and none: the numbers have passed the end of their scale.
    Overflow,
}

/// One volume step.
#[derive(Debug, Clone)]
pub(super) struct Step {
    pub number: i64,
    pub start_s: f64,
    pub duration_s: f64,
    pub level_dbfs: f64,
    pub gain_db: Option<f64>,
    /// Absent when the step passed too quickly.
    pub judged: Option<Judged>,
    pub fault: Option<Fault>,
}

impl Step {
    pub(super) fn is_clean(&self) -> bool {
        self.judged.is_some() && self.fault.is_none()
    }

    fn is_recorder_clipped(&self) -> bool {
        self.fault.is_some() && self.judged.is_some_and(|judged| judged.peak >= RECORDER_FULL)
    }
}

/// The steps in the order of their numbers, and what follows from them.
#[derive(Debug, Clone, Default)]
pub(super) struct Verdict {
    pub steps: Vec<Step>,
    /// The number of the highest clean step.
    pub clean: Option<i64>,
    /// The number of the first step above it that is not clean.
    pub first_clipped: Option<i64>,
    /// The number of the step at which the recorder itself clips, when that is
    /// why a step is not clean.
    pub recorder_clips: Option<i64>,
    /// Whether the volume went down in between.
    pub went_down: bool,
    /// Whether hum that falls on the tone's harmonics was taken off their THD.
    pub hum_taken_off: bool,
    /// Rises of several steps at once.
    pub jumps: Vec<Jump>,
}

/// A rise of several of the usual steps at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Jump {
    /// The numbers of the steps before and after it.
    pub from: i64,
    pub to: i64,
    pub rise_db: f64,
    pub usual_db: f64,
}

/// Judges plateaus in the order in which they came.
pub(super) fn judge(plateaus: &[Plateau], first_number: i64, thd_limit: f64) -> Verdict {
    let mut verdict = number(plateaus, first_number);
    let overflow = verdict.steps.pop_if(|step| step.fault == Some(Fault::Overflow));
    let steps = &mut verdict.steps;
    for index in 1..steps.len() {
        steps[index].gain_db = Some(steps[index].level_dbfs - steps[index - 1].level_dbfs);
    }
    verdict.hum_taken_off = take_hum_off(steps);
    for step in steps.iter_mut() {
        step.fault = step.judged.and_then(|judged| fault(&judged, thd_limit));
    }
    mark_held(steps);
    verdict.jumps = count_jumps(steps);
    if let (Some(mut overflow), Some(top)) = (overflow, steps.last()) {
        overflow.number = top.number + 1;
        overflow.gain_db = Some(overflow.level_dbfs - top.level_dbfs);
        steps.push(overflow);
    }
    verdict.clean = steps.iter().rev().find(|step| step.is_clean()).map(|step| step.number);
    let above = |step: &&Step| verdict.clean.is_none_or(|clean| step.number > clean);
    let first = steps.iter().filter(above).find(|step| step.fault.is_some());
    verdict.first_clipped = first.map(|step| step.number);
    verdict.recorder_clips = first.filter(|step| step.is_recorder_clipped()).map(|step| step.number);
    verdict
}

/// Hum of 60 Hz has a line at 120 Hz, where a tone of 40 Hz has its third harmonic.
///
/// Distortion grows with the tone, hum does not: where the lowest steps, over at
/// least 2 dB, have a residual of one absolute size (within 8 %; a fixed THD would
/// grow by 26 %), that residual is hum, and its power is taken off every step's.
fn take_hum_off(steps: &mut [Step]) -> bool {
    let residuals: Vec<(f64, f64)> = steps
        .iter()
        .filter_map(|step| step.judged.map(|judged| (step.level_dbfs, judged.thd * judged.signal_rms)))
        .collect();
    let Some(&(lowest_db, first)) = residuals.first() else { return false };
    let alike = residuals.iter().take_while(|(_, residual)| (residual / first - 1.0).abs() < 0.08).count();
    let spans = alike >= 3 && residuals[alike - 1].0 - lowest_db >= 2.0;
    if !spans || first / steps[0].judged.map_or(f64::INFINITY, |judged| judged.signal_rms) < LEAST_THD {
        return false;
    }
    let hum = residuals[..alike].iter().map(|(_, residual)| residual).sum::<f64>() / alike as f64;
    for judged in steps.iter_mut().filter_map(|step| step.judged.as_mut()) {
        let share = hum / judged.signal_rms;
        judged.thd = (judged.thd * judged.thd - share * share).max(0.0).sqrt();
    }
    true
}

/// Gives each plateau the number of its volume step.
///
/// A rise over the highest step so far is the next step; what is lower has the
/// number of the step with its level. A step that passed too quickly to be judged
/// is counted when the level rose to it and on from it.
fn number(plateaus: &[Plateau], first_number: i64) -> Verdict {
    let mut verdict = Verdict::default();
    for (index, plateau) in plateaus.iter().enumerate() {
        if plateau.is_overflow {
            continue;
        }
        let step = |number: i64| Step {
            number,
            start_s: plateau.start_s,
            duration_s: plateau.duration_s,
            level_dbfs: plateau.level_dbfs,
            gain_db: None,
            judged: plateau.judged,
            fault: None,
        };
        if verdict.steps.last().is_some_and(|top| plateau.level_dbfs > top.level_dbfs + NO_STEP_DB) {
            verdict.steps.clear();
        }
        let Some(top) = verdict.steps.last_mut() else {
            if plateau.judged.is_some() {
                verdict.steps.push(step(first_number));
            }
            continue;
        };
        let rise = plateau.level_dbfs - top.level_dbfs;
        if rise > LEAST_RISE_DB {
            let rises_on = plateaus[index + 1..]
                .iter()
                .any(|p| p.is_overflow || p.level_dbfs > plateau.level_dbfs + LEAST_RISE_DB);
            if plateau.judged.is_some() || rises_on {
                let number = top.number + 1;
                verdict.steps.push(step(number));
            }
        } else if rise >= -LEAST_RISE_DB {
            improve(top, plateau);
        } else if rise > -MUTE_DB {
            verdict.went_down |= plateau.judged.is_some();
            place_lower(&mut verdict.steps, &step);
        }
    }
    // A loud noise that is followed by a higher step was another one.
    let top_s = verdict.steps.last().map(|top| top.start_s);
    let overflow =
        plateaus.iter().find(|plateau| plateau.is_overflow && top_s.is_some_and(|s| plateau.start_s > s));
    verdict.steps.extend(overflow.map(|plateau| Step {
        number: 0,
        start_s: plateau.start_s,
        duration_s: plateau.duration_s,
        level_dbfs: plateau.level_dbfs,
        gain_db: None,
        judged: plateau.judged,
        fault: Some(Fault::Overflow),
    }));
    verdict
}

/// A plateau below the highest step: the same step again, or one before the first.
fn place_lower(steps: &mut Vec<Step>, step: &dyn Fn(i64) -> Step) {
    let lower = step(0);
    let distance = |known: &Step| (known.level_dbfs - lower.level_dbfs).abs();
    let Some(nearest) = steps.iter_mut().min_by(|a, b| distance(a).total_cmp(&distance(b))) else { return };
    if distance(nearest) < 0.15 {
        if nearest.judged.is_none() {
            nearest.judged = lower.judged;
            nearest.start_s = lower.start_s;
            nearest.level_dbfs = lower.level_dbfs;
            nearest.duration_s = lower.duration_s;
        }
    } else if lower.judged.is_some() && steps.first().is_some_and(|first| lower.level_dbfs < first.level_dbfs)
    {
        let number = steps.first().map_or(0, |first| first.number - 1);
        steps.insert(0, step(number));
    }
}

/// The same step once more: what was too short is judged now.
fn improve(step: &mut Step, plateau: &Plateau) {
    if step.judged.is_none() && plateau.judged.is_some() {
        step.judged = plateau.judged;
        step.level_dbfs = plateau.level_dbfs;
        step.duration_s = plateau.duration_s;
    }
}

/// Two signs, either of which is enough against a step, and neither of which may
/// speak when it is called clean: the distortion itself, and the waveform's top.
fn fault(judged: &Judged, thd_limit: f64) -> Option<Fault> {
    if judged.thd >= thd_limit {
        return Some(Fault::Distorted);
    }
    let roundness = judged.roundness?;
    let flat = roundness < 0.35 || (judged.sharp && roundness < 0.9);
    (flat && judged.thd >= LEAST_THD).then_some(Fault::FlatTop)
}

/// Counts every step of a rise that is several of the usual ones at once: the knob was
/// turned past a step before anything could be heard of it.
///
/// Only where the usual step is beyond doubt: at least three clean rises, and three in
/// five of all, are alike within 6 % (or 0.06 dB), and so are the rises on both sides
/// (on the one side, at the ends). A control whose steps become finer higher up is not
/// taken for one that was turned too fast.
fn count_jumps(steps: &mut [Step]) -> Vec<Jump> {
    let rises: Vec<f64> = steps
        .windows(2)
        .map(|pair| match (&pair[0], &pair[1]) {
            (below, above) if below.fault.is_none() && above.fault.is_none() => {
                above.level_dbfs - below.level_dbfs
            }
            _ => f64::NAN,
        })
        .collect();
    let clean: Vec<f64> = rises.iter().copied().filter(|rise| rise.is_finite()).collect();
    let Some(usual_db) = median(&clean) else { return Vec::new() };
    let slack_db = (0.06 * usual_db).max(0.06);
    // How many of the usual steps a rise is; nothing when it is no whole number of them.
    let steps_of = |rise: f64| {
        let count = (rise / usual_db).round();
        (count >= 1.0 && (rise - count * usual_db).abs() <= slack_db && slack_db < 0.2 * usual_db)
            .then_some(count as i64)
    };
    let counts: Vec<Option<i64>> = rises.iter().map(|rise| steps_of(*rise)).collect();
    let alike = counts.iter().filter(|count| **count == Some(1)).count();
    if alike < 3 || 5 * alike < 3 * clean.len() {
        return Vec::new();
    }
    let mut jumps = Vec::new();
    let mut ahead = 0;
    let mut after_usual = false;
    for index in 0..rises.len() {
        let jumped = counts[index].filter(|count| (2..=6).contains(count));
        // The rises up to the first one that is no jump, and that one.
        let next = counts[index + 1..].iter().find(|count| !count.is_some_and(|count| count > 1));
        // A rise into clipping says nothing.
        let next_is_usual = next.is_none_or(|count| *count == Some(1))
            || rises[index + 1..].iter().all(|rise| !rise.is_finite());
        let first = index == 0 && alike + 1 == clean.len();
        if let Some(count) = jumped
            && (after_usual || first)
            && next_is_usual
        {
            let from = steps[index].number;
            ahead += count - 1;
            let to = steps[index + 1].number + ahead;
            jumps.push(Jump { from, to, rise_db: rises[index], usual_db });
        } else {
            after_usual = counts[index] == Some(1);
        }
        steps[index + 1].number += ahead;
    }
    jumps
}

/// Finds a limiter that holds the level without distorting it.
///
/// Rises under [`HELD_DB`] that are less than half of the usual are held back. So
/// is the rise just before them (or the very last one) where all earlier
/// rises were alike and it falls short of them by more than three times what they differ,
/// and 4 % (0.04 dB): a limiter that begins within a step.
fn mark_held(steps: &mut [Step]) {
    let gains: Vec<f64> = steps.iter().map(|step| step.gain_db.unwrap_or(f64::NAN)).collect();
    for index in 2..steps.len() {
        let earlier: Vec<f64> = gains[1..index].iter().copied().filter(|gain| *gain >= HELD_DB).collect();
        let Some(usual) = median(&earlier) else { continue };
        let little = gains[index] < HELD_DB && gains[index] < 0.5 * usual;
        let last_words = gains[index + 1..].iter().all(|gain| *gain < HELD_DB && *gain < 0.5 * usual);
        // How much the steps of this control differ among themselves.
        let spread = earlier.iter().map(|gain| (gain - usual).abs()).fold(0.0, f64::max);
        let alike = earlier.len() >= 3 && spread < 0.05 * usual;
        let short = (0.04 * usual).max(0.04).max(3.0 * spread);
        let falls_short = last_words && alike && gains[index] < usual - short;
        if (little || falls_short) && steps[index].fault.is_none() && steps[index].judged.is_some() {
            steps[index].fault = Some(Fault::Held);
        }
    }
}
