//! One crossover: the delay and the polarity with which neighbours add up, for a pair by itself or
//! for the left and the right side at once.

use crate::octave::{Delayed, Loss, Octave, TURNING_COSTS_DB, Width};
use crate::{DelayGrid, Pair};

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

/// Two neighbours of one side at their levels.
pub(crate) struct Junction<'a> {
    pub(crate) octave: &'a Octave,
    pub(crate) level: Pair<f64>,
}

/// Which delays are looked at.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Search {
    /// Every delay of a grid, point for point: nothing is known of the arrivals.
    Anywhere(DelayGrid),
    /// Those about the arrivals that are each the best nearby, as it is heard.
    NearArrivals {
        delay: DelayGrid,
        crossover_hz: f64,
        /// Whether the neighbours are wired alike, from −1 to 1.
        alike: f64,
    },
}

/// How a crossover is set.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Settled {
    /// Whether one of the neighbours is turned over, on every side.
    pub(crate) turned: bool,
    /// How much later the upper one plays, for each side.
    pub(crate) upper_later_s: Vec<f64>,
}

impl<'a> Junction<'a> {
    /// Both at the level at which they are equally loud about the crossover.
    pub(crate) fn levelled(octave: &'a Octave) -> Self {
        let level = Pair { lower: 10f64.powf(octave.upper_ahead_db() / 20.0), upper: 1.0 };
        Self { octave, level }
    }

    /// What is lost with one delay, point for point.
    pub(crate) fn loss(&self, upper_later_s: f64, turned: bool) -> Loss {
        self.octave.loss(self.level, upper_later_s, turned, Width::Point)
    }

    /// The delays worth choosing from, for one polarity.
    fn ways(&self, turned: bool, search: Search) -> Vec<Delayed> {
        match search {
            Search::Anywhere(delay) => vec![self.best(turned, delay)],
            Search::NearArrivals { delay, crossover_hz, .. } => {
                let period_s = 1.0 / crossover_hz;
                let step_s = delay.step_s.max(period_s / 2_000.0);
                #[expect(clippy::cast_possible_truncation, reason = "a few thousand steps")]
                let most = (WITHIN_PERIODS * period_s / step_s).ceil().max(2.0) as i32;
                best_nearby(self.octave.losses(self.level, turned, step_s, most, Width::Sixth).collect())
            }
        }
    }

    /// The best delay of a grid, of equals the shortest.
    fn best(&self, turned: bool, delay: DelayGrid) -> Delayed {
        #[expect(clippy::cast_possible_truncation, reason = "at most 100000 steps")]
        let most = (delay.max_s * (1.0 + 1e-9) / delay.step_s) as i32;
        let unmoved = Delayed { upper_later_s: 0.0, loss: self.loss(0.0, turned) };
        self.octave.losses(self.level, turned, delay.step_s, most, Width::Point).fold(
            unmoved,
            |best, next| {
                let gain = best.loss.cost() - next.loss.cost();
                let shorter = next.upper_later_s.abs() < best.upper_later_s.abs();
                if gain > 1e-9 || (gain > -1e-9 && shorter) { next } else { best }
            },
        )
    }
}

/// Those of neighbouring delays about which nothing is better.
fn best_nearby(all: Vec<Delayed>) -> Vec<Delayed> {
    let cost = |at: &Delayed| at.loss.cost();
    let lowest = |ways: &[Delayed]| cost(&ways[1]) <= cost(&ways[0]) && cost(&ways[1]) < cost(&ways[2]);
    let ways: Vec<Delayed> = all.windows(3).filter(|ways| lowest(ways)).map(|ways| ways[1]).collect();
    if ways.is_empty() {
        // The cost falls all the way to one end.
        return all.into_iter().min_by(|a, b| cost(a).total_cmp(&cost(b))).into_iter().collect();
    }
    ways
}

impl Search {
    /// What delays cost beside what they lose, one for each side.
    fn costs_db(self, upper_later_s: &[f64]) -> f64 {
        let Self::NearArrivals { crossover_hz, .. } = self else { return 0.0 };
        let half = |time_s: f64| (2.0 * time_s * crossover_hz) * (2.0 * time_s * crossover_hz);
        #[expect(clippy::cast_precision_loss, reason = "one or two sides")]
        let count = upper_later_s.len() as f64;
        let away_db =
            HALF_A_PERIOD_COSTS_DB * upper_later_s.iter().map(|&time_s| half(time_s)).sum::<f64>() / count;
        let apart_db = match upper_later_s {
            [one, other] => SIDES_APART_COST_DB * half(one - other),
            _ => 0.0,
        };
        away_db + apart_db
    }

    /// What a polarity costs.
    fn polarity_costs_db(self, turned: bool) -> f64 {
        let turning_db = if turned { TURNING_COSTS_DB } else { 0.0 };
        match self {
            Self::Anywhere(_) => turning_db,
            Self::NearArrivals { alike, .. } => {
                turning_db + WIRING_COUNTS_DB * if turned { alike.max(0.0) } else { (-alike).max(0.0) }
            }
        }
    }
}

/// Chooses for all sides of a crossover at once: one polarity, and a delay for each.
///
/// Least is the mean over the sides of the cost of [`Octave::loss`], and `0.1` for turning over. Near
/// the arrivals, `½·(2τ/T)²` for each side, `2·(2(τ₁ − τ₂)/T)²` where there are two, and `1.5` times
/// what the wiring says against it come on top, all in dB: `τ` is the delay beside the arrivals, `T`
/// the crossover's period. What comes on top only chooses among delays that are each the best nearby; it
/// shifts none of them.
pub(crate) fn choose(junctions: &[Junction<'_>], search: Search) -> Settled {
    let mut best: Option<(f64, Settled)> = None;
    for turned in [false, true] {
        let ways: Vec<Vec<Delayed>> =
            junctions.iter().map(|junction| junction.ways(turned, search)).collect();
        for chosen in combinations(&ways) {
            #[expect(clippy::cast_precision_loss, reason = "one or two sides")]
            let mean_db = chosen.iter().map(|way| way.loss.cost()).sum::<f64>() / chosen.len() as f64;
            let upper_later_s: Vec<f64> = chosen.iter().map(|way| way.upper_later_s).collect();
            let cost_db = mean_db + search.costs_db(&upper_later_s) + search.polarity_costs_db(turned);
            if best.as_ref().is_none_or(|(least_db, _)| cost_db < least_db - 1e-9) {
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
