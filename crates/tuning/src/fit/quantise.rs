//! The best bands that can be typed: a search over the profile's own grids.

use super::placement::HIGHEST_BAND_HZ;
use super::problem::{Forces, Problem};
use super::solver::{FreeBand, Settling, Solver, sum_of};
use crate::linear::dot;
use crate::{Band, BandKind, BandLayout, Grid, Profile};
use dsp::equalizer::curve::{Curve, warped};

/// Weight of the excess over the ceiling against the error. Much higher than
/// during the search before, because what is typed must keep the ceiling.
const CEILING_WEIGHT: f64 = 1e4;
/// So much may be exceeded.
const MOST_OVER_DB: f64 = 0.02;
/// From this Q on a band is looked at between the points of the problem, too.
const SHARP_Q: f64 = 3.0;
/// Rounds over all bands; the search ends earlier when nothing improves.
const MOST_ROUNDS: usize = 12;

/// Bands on the grid are good enough when they cost so many times what the best between the
/// grid's values cost: no more than 0.15 % of error.
const NEAR_ENOUGH: f64 = 1.003;
/// Where single steps end at more than so many times that, 1 % of error, the grid is coarse, and
/// more is tried.
const COARSE: f64 = 1.02;

/// Bands on the grid with their curves, so that one can be changed cheaply.
struct Typed<'a> {
    problem: &'a Problem,
    profile: &'a Profile,
    grids: Grids,
    bands: Vec<Band>,
    curves: Vec<Vec<f64>>,
    sum: Vec<f64>,
    forces: Forces,
}

/// One band a step lower: what all then cost, and what they exceed the ceiling by.
struct Lowered {
    cost: f64,
    over: Excess,
    index: usize,
    band: Band,
    curve: Vec<f64>,
    sum: Vec<f64>,
}

/// By how much bands exceed what they may add: where that is most, and over all points.
#[derive(Debug, Clone, Copy, Default)]
struct Excess {
    most_db: f64,
    total_db: f64,
}

/// The values that may be typed, the gains cut at the boost allowed.
#[derive(Clone)]
struct Grids {
    frequency: Option<Grid>,
    gain: Grid,
    q: Option<Grid>,
    shelf_q: Option<Grid>,
}

impl Grids {
    fn new(profile: &Profile, max_boost_db: f64) -> Self {
        let gain = profile
            .gain_db
            .within(profile.gain_db.min(), max_boost_db)
            .unwrap_or_else(|| profile.gain_db.clone());
        match &profile.bands {
            BandLayout::Parametric { frequency_hz, q, shelf_q, .. } => Self {
                frequency: frequency_hz
                    .within(frequency_hz.min(), HIGHEST_BAND_HZ)
                    .or_else(|| Some(frequency_hz.clone())),
                gain,
                q: Some(q.clone()),
                shelf_q: Some(shelf_q.clone()),
            },
            BandLayout::Fixed(_) => Self { frequency: None, gain, q: None, shelf_q: None },
        }
    }

    /// Every second value of frequency and gain.
    fn halved(&self) -> Self {
        Self {
            frequency: self.frequency.as_ref().map(Grid::halved),
            gain: self.gain.halved(),
            ..self.clone()
        }
    }

    fn q_of(&self, kind: BandKind) -> Option<&Grid> {
        if kind == BandKind::Peak { self.q.as_ref() } else { self.shelf_q.as_ref() }
    }

    /// The band so many places further on each grid.
    fn stepped(&self, band: &Band, [frequency, gain, q]: [isize; 3]) -> Band {
        let on = |grid: Option<&Grid>, value: f64, places: isize| match grid {
            Some(grid) if places != 0 => grid.stepped(value, places),
            _ => value,
        };
        Band {
            kind: band.kind,
            frequency_hz: on(self.frequency.as_ref(), band.frequency_hz, frequency),
            gain_db: on(Some(&self.gain), band.gain_db, gain),
            q: on(self.q_of(band.kind), band.q, q),
        }
    }

