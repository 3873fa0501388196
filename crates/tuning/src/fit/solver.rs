//! Damped least squares for bands: all free values of several bands at once,
//! within bounds, with analytic derivatives.
//!
//! Minimised is `Σ w (need + offset − Σ G)² + μ · mean(max(0, Σ G − ceiling)²)`
//! plus a trace of `Σ gain²`, which settles what the data leave open. A free
//! offset is eliminated (its best value is a weighted mean), values at a bound
//! that want to go beyond it are held, and steps are cut at the bounds.
//!
//! References: K. Levenberg 1944; D. Marquardt 1963 (scaled damping); elimination of
//! the linear parameter: G. Golub, V. Pereyra 1973. (From memory.)

use super::problem::{BOOST_WEIGHT, Problem};
use crate::BandKind;
use crate::curve::{Curve, sum_of_curves};
use crate::linear::{dot, solve_in_place};

/// Weight of the excess over the ceiling against the error.
const CEILING_WEIGHT: f64 = 100.0;
/// Weight of the squared gains: 6 dB cost as much as an error of 0.006 dB.
const GAIN_WEIGHT: f64 = 1e-6;

/// A band on its way: natural logarithms of frequency and cookbook Q, gain in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct FreeBand {
    pub(super) kind: BandKind,
    /// Log frequency, gain, log Q.
    pub(super) value: [f64; 3],
    pub(super) low: [f64; 3],
    pub(super) high: [f64; 3],
}

impl FreeBand {
    pub(super) fn curve(&self, sample_rate_hz: f64) -> Curve {
        let [log_f, gain_db, log_q] = self.value;
        Curve::new(self.kind, log_f.exp(), gain_db, log_q.exp(), sample_rate_hz)
    }

    pub(super) fn gain_db(&self) -> f64 {
        self.value[1]
    }

    fn is_free(&self, which: usize) -> bool {
        self.high[which] > self.low[which]
    }
}

/// What several bands add up to.
pub(super) fn sum_of(problem: &Problem, bands: &[FreeBand]) -> Vec<f64> {
    sum_of_curves(bands.iter().map(|band| band.curve(problem.sample_rate_hz)), &problem.axis)
}

fn sum_where(problem: &Problem, bands: &[FreeBand], which: impl Fn(usize) -> bool) -> Vec<f64> {
    let chosen = bands.iter().enumerate().filter(|(index, _)| which(*index));
    sum_of_curves(chosen.map(|(_, band)| band.curve(problem.sample_rate_hz)), &problem.axis)
}

/// The buffers of the solver, kept from one use to the next.
#[derive(Debug, Default)]
pub(super) struct Solver {
    /// Derivatives by each free value, one after the other.
    jacobian: Vec<f64>,
    /// The same, weighted and centred.
    weighted: Vec<f64>,
    /// Which band and which of its values each column belongs to.
    columns: Vec<(usize, usize)>,
    hessian: Vec<f64>,
    gradient: Vec<f64>,
    factor: Vec<f64>,
    step: Vec<f64>,
    held: Vec<f64>,
}

impl Solver {
    /// What the bands cost: the value that is minimised.
    pub(super) fn cost(problem: &Problem, bands: &[FreeBand], sum_db: &[f64]) -> f64 {
        let gains: f64 = bands.iter().map(|b| b.gain_db().powi(2)).sum();
        problem.mean_square(sum_db) + CEILING_WEIGHT * problem.excess(sum_db) + GAIN_WEIGHT * gains
    }

    /// Improves the bands that `moves` says; returns what they cost in the end.
    pub(super) fn solve(
        &mut self,
        problem: &Problem,
        bands: &mut [FreeBand],
        moves: impl Fn(usize) -> bool,
        iterations: usize,
    ) -> f64 {
        self.columns.clear();
        for (index, band) in bands.iter().enumerate().filter(|(index, _)| moves(*index)) {
            self.columns.extend((0..3).filter(|&which| band.is_free(which)).map(|which| (index, which)));
        }
        self.hold(problem, bands, &moves);
        let mut damping = 1e-3;
        let mut sum = self.linearise(problem, bands, &moves);
        let mut cost = Self::cost(problem, bands, &sum);
        for _ in 0..iterations {
            self.normal_equations(problem, bands, &sum);
            let mut better = None;
            // A step that does not help is tried again with more damping.
            for _ in 0..6 {
                let Some(trial) = self.stepped(bands, damping) else {
                    damping *= 10.0;
                    continue;
                };
                let trial_sum = self.moved_sum(problem, &trial, &moves);
                let trial_cost = Self::cost(problem, &trial, &trial_sum);
                if trial_cost < cost {
                    better = Some((trial, trial_cost));
                    damping = (damping * 0.2).max(1e-9);
                    break;
                }
                damping *= 6.0;
            }
            let Some((trial, trial_cost)) = better else { break };
            let gained = cost - trial_cost;
            bands.copy_from_slice(&trial);
            cost = trial_cost;
            if gained < 1e-4 * cost + 1e-9 {
                break;
            }
            sum = self.linearise(problem, bands, &moves);
        }
        cost
    }

    /// The sum of the bands that do not move.
    fn hold(&mut self, problem: &Problem, bands: &[FreeBand], moves: &impl Fn(usize) -> bool) {
        self.held = sum_where(problem, bands, |index| !moves(index));
    }

    fn moved_sum(&self, problem: &Problem, bands: &[FreeBand], moves: &impl Fn(usize) -> bool) -> Vec<f64> {
        let mut sum = sum_where(problem, bands, moves);
        sum.iter_mut().zip(&self.held).for_each(|(moved, held)| *moved += held);
        sum
    }

