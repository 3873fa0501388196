//! One crossover on one side or both: a delay for each side, one polarity for both.

use crate::align::Octave;
use crate::{AlignError, AlignInput, DelayGrid, Pair, Response};

/// How far around the arrivals delays are looked at, in periods of the crossover: half a period
/// each way holds one best place for each polarity; the rest is for arrivals that are not exact.
const WITHIN_PERIODS: f64 = 0.75;
/// A delay half a period away from the arrivals must be better by this; one nearer, by the
/// square of the distance less. What adds up half a period away does so at one frequency only
/// (our choice, no source).
const HALF_A_PERIOD_COSTS_DB: f64 = 0.5;
/// The same for the two sides against each other: alike drivers are to be shifted alike.
const SIDES_APART_COST_DB: f64 = 2.0;
/// A turned polarity must be better by this, for it is easily mistaken later.
const TURNING_COSTS_DB: f64 = 0.1;
/// What speaks against a polarity by what the drivers say of their wiring weighs at most this much
/// (our choice, no source).
const WIRING_COUNTS_DB: f64 = 1.5;

/// Two neighbours of one side, as they stand.
pub(super) struct Junction {
    octave: Octave,
    level: Pair<f64>,
    /// The gains that make both equally loud.
    pub(super) gain_db: Pair<f64>,
}

/// A delay that is best among its neighbours.
#[derive(Debug, Clone, Copy)]
struct Way {
    upper_later_s: f64,
    cost_db: f64,
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
        let input = AlignInput::new(lower, upper);
        let octave = Octave::new(&input, crossover_hz)?;
        let (gain_db, _) = octave.gain(&input);
        let level = Pair { lower: amplitude(gain_db.lower), upper: amplitude(gain_db.upper) };
        Ok(Self { octave, level, gain_db })
    }

    /// The worst loss of the two as they stand, as it is heard.
    pub(super) fn worst_db(&self) -> f64 {
        self.octave.heard_loss(Pair { lower: 1.0, upper: 1.0 }, 0.0, false).worst_db
    }

    /// The delays about which nothing is better, for one polarity.
    fn ways(&self, turned: bool, step_s: f64, period_s: f64) -> Vec<Way> {
        #[expect(clippy::cast_possible_truncation, reason = "a few thousand steps")]
        let most = (WITHIN_PERIODS * period_s / step_s).ceil().max(2.0) as i32;
        let way = |step: i32| {
            let upper_later_s = f64::from(step) * step_s;
            Way { upper_later_s, cost_db: self.octave.heard_loss(self.level, upper_later_s, turned).cost() }
        };
        let all: Vec<Way> = (-most..=most).map(way).collect();
        let lowest = |ways: &[Way]| ways[1].cost_db <= ways[0].cost_db && ways[1].cost_db < ways[2].cost_db;
        let ways: Vec<Way> = all.windows(3).filter(|ways| lowest(ways)).map(|ways| ways[1]).collect();
        if ways.is_empty() {
            // The cost falls all the way to one end.
            return all.into_iter().min_by(|a, b| a.cost_db.total_cmp(&b.cost_db)).into_iter().collect();
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
        let ways: Vec<Vec<Way>> =
            junctions.iter().map(|junction| junction.ways(turned, step_s, period_s)).collect();
        let against = if turned { alike.max(0.0) } else { (-alike).max(0.0) };
        let fixed_db = WIRING_COUNTS_DB * against + if turned { TURNING_COSTS_DB } else { 0.0 };
        for chosen in combinations(&ways) {
            let each = |way: &Way| way.cost_db + HALF_A_PERIOD_COSTS_DB * half(way.upper_later_s);
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
fn combinations(ways: &[Vec<Way>]) -> Vec<Vec<Way>> {
    ways.iter().fold(vec![Vec::new()], |before, ways| {
        before
            .iter()
            .flat_map(|chosen| ways.iter().map(|way| chosen.iter().copied().chain([*way]).collect()))
            .collect()
    })
}

fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}