    /// The nearest band on the grid.
    fn nearest(&self, profile: &Profile, wanted: &Band) -> Band {
        let on = |grid: Option<&Grid>, value: f64| grid.map_or(value, |grid| grid.nearest(value));
        let frequency_hz = on(self.frequency.as_ref(), wanted.frequency_hz);
        let exact = Band { frequency_hz, gain_db: self.gain.nearest(wanted.gain_db), ..*wanted };
        let q = match &profile.bands {
            BandLayout::Parametric { .. } => on(self.q_of(exact.kind), profile.typed(&exact).q),
            BandLayout::Fixed(fixed) => fixed
                .iter()
                .min_by(|a, b| {
                    (a.frequency_hz - exact.frequency_hz)
                        .abs()
                        .total_cmp(&(b.frequency_hz - exact.frequency_hz).abs())
                })
                .map_or(exact.q, |band| band.q),
        };
        let frequency_hz = match &profile.bands {
            // The exponential of a logarithm is not the number itself.
            BandLayout::Fixed(fixed) => fixed
                .iter()
                .map(|band| band.frequency_hz)
                .min_by(|a, b| (a - frequency_hz).abs().total_cmp(&(b - frequency_hz).abs()))
                .unwrap_or(frequency_hz),
            BandLayout::Parametric { .. } => frequency_hz,
        };
        Band { frequency_hz, q, ..exact }
    }
}

/// Whether the level of the whole may fall for less boost: a shelf that cuts lowers what one that boosts leaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Level {
    Free,
    Held,
}

/// Of sets of bands brought to the grid, those with the fewest bands that are within this of the best win.
const FEWER_BANDS_COST_DB: f64 = 0.1;

/// Bands on the grid near one of the given sets, as they are typed: the fewest that are as good as
/// the best of them to a tenth of a decibel. Bands that end up flat are left out.
pub(super) fn best_of(
    problem: &Problem,
    profile: &Profile,
    sets: &[Vec<FreeBand>],
    max_boost_db: f64,
    level: Level,
) -> Vec<Band> {
    struct Answer {
        error_db: f64,
        cost: f64,
        bands: Vec<Band>,
    }
    let answers: Vec<Answer> = sets
        .iter()
        .map(|free| {
            let mut typed = quantised(problem, profile, free, max_boost_db, level);
            typed.bands.retain(|band| band.gain_db != 0.0);
            Answer { error_db: problem.error_db(&typed.sum), cost: typed.cost(), bands: typed.bands }
        })
        .collect();
    let least_db = answers.iter().map(|answer| answer.error_db).fold(f64::INFINITY, f64::min);
    let near = answers.into_iter().filter(|answer| answer.error_db <= least_db + FEWER_BANDS_COST_DB);
    let fewest = near
        .min_by(|one, other| one.bands.len().cmp(&other.bands.len()).then(one.cost.total_cmp(&other.cost)));
    let mut bands = fewest.map(|answer| answer.bands).unwrap_or_default();
    bands.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    bands
}

fn quantised<'a>(
    problem: &'a Problem,
    profile: &'a Profile,
    free: &[FreeBand],
    max_boost_db: f64,
    level: Level,
) -> Typed<'a> {
    // Without what the free bands exceed their ceiling by: those typed must not.
    let bound = problem.cost(&sum_of(problem, free), 0.0);
    let grids = Grids::new(profile, max_boost_db);
    let mut best = searched(problem, profile, free, &grids, bound);
    // Where the grid is coarse, its values are far apart, and a search among neighbours may be stuck where one among
    // those twice as far apart is not.
    if best.cost() > COARSE * bound {
        let coarser = searched(problem, profile, free, &grids.halved(), bound).bands;
        let other = Typed::new(problem, profile, grids, coarser).searched(bound);
        if other.cost() < best.cost() {
            best = other;
        }
    }
    if level == Level::Free {
        best = best.with_shelves_that_cut(bound);
    }
    best.lowered_to_ceiling()
}