    /// Fills the jacobian; returns the sum of all bands.
    fn linearise(
        &mut self,
        problem: &Problem,
        bands: &[FreeBand],
        moves: &impl Fn(usize) -> bool,
    ) -> Vec<f64> {
        let count = problem.len();
        self.jacobian.resize(self.columns.len() * count, 0.0);
        let mut first = 0;
        for (_, band) in bands.iter().enumerate().filter(|(index, _)| moves(*index)) {
            let curve = band.curve(problem.sample_rate_hz);
            let free = [band.is_free(0), band.is_free(1), band.is_free(2)];
            let used = free.iter().filter(|f| **f).count();
            let columns = &mut self.jacobian[first * count..(first + used) * count];
            for (i, &u) in problem.axis.iter().enumerate() {
                let slope = curve.slope(u);
                let mut column = i;
                for (is_free, value) in free.iter().zip([slope.log_frequency, slope.gain, slope.log_q]) {
                    if *is_free {
                        columns[column] = value;
                        column += count;
                    }
                }
            }
            first += used;
        }
        self.moved_sum(problem, bands, moves)
    }

    /// `H = Jᵀ W J` and `g = Jᵀ W r`, the offset eliminated, the ceiling added.
    fn normal_equations(&mut self, problem: &Problem, bands: &[FreeBand], sum_db: &[f64]) {
        let count = problem.len();
        let size = self.columns.len();
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let (ceiling_weight, boost_weight) = (CEILING_WEIGHT / count as f64, BOOST_WEIGHT / count as f64);
        let offset = problem.offset_for(sum_db);
        let follows = problem.offset_follows(offset);
        // What lies over the ceiling pulls down, and weighs in the hessian, more than what
        // lies over the boost allowed for one band.
        let over: Vec<(f64, f64)> = sum_db
            .iter()
            .zip(&problem.ceiling_db)
            .map(|(sum, ceiling)| {
                let weigh =
                    |over: f64, weight: f64| if over > 0.0 { (weight * over, weight) } else { (0.0, 0.0) };
                let (hard, soft) =
                    (weigh(sum - ceiling, ceiling_weight), weigh(sum - problem.max_boost_db, boost_weight));
                (hard.0 + soft.0, hard.1 + soft.1)
            })
            .collect();
        let exceeded = over.iter().any(|(_, weight)| *weight > 0.0);
        let pull: Vec<f64> = (0..count)
            .map(|i| problem.weight[i] * (problem.need_db[i] + offset - sum_db[i]) - over[i].0)
            .collect();
        self.weighted.resize(size * count, 0.0);
        self.gradient.resize(size, 0.0);
        self.hessian.resize(size * size, 0.0);
        for (column, &(band, which)) in self.columns.iter().enumerate() {
            let derivative = &self.jacobian[column * count..(column + 1) * count];
            self.gradient[column] = dot(derivative, &pull);
            if which == 1 {
                self.gradient[column] -= GAIN_WEIGHT * bands[band].gain_db();
            }
            let mean = if follows { dot(derivative, &problem.weight) } else { 0.0 };
            let weighted = &mut self.weighted[column * count..(column + 1) * count];
            for i in 0..count {
                weighted[i] = problem.weight[i] * (derivative[i] - mean);
            }
            if exceeded {
                for ((weighted, (_, weight)), derivative) in weighted.iter_mut().zip(&over).zip(derivative) {
                    *weighted += weight * derivative;
                }
            }
            for other in 0..=column {
                let value = dot(weighted, &self.jacobian[other * count..(other + 1) * count]);
                self.hessian[column * size + other] = value;
                self.hessian[other * size + column] = value;
            }
            if which == 1 {
                self.hessian[column * size + column] += GAIN_WEIGHT;
            }
        }
    }

    /// The bands after one damped step; `None` when it cannot be computed.
    fn stepped(&mut self, bands: &[FreeBand], damping: f64) -> Option<Vec<FreeBand>> {
        let size = self.columns.len();
        let pinned: Vec<bool> = self
            .columns
            .iter()
            .zip(&self.gradient)
            .map(|(&(band, which), &g)| {
                let b = &bands[band];
                (b.value[which] <= b.low[which] && g < 0.0) || (b.value[which] >= b.high[which] && g > 0.0)
            })
            .collect();
        self.factor.clone_from(&self.hessian);
        self.step.clone_from(&self.gradient);
        for column in 0..size {
            if pinned[column] {
                for other in 0..size {
                    self.factor[column * size + other] = 0.0;
                    self.factor[other * size + column] = 0.0;
                }
                self.factor[column * size + column] = 1.0;
                self.step[column] = 0.0;
            } else {
                let diagonal = &mut self.factor[column * size + column];
                *diagonal += damping * (*diagonal + 1e-6);
            }
        }
        solve_in_place(&mut self.factor, &mut self.step, size)?;
        // Half an octave, 6 dB, twice or half the Q: beyond, the slopes say nothing.
        const LONGEST: [f64; 3] = [0.35, 6.0, 0.7];
        let mut trial = bands.to_vec();
        for (&(band, which), step) in self.columns.iter().zip(&self.step) {
            let b = &mut trial[band];
            let moved = b.value[which] + step.clamp(-LONGEST[which], LONGEST[which]);
            b.value[which] = moved.clamp(b.low[which], b.high[which]);
        }
        Some(trial)
    }
}
