//! Delay, polarity and gain with which two neighbouring drivers add up.

use measure::Finding;
use serde::{Deserialize, Serialize};

use crate::junction::{self, Junction, Search};
use crate::octave::{Loss, Octave, TURNING_COSTS_DB, Width};
use crate::{AlignError, DelayGrid, Pair, Response};

/// Two responses with phase on one time reference, and what may be changed.
#[derive(Debug, Clone, Copy)]
pub struct AlignInput<'a> {
    /// The driver that plays below the crossover, its filter included.
    pub lower: &'a Response,
    /// The driver that plays above it, its filter included.
    pub upper: &'a Response,
    /// Where they meet; absent to take the frequency at which they are equally loud.
    pub crossover_hz: Option<f64>,
    /// The delays that can be entered.
    pub delay: DelayGrid,
    /// The step in which gains can be entered.
    pub gain_step_db: f64,
    /// The most that the louder driver is turned down.
    pub max_cut_db: f64,
}

/// Delays in steps of 0.01 ms up to 20 ms (common practice, no source).
pub const USUAL_DELAYS: DelayGrid = DelayGrid { step_s: 1e-5, max_s: 0.02 };

impl<'a> AlignInput<'a> {
    /// Two responses with the usual limits: delays of 0.01 ms up to 20 ms,
    /// gains of 0.1 dB, a cut of 12 dB at the most.
    #[must_use]
    pub fn new(lower: &'a Response, upper: &'a Response) -> Self {
        Self { lower, upper, crossover_hz: None, delay: USUAL_DELAYS, gain_step_db: 0.1, max_cut_db: 12.0 }
    }
}

/// How well two drivers add up: the worst loss against perfect addition.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sum {
    /// With the suggested values; 0 is perfect, −6 a phase error of 120°.
    pub worst_db: f64,
    /// Where that is.
    pub worst_hz: f64,
    /// As they were measured.
    pub before_worst_db: f64,
}

/// What to enter for the two drivers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alignment {
    /// Where the two drivers meet.
    pub crossover_hz: f64,
    /// The delay to add; one of the two is 0.
    pub delay_s: Pair<f64>,
    /// The gain to add; one of the two is 0, the other is not above it.
    pub gain_db: Pair<f64>,
    /// Whether to turn the polarity over; never both.
    pub invert: Pair<bool>,
    /// How well they add up.
    pub sum: Sum,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// Below this worst loss two drivers do not add up well.
const POOR_DB: f64 = -3.0;

/// Finds the delay, polarity and gain with which two neighbouring drivers add
/// up best over the octave about their crossover.
///
/// The loss at a frequency is `20·lg(|L + U| / (|L| + |U|))`: 0 dB where the
/// two are in phase, whatever their levels. Every delay of the grid is tried
/// with both polarities; the best has the least `mean loss + ½·worst loss`
/// (both in dB, log-frequency mean), of equals the shortest. The gain turns the
/// louder one down until both are equally loud on average over the octave.
///
/// Symbols: `L`, `U` complex pressures of the lower and the upper driver.
///
/// References: S. Linkwitz, *Active Crossover Networks for Noncoincident
/// Drivers*, JAES 24(1), 1976 (in-phase addition); the search is ours.
/// Accuracy: the delay is the nearest of the grid for a Linkwitz-Riley pair
/// with a known offset, `a_known_offset_is_undone`.
///
/// # Errors
/// When phase is missing or the octave about the crossover was not measured.
pub fn align(input: &AlignInput<'_>) -> Result<Alignment, AlignError> {
    check(input)?;
    let crossover_hz = match input.crossover_hz {
        Some(hz) => hz,
        None => crossing(input.lower, input.upper).ok_or(AlignError::NoCrossover)?,
    };
    let octave = Octave::new(Pair { lower: input.lower, upper: input.upper }, crossover_hz)?;
    let (gain_db, limited) = gain(&octave, input);
    let level = Pair { lower: amplitude(gain_db.lower), upper: amplitude(gain_db.upper) };
    let before = octave.loss(Pair { lower: 1.0, upper: 1.0 }, 0.0, false, Width::Point);
    let junction = Junction { octave: &octave, level };
    let choice = Choice::new(&junction, input.delay);
    let Choice { upper_later_s, loss, .. } = choice;

    let mut findings = Vec::new();
    if input.crossover_hz.is_none() {
        findings.push(Finding::note(
            "crossover-estimated",
            format!(
                "No crossover was given; the two drivers are equally loud at {crossover_hz:.0} Hz, which was taken."
            ),
        ));
    }
    if limited {
        findings.push(Finding::caution(
            "gain-limited",
            format!(
                "The two drivers differ by more than {} dB at the crossover. Set their gains roughly first, then measure again.",
                input.max_cut_db
            ),
        ));
    }
    if octave.coarse_phase {
        findings.push(Finding::caution(
            "phase-coarse",
            "The phase turns by more than a third of a circle from point to point, so that the delay is doubtful. \
             Export the responses with more points per octave, or with the common delay removed.",
        ));
    }
    if let Some(better) = beyond_the_limit(&junction, input, &choice) {
        findings.push(Finding::caution(
            "delay-limited",
            format!(
                "With delays up to {:.2} ms the two drivers lose {:.1} dB at {:.0} Hz; with {:.2} ms they would lose \
                 {:.1} dB. The limit of the delay is in the way, not the filters.",
                1e3 * input.delay.max_s,
                -loss.worst_db,
                loss.worst_hz,
                1e3 * better.upper_later_s.abs(),
                -better.loss.worst_db
            ),
        ));
    } else if loss.worst_db < POOR_DB {
        findings.push(Finding::caution(
            "sum-poor",
            format!(
                "Even at their best the two drivers lose {:.1} dB at {:.0} Hz. Try steeper or other crossover filters, \
                 or another crossover frequency.",
                -loss.worst_db, loss.worst_hz
            ),
        ));
    }
    Ok(Alignment {
        crossover_hz,
        delay_s: Pair { lower: (-upper_later_s).max(0.0), upper: upper_later_s.max(0.0) },
        gain_db,
        invert: Pair { lower: false, upper: choice.invert },
        sum: Sum { worst_db: loss.worst_db, worst_hz: loss.worst_hz, before_worst_db: before.worst_db },
        findings,
    })
}