/// The best on these grids near free bands.
fn searched<'a>(
    problem: &'a Problem,
    profile: &'a Profile,
    free: &[FreeBand],
    grids: &Grids,
    bound: f64,
) -> Typed<'a> {
    let best = Typed::rounded(problem, profile, free, grids.clone()).searched(bound);
    if best.cost() <= COARSE * bound {
        return best;
    }
    let one_by_one = Typed::rounded_one_by_one(problem, profile, free, grids.clone()).searched(bound);
    if one_by_one.cost() < best.cost() { one_by_one } else { best }
}

/// An error so much larger is as good.
const AS_GOOD_DB: f64 = 0.01;
/// A boost so much smaller is worth a change.
const LESS_BOOST_DB: f64 = 0.1;

/// The shelf that cuts the other side as much as this one boosts its own: times a gain it is the same
/// (`H(A, high) = A² H(1/A, low)`, from the formulas of the W3C's Audio EQ Cookbook). Nothing for other bands.
fn mirrored(band: &Band) -> Option<Band> {
    let kind = match band.kind {
        BandKind::LowShelf => BandKind::HighShelf,
        BandKind::HighShelf => BandKind::LowShelf,
        _ => return None,
    };
    (band.gain_db > 0.0).then_some(Band { kind, gain_db: -band.gain_db, ..*band })
}

impl<'a> Typed<'a> {
    fn new(problem: &'a Problem, profile: &'a Profile, grids: Grids, bands: Vec<Band>) -> Self {
        let mut typed = Self {
            problem,
            profile,
            grids,
            bands,
            curves: Vec::new(),
            sum: vec![0.0; problem.len()],
            forces: Forces::default(),
        };
        typed.curves = typed.bands.iter().map(|band| typed.curve(band)).collect();
        for curve in &typed.curves {
            typed.sum.iter_mut().zip(curve).for_each(|(s, c)| *s += c);
        }
        typed
    }

    /// All values rounded.
    fn rounded(problem: &'a Problem, profile: &'a Profile, free: &[FreeBand], grids: Grids) -> Self {
        let bands = free.iter().map(|free| grids.nearest(profile, &free.band())).collect();
        Self::new(problem, profile, grids, bands)
    }

    /// One band after the other rounded, the sharpest first, while those still free
    /// make up for it.
    fn rounded_one_by_one(
        problem: &'a Problem,
        profile: &'a Profile,
        free: &[FreeBand],
        grids: Grids,
    ) -> Self {
        let mut free = free.to_vec();
        let mut order: Vec<usize> = (0..free.len()).collect();
        let sharpness = |band: &FreeBand| band.value[2].exp() * band.gain_db().abs();
        order.sort_by(|&a, &b| sharpness(&free[b]).total_cmp(&sharpness(&free[a])));
        let mut solver = Solver::new(Settling::LAST);
        let mut settled = vec![false; free.len()];
        for index in order {
            free[index].value = values(&profile.cookbook(&grids.nearest(profile, &free[index].band())));
            settled[index] = true;
            solver.solve(problem, &mut free, |i| !settled[i], 2);
        }
        let bands = free.iter().map(|free| grids.nearest(profile, &free.band())).collect();
        Self::new(problem, profile, grids, bands)
    }

    fn filter(&self, typed: &Band) -> Curve {
        let band = self.profile.cookbook(typed);
        Curve::new(band.kind, band.frequency_hz, band.gain_db, band.q, self.problem.sample_rate_hz)
    }

    fn curve(&self, typed: &Band) -> Vec<f64> {
        let mut curve = vec![0.0; self.problem.len()];
        self.filter(typed).write_db(&self.problem.axis, &mut curve);
        curve
    }

    fn cost(&self) -> f64 {
        cost(self.problem, &self.sum)
    }

