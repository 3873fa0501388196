//! The best bands that can be typed: a search over the profile's own grids.

use super::problem::Problem;
use super::solver::{FreeBand, Solver};
use crate::curve::Curve;
use crate::{Band, BandKind, BandLayout, Grid, Profile};

/// Weight of the excess over the ceiling against the error. Much higher than
/// during the search before, because what is typed must keep the ceiling.
const CEILING_WEIGHT: f64 = 1e4;
/// Rounds over all bands; the search ends earlier when nothing improves.
const MOST_ROUNDS: usize = 12;

/// Bands on the grid with their curves, so that one can be changed cheaply.
struct Typed<'a> {
    problem: &'a Problem,
    profile: &'a Profile,
    grids: Grids,
    bands: Vec<Band>,
    curves: Vec<Vec<f64>>,
    sum: Vec<f64>,
}

/// The values that may be typed, the gains cut at the boost allowed.
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
                frequency: Some(frequency_hz.clone()),
                gain,
                q: Some(q.clone()),
                shelf_q: Some(shelf_q.clone()),
            },
            BandLayout::Fixed(_) => Self { frequency: None, gain, q: None, shelf_q: None },
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
    fn nearest(&self, profile: &Profile, free: &FreeBand) -> Band {
        let [log_f, gain_db, log_q] = free.value;
        let on = |grid: Option<&Grid>, value: f64| grid.map_or(value, |grid| grid.nearest(value));
        let frequency_hz = on(self.frequency.as_ref(), log_f.exp());
        let gain_db = self.gain.nearest(gain_db);
        let exact = Band { kind: free.kind, frequency_hz, gain_db, q: log_q.exp() };
        let q = match &profile.bands {
            BandLayout::Parametric { .. } => on(self.q_of(free.kind), profile.typed(&exact).q),
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

/// The best bands on the grid near the given ones, as they are typed; bands that
/// end up flat are left out.
pub(super) fn quantise(
    problem: &Problem,
    profile: &Profile,
    free: &[FreeBand],
    max_boost_db: f64,
) -> Vec<Band> {
    let at_once = Typed::rounded(problem, profile, free, max_boost_db).searched();
    let one_by_one = Typed::rounded_one_by_one(problem, profile, free, max_boost_db).searched();
    let best = if one_by_one.cost() < at_once.cost() { one_by_one } else { at_once };
    let mut bands = best.bands;
    bands.retain(|band| band.gain_db != 0.0);
    bands.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    bands
}

impl<'a> Typed<'a> {
    fn new(problem: &'a Problem, profile: &'a Profile, grids: Grids, bands: Vec<Band>) -> Self {
        let mut typed =
            Self { problem, profile, grids, bands, curves: Vec::new(), sum: vec![0.0; problem.len()] };
        typed.curves = typed.bands.iter().map(|band| typed.curve(band)).collect();
        for curve in &typed.curves {
            typed.sum.iter_mut().zip(curve).for_each(|(s, c)| *s += c);
        }
        typed
    }

    /// All values rounded.
    fn rounded(problem: &'a Problem, profile: &'a Profile, free: &[FreeBand], max_boost_db: f64) -> Self {
        let grids = Grids::new(profile, max_boost_db);
        let bands = free.iter().map(|band| grids.nearest(profile, band)).collect();
        Self::new(problem, profile, grids, bands)
    }

    /// One band after the other rounded, the sharpest first, while those still free
    /// make up for it.
    fn rounded_one_by_one(
        problem: &'a Problem,
        profile: &'a Profile,
        free: &[FreeBand],
        max_boost_db: f64,
    ) -> Self {
        let grids = Grids::new(profile, max_boost_db);
        let mut free = free.to_vec();
        let mut order: Vec<usize> = (0..free.len()).collect();
        let sharpness = |band: &FreeBand| band.value[2].exp() * band.gain_db().abs();
        order.sort_by(|&a, &b| sharpness(&free[b]).total_cmp(&sharpness(&free[a])));
        let mut solver = Solver::default();
        let mut settled = vec![false; free.len()];
        for index in order {
            let typed = grids.nearest(profile, &free[index]);
            let band = profile.cookbook(&typed);
            free[index].value = [band.frequency_hz.ln(), band.gain_db, band.q.ln()];
            settled[index] = true;
            solver.solve(problem, &mut free, |i| !settled[i], 2);
        }
        let bands = free.iter().map(|band| grids.nearest(profile, band)).collect();
        Self::new(problem, profile, grids, bands)
    }

    fn curve(&self, typed: &Band) -> Vec<f64> {
        let band = self.profile.cookbook(typed);
        let curve =
            Curve::new(band.kind, band.frequency_hz, band.gain_db, band.q, self.problem.sample_rate_hz);
        self.problem.axis.iter().map(|&u| curve.db(u)).collect()
    }

    fn cost(&self) -> f64 {
        cost(self.problem, &self.sum)
    }

    /// Moves every band to the best of its neighbours on the grid, and neighbouring
    /// gains against each other, until nothing improves.
    fn searched(mut self) -> Self {
        let mut best = self.cost();
        for _ in 0..MOST_ROUNDS {
            let before = best;
            for index in 0..self.bands.len() {
                best = self.step_one(index, &SINGLE_STEPS, best);
            }
            best = self.step_pairs(best);
            if best >= before * (1.0 - 1e-6) {
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

    /// Tries steps of one band; keeps the best.
    fn step_one(&mut self, index: usize, steps: &[[isize; 3]], best: f64) -> f64 {
        let held: Vec<f64> = self.sum.iter().zip(&self.curves[index]).map(|(s, c)| s - c).collect();
        let mut found: Option<(f64, Band, Vec<f64>, Vec<f64>)> = None;
        for &step in steps {
            let trial = self.grids.stepped(&self.bands[index], step);
            if trial == self.bands[index] {
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
            for (first, second) in [(1, -1), (-1, 1), (1, 1), (-1, -1)] {
                let one = self.grids.stepped(&self.bands[pair[0]], [0, first, 0]);
                let two = self.grids.stepped(&self.bands[pair[1]], [0, second, 0]);
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
                }
            }
        }
        best
    }
}

fn cost(problem: &Problem, sum: &[f64]) -> f64 {
    problem.mean_square(sum) + CEILING_WEIGHT * problem.excess(sum)
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
