//! One crossover on one side or both: a delay for each side, one polarity for both.

use crate::octave::{Delayed, Octave, TURNING_COSTS_DB, Width};
use crate::{AlignError, DelayGrid, Pair, Response};

/// How far around the arrivals delays are looked at, in periods of the crossover: half a period
/// each way holds one best place for each polarity; the rest is for arrivals that are not exact.
const WITHIN_PERIODS: f64 = 0.75;
/// A delay half a period away from the arrivals must be better by this; one nearer, by the
/// square of the distance less. What adds up half a period away does so at one frequency only
/// (our choice, no source).
const HALF_A_PERIOD_COSTS_DB: f64 = 0.5;
/// The same for the two sides against each other: alike drivers are to be shifted alike.
const SIDES_APART_COST_DB: f64 = 2.0;
/// What speaks against a polarity by what the drivers say of their wiring weighs at most this much
/// (our choice, no source).
const WIRING_COUNTS_DB: f64 = 1.5;

/// Two neighbours of one side, as they stand.
pub(super) struct Junction {
    octave: Octave,
    /// With which both are equally loud.
    level: Pair<f64>,
}

/// How a crossover is set.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Settled {
    /// Whether one of the neighbours is turned over, on every side.
    pub(super) turned: bool,
    /// How much later the upper one plays, for each side.
    pub(super) upper_later_s: Vec<f64>,
}

impl Junction {
    pub(super) fn new(lower: &Response, upper: &Response, crossover_hz: f64) -> Result<Self, AlignError> {
        let octave = Octave::new(Pair { lower, upper }, crossover_hz)?;
        let level = Pair { lower: 10f64.powf(octave.upper_ahead_db() / 20.0), upper: 1.0 };
        Ok(Self { octave, level })
    }

    /// How much louder the upper one is about the crossover.
    pub(super) fn upper_ahead_db(&self) -> f64 {
        self.octave.upper_ahead_db()
    }

    /// The worst loss of the two as they stand, as it is heard.
    pub(super) fn worst_db(&self) -> f64 {
        self.octave.loss(Pair { lower: 1.0, upper: 1.0 }, 0.0, false, Width::Sixth).worst_db
    }

    /// The delays about which nothing is better, for one polarity.
    fn ways(&self, turned: bool, step_s: f64, period_s: f64) -> Vec<Delayed> {
        #[expect(clippy::cast_possible_truncation, reason = "a few thousand steps")]
        let most = (WITHIN_PERIODS * period_s / step_s).ceil().max(2.0) as i32;
        let all: Vec<Delayed> = self.octave.losses(self.level, turned, step_s, most, Width::Sixth).collect();
        let cost = |at: &Delayed| at.loss.cost();
        let lowest = |ways: &[Delayed]| cost(&ways[1]) <= cost(&ways[0]) && cost(&ways[1]) < cost(&ways[2]);
        let ways: Vec<Delayed> = all.windows(3).filter(|ways| lowest(ways)).map(|ways| ways[1]).collect();
        if ways.is_empty() {
            // The cost falls all the way to one end.
            return all.into_iter().min_by(|a, b| cost(a).total_cmp(&cost(b))).into_iter().collect();
        }
        ways
    }
}

/// Chooses for all sides of a crossover at once.
///
/// Least is `mean over the sides of cost + ½·(2τ/T)²`, `+ 2·(2(τ₁ − τ₂)/T)²` where there are two
/// sides, `+ 0.1` for turning over, `+ 1.5` times what the wiring says against it, all in dB: `τ`
/// is the delay beside the arrivals, `T` the crossover's period, and the cost that of
/// [`crate::align`] over sixths of an octave. What is added only chooses among delays that are each the best nearby; it
/// shifts none of them. `alike` says, from −1 to 1, whether the neighbours are wired alike.
pub(super) fn choose(junctions: &[Junction], crossover_hz: f64, delay: DelayGrid, alike: f64) -> Settled {
    let period_s = 1.0 / crossover_hz;
    let step_s = delay.step_s.max(period_s / 2_000.0);
    let half = |time_s: f64| (2.0 * time_s / period_s) * (2.0 * time_s / period_s);
    let mut best: Option<(f64, Settled)> = None;
    for turned in [false, true] {
        let ways: Vec<Vec<Delayed>> =
            junctions.iter().map(|junction| junction.ways(turned, step_s, period_s)).collect();
        let against = if turned { alike.max(0.0) } else { (-alike).max(0.0) };
        let fixed_db = WIRING_COUNTS_DB * against + if turned { TURNING_COSTS_DB } else { 0.0 };
        for chosen in combinations(&ways) {
            let each = |way: &Delayed| way.loss.cost() + HALF_A_PERIOD_COSTS_DB * half(way.upper_later_s);
            #[expect(clippy::cast_precision_loss, reason = "one or two sides")]
            let mean_db = chosen.iter().map(each).sum::<f64>() / chosen.len() as f64;
            let apart_db = match chosen[..] {
                [one, other] => SIDES_APART_COST_DB * half(one.upper_later_s - other.upper_later_s),
                _ => 0.0,
            };
            let cost_db = fixed_db + mean_db + apart_db;
            if best.as_ref().is_none_or(|(least_db, _)| cost_db < least_db - 1e-9) {
                let upper_later_s = chosen.iter().map(|way| way.upper_later_s).collect();
                best = Some((cost_db, Settled { turned, upper_later_s }));
            }
        }
    }
    best.map_or_else(|| Settled { turned: false, upper_later_s: vec![0.0; junctions.len()] }, |best| best.1)
}

/// One way of each side, in every combination.
fn combinations(ways: &[Vec<Delayed>]) -> Vec<Vec<Delayed>> {
    ways.iter().fold(vec![Vec::new()], |before, ways| {
        before
            .iter()
            .flat_map(|chosen| ways.iter().map(|way| chosen.iter().copied().chain([*way]).collect()))
            .collect()
    })
}