    /// Moves every band to the best of its neighbours on the grid, and neighbouring
    /// gains against each other, until nothing improves or the cost is near its lower bound.
    fn searched(mut self, bound: f64) -> Self {
        let mut best = self.cost();
        for _ in 0..MOST_ROUNDS {
            let before = best;
            for index in 0..self.bands.len() {
                if best <= NEAR_ENOUGH * bound {
                    return self;
                }
                best = self.step_one(index, &SINGLE_STEPS, best);
            }
            best = self.step_pairs(best);
            if best >= before * (1.0 - 1e-6) {
                if best <= COARSE * bound {
                    break;
                }
                // Single steps are stuck: look once at all neighbours around.
                let stuck = best;
                let all = all_neighbours();
                for index in 0..self.bands.len() {
                    best = self.step_one(index, &all, best);
                }
                if best >= stuck * (1.0 - 1e-6) {
                    break;
                }
            }
        }
        self
    }

    /// Each shelf that boosts made one that cuts the other side, where the error is as small and all bands together then
    /// boost less. A search that knows levels only by a slight pull takes either.
    fn with_shelves_that_cut(mut self, bound: f64) -> Self {
        let BandLayout::Parametric { kinds, .. } = &self.profile.bands else { return self };
        for index in 0..self.bands.len() {
            let Some(other) = mirrored(&self.profile.cookbook(&self.bands[index])) else { continue };
            if !kinds.contains(&other.kind) {
                continue;
            }
            let grids = self.grids.clone();
            let mut bands = self.bands.clone();
            bands[index] = grids.nearest(self.profile, &other);
            let trial = Self::new(self.problem, self.profile, grids, bands).searched(bound);
            let is_as_good =
                self.problem.error_db(&trial.sum) <= self.problem.error_db(&self.sum) + AS_GOOD_DB;
            if is_as_good && trial.most_db() < self.most_db() - LESS_BOOST_DB {
                self = trial;
            }
        }
        self
    }

    /// The most that all bands together add anywhere.
    fn most_db(&self) -> f64 {
        self.sum.iter().copied().fold(0.0, f64::max)
    }

    /// Steps gains, one step of one band after the other and the one that costs least, until nothing exceeds what may
    /// be added. A cut that becomes less raises the level of the whole, and with it what may be added.
    fn lowered_to_ceiling(mut self) -> Self {
        let mut over = self.excess(&self.sum, &self.bands);
        while over.most_db > MOST_OVER_DB {
            let mut best: Option<Lowered> = None;
            let mut bands = self.bands.clone();
            for (index, &band) in self.bands.iter().enumerate() {
                for places in [-1, 1] {
                    let trial = self.grids.stepped(&band, [0, places, 0]);
                    let curve = self.curve(&trial);
                    let sum: Vec<f64> =
                        (0..self.sum.len()).map(|i| self.sum[i] - self.curves[index][i] + curve[i]).collect();
                    bands[index] = trial;
                    let (trial_over, cost) = (self.excess(&sum, &bands), cost(self.problem, &sum));
                    bands[index] = band;
                    let is_better = best.as_ref().is_none_or(|best| cost < best.cost);
                    if trial_over.total_db < over.total_db && is_better {
                        best = Some(Lowered { cost, over: trial_over, index, band: trial, curve, sum });
                    }
                }
            }
            let Some(best) = best else { break };
            (over, self.sum) = (best.over, best.sum);
            (self.bands[best.index], self.curves[best.index]) = (best.band, best.curve);
        }
        self
    }

    /// By how much these bands exceed what may be added, at the points of the problem and at the
    /// middle of each band: a sharp one is highest between points.
    fn excess(&self, sum: &[f64], bands: &[Band]) -> Excess {
        let room_db = self.problem.room_below_ceiling_db(sum);
        let axis = &self.problem.axis;
        let at_middle = |band: &Band| -> Option<f64> {
            let place = warped(self.profile.cookbook(band).frequency_hz, self.problem.sample_rate_hz);
            let above = axis.partition_point(|&at| at < place);
            let below = above.checked_sub(1)?;
            let there: f64 = bands.iter().map(|band| self.filter(band).db(place)).sum();
            // The most that was allowed there, by what is left of it at the points beside.
            let allowed = |point: usize| Some(sum.get(point)? + room_db[point]);
            Some(there - f64::max(allowed(below)?, allowed(above)?))
        };
        let sharp = bands.iter().filter(|band| band.gain_db > 0.0 && band.q > SHARP_Q);
        let mut excess = Excess::default();
        for over in room_db.iter().map(|room| -room).chain(sharp.filter_map(at_middle)) {
            excess.most_db = excess.most_db.max(over);
            excess.total_db += over.max(0.0);
        }
        excess
    }