fn check(input: &AlignInput<'_>) -> Result<(), AlignError> {
    let limit = |what, value: f64, fits: bool, expected| {
        if fits { Ok(()) } else { Err(AlignError::Limit { what, value, expected }) }
    };
    let (step_s, max_s) = (input.delay.step_s, input.delay.max_s);
    limit("delay step", step_s, step_s > 0.0 && step_s.is_finite(), "a time above 0 s")?;
    limit(
        "longest delay",
        max_s,
        (0.0..=1.0).contains(&max_s) && max_s / step_s <= 1e5,
        "0 to 1 s, and at most 100000 steps",
    )?;
    limit(
        "gain step",
        input.gain_step_db,
        (1e-6..=24.0).contains(&input.gain_step_db),
        "a gain above 0 dB, up to 24 dB",
    )?;
    limit("largest cut", input.max_cut_db, (0.0..=60.0).contains(&input.max_cut_db), "0 to 60 dB")?;
    if let Some(hz) = input.crossover_hz {
        limit("crossover", hz, (1.0..=96_000.0).contains(&hz), "1 to 96000 Hz")?;
    }
    Ok(())
}

/// The frequency at which the upper driver overtakes the lower one. Of several
/// crossings the one is taken after which the upper stays ahead for longest.
fn crossing(lower: &Response, upper: &Response) -> Option<f64> {
    let ahead: Vec<(f64, f64)> = lower
        .frequency_hz
        .iter()
        .zip(&lower.magnitude_db)
        .filter_map(|(&hz, &db)| Some((hz, upper.db_at(hz)? - db)))
        .collect();
    let mut best: Option<(f64, f64)> = None;
    for (index, pair) in ahead.windows(2).enumerate() {
        let ((low_hz, low_db), (high_hz, high_db)) = (pair[0], pair[1]);
        if low_db < 0.0 && high_db >= 0.0 {
            let hz = low_hz * (high_hz / low_hz).powf(low_db / (low_db - high_db));
            let lead = ahead[index + 1..].iter().take_while(|point| point.1 >= 0.0).last();
            let stays = lead.map_or(1.0, |point| point.0 / hz);
            // How long the lower one was ahead before counts as much.
            let fall = ahead[..=index].iter().rev().take_while(|point| point.1 < 0.0).last();
            let stayed = fall.map_or(1.0, |point| hz / point.0);
            let weight = stays.min(stayed);
            if best.is_none_or(|(_, most)| weight > most) {
                best = Some((hz, weight));
            }
        }
    }
    best.map(|(hz, _)| hz)
}

/// The gain that makes both equally loud on average over the octave, as a cut of the louder one, and
/// whether more would have been needed.
fn gain(octave: &Octave, input: &AlignInput<'_>) -> (Pair<f64>, bool) {
    let upper_ahead_db = octave.upper_ahead_db();
    let steps = (input.max_cut_db / input.gain_step_db + 1e-9).floor();
    let wanted = (upper_ahead_db.abs() / input.gain_step_db).round();
    // Adding 0 turns a negative zero into a plain one.
    let cut_db = -wanted.min(steps) * input.gain_step_db + 0.0;
    let pair = if upper_ahead_db > 0.0 {
        Pair { lower: 0.0, upper: cut_db }
    } else {
        Pair { lower: cut_db, upper: 0.0 }
    };
    (pair, wanted > steps)
}

/// One way to set the two drivers.
#[derive(Debug, Clone, Copy)]
struct Choice {
    upper_later_s: f64,
    invert: bool,
    loss: Loss,
}

impl Choice {
    /// The best of a grid of delays.
    fn new(junction: &Junction<'_>, delay: DelayGrid) -> Self {
        let settled = junction::choose(std::slice::from_ref(junction), Search::Anywhere(delay));
        let upper_later_s = settled.upper_later_s.first().copied().unwrap_or(0.0);
        let loss = junction.loss(upper_later_s, settled.turned);
        Self { upper_later_s, invert: settled.turned, loss }
    }
}

/// What longer delays than those allowed would bring, where the choice is poor or lies at the limit, and
/// they would bring more than turning the polarity over needs to.
fn beyond_the_limit(junction: &Junction<'_>, input: &AlignInput<'_>, choice: &Choice) -> Option<Choice> {
    let at_limit = choice.upper_later_s.abs() > input.delay.max_s - 1.5 * input.delay.step_s;
    if !at_limit && choice.loss.worst_db >= POOR_DB {
        return None;
    }
    let longer_s = (2.0 * input.delay.max_s).max(USUAL_DELAYS.max_s);
    let longer = DelayGrid { max_s: longer_s, step_s: input.delay.step_s.max(longer_s / 1e4) };
    let free = Choice::new(junction, longer);
    let beyond = free.upper_later_s.abs() > input.delay.max_s + 0.5 * input.delay.step_s;
    let better = free.loss.cost() < choice.loss.cost() - TURNING_COSTS_DB;
    (beyond && better).then_some(free)
}

fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

#[cfg(test)]
mod tests;