    /// How the cost changes with the values of one band.
    fn leaning(&mut self, index: usize) -> Leaning {
        let count = self.problem.len();
        let mut slopes = vec![0.0; 3 * count];
        let (by_frequency, rest) = slopes.split_at_mut(count);
        let (by_gain, by_q) = rest.split_at_mut(count);
        self.filter(&self.bands[index]).write_slopes(&self.problem.axis, [by_frequency, by_gain, by_q]);
        self.problem.forces(&self.sum, CEILING_WEIGHT, &mut self.forces);
        Leaning::new(self.problem, &self.forces, values(&self.profile.cookbook(&self.bands[index])), slopes)
    }

    /// Tries the steps of one band that promise something; keeps the best.
    fn step_one(&mut self, index: usize, steps: &[[isize; 3]], best: f64) -> f64 {
        let leaning = self.leaning(index);
        let held: Vec<f64> = self.sum.iter().zip(&self.curves[index]).map(|(s, c)| s - c).collect();
        let mut found: Option<(f64, Band, Vec<f64>, Vec<f64>)> = None;
        for &step in steps {
            let trial = self.grids.stepped(&self.bands[index], step);
            if trial == self.bands[index] || !leaning.promises(&self.profile.cookbook(&trial)) {
                continue;
            }
            let curve = self.curve(&trial);
            let sum: Vec<f64> = held.iter().zip(&curve).map(|(h, c)| h + c).collect();
            let cost = cost(self.problem, &sum);
            if cost < found.as_ref().map_or(best, |f| f.0) {
                found = Some((cost, trial, curve, sum));
            }
        }
        let Some((cost, band, curve, sum)) = found else { return best };
        self.bands[index] = band;
        self.curves[index] = curve;
        self.sum = sum;
        cost
    }

    /// Moves the gains of neighbouring bands by one step in opposite directions and
    /// in the same one.
    fn step_pairs(&mut self, mut best: f64) -> f64 {
        let mut order: Vec<usize> = (0..self.bands.len()).collect();
        order.sort_by(|&a, &b| self.bands[a].frequency_hz.total_cmp(&self.bands[b].frequency_hz));
        for pair in order.windows(2) {
            let leanings = [self.leaning(pair[0]), self.leaning(pair[1])];
            for (first, second) in [(1, -1), (-1, 1), (1, 1), (-1, -1)] {
                let one = self.grids.stepped(&self.bands[pair[0]], [0, first, 0]);
                let two = self.grids.stepped(&self.bands[pair[1]], [0, second, 0]);
                if !Leaning::promise_together(
                    self.problem,
                    &self.forces,
                    &leanings,
                    [one.gain_db, two.gain_db],
                ) {
                    continue;
                }
                let (one_curve, two_curve) = (self.curve(&one), self.curve(&two));
                let sum: Vec<f64> = (0..self.sum.len())
                    .map(|i| {
                        self.sum[i] - self.curves[pair[0]][i] - self.curves[pair[1]][i]
                            + one_curve[i]
                            + two_curve[i]
                    })
                    .collect();
                let cost = cost(self.problem, &sum);
                if cost < best {
                    best = cost;
                    self.bands[pair[0]] = one;
                    self.bands[pair[1]] = two;
                    self.curves[pair[0]] = one_curve;
                    self.curves[pair[1]] = two_curve;
                    self.sum = sum;
                    break;
                }
            }
        }
        best
    }
}

/// The values of a band (Q of the cookbook) as the solver has them.
fn values(band: &Band) -> [f64; 3] {
    [band.frequency_hz.ln(), band.gain_db, band.q.ln()]
}

/// A step is tried when the slope of the cost promises at least so much of what its
/// curvature takes back. From 1 on the cost would fall; below, a curve bends differently
/// than its slopes say.
const LEAST_PROMISE: f64 = 0.6;

/// How the cost changes with the values of one band, by its slope and curvature.
struct Leaning {
    values: [f64; 3],
    /// Half the slope, by each value, downwards.
    pull: [f64; 3],
    /// Half the curvature.
    stiffness: [[f64; 3]; 3],
    /// What the band's gain does at each point, and its weighted mean.
    by_gain: Vec<f64>,
    gain_mean: f64,
}

impl Leaning {
    fn new(problem: &Problem, forces: &Forces, values: [f64; 3], slopes: Vec<f64>) -> Self {
        let by = |which: usize| &slopes[which * problem.len()..(which + 1) * problem.len()];
        let mean =
            [0, 1, 2].map(|which| if forces.level_follows { dot(by(which), &problem.weight) } else { 0.0 });
        let mut stiffness = [[0.0; 3]; 3];
        for one in 0..3 {
            let stiff: Vec<f64> = by(one).iter().zip(&forces.stiffness).map(|(s, w)| s * w).collect();
            for other in 0..=one {
                stiffness[one][other] = dot(&stiff, by(other)) - mean[one] * mean[other];
                stiffness[other][one] = stiffness[one][other];
            }
        }
        let pull = [0, 1, 2].map(|which| dot(by(which), &forces.pull));
        Self { values, pull, stiffness, by_gain: by(1).to_vec(), gain_mean: mean[1] }
    }

    fn promises(&self, trial: &Band) -> bool {
        let trial = values(trial);
        let step = [0, 1, 2].map(|which| trial[which] - self.values[which]);
        let pulled: f64 = step.iter().zip(self.pull).map(|(step, pull)| step * pull).sum();
        let taken: f64 = (0..9).map(|i| step[i / 3] * self.stiffness[i / 3][i % 3] * step[i % 3]).sum();
        2.0 * pulled > LEAST_PROMISE * taken
    }

    /// The same for the gains of two bands.
    fn promise_together(problem: &Problem, forces: &Forces, bands: &[Self; 2], gains_db: [f64; 2]) -> bool {
        let step = [0, 1].map(|which| gains_db[which] - bands[which].values[1]);
        let between: f64 = (0..problem.len())
            .map(|i| forces.stiffness[i] * bands[0].by_gain[i] * bands[1].by_gain[i])
            .sum::<f64>()
            - bands[0].gain_mean * bands[1].gain_mean;
        let own = |which: usize| step[which] * step[which] * bands[which].stiffness[1][1];
        let pulled = step[0] * bands[0].pull[1] + step[1] * bands[1].pull[1];
        2.0 * pulled > LEAST_PROMISE * (own(0) + own(1) + 2.0 * step[0] * step[1] * between)
    }
}

fn cost(problem: &Problem, sum: &[f64]) -> f64 {
    problem.cost(sum, CEILING_WEIGHT)
}

/// One or several places along one grid.
const SINGLE_STEPS: [[isize; 3]; 14] = [
    [1, 0, 0],
    [-1, 0, 0],
    [0, 1, 0],
    [0, -1, 0],
    [0, 0, 1],
    [0, 0, -1],
    [0, 3, 0],
    [0, -3, 0],
    [0, 0, 8],
    [0, 0, -8],
    [5, 0, 0],
    [-5, 0, 0],
    [25, 0, 0],
    [-25, 0, 0],
];

/// All 27 places around one on the three grids.
fn all_neighbours() -> Vec<[isize; 3]> {
    (0..27).map(|i| [i % 3 - 1, i / 3 % 3 - 1, i / 9 - 1]).collect()
}
