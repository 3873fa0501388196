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

use std::ops::Range;

use super::problem::{Forces, Problem};
use crate::linear::{dot, dot_three, solve_in_place};
use crate::{Band, BandKind};
use dsp::equalizer::curve::{Curve, add_curves};

/// Weight of the excess over the ceiling against the error.
pub(super) const CEILING_WEIGHT: f64 = 100.0;
/// Where a band's shape is below this share of its height, it is left out of the hessian,
/// which says how far to go; the gradient, which says whether, has all of it.
const REACH_ENDS: f64 = 0.01;

/// How far bands are settled.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Settling {
    /// Weight of the squared gains.
    gain_weight: f64,
    /// A step that gains less than this share of the cost is the last one.
    enough: f64,
}

impl Settling {
    /// While bands are looked for: 6 dB cost as much as an error of 0.04 dB. A gain that the data
    /// settle is off by less than 1 % for it; two neighbours that undo each other are not had for
    /// nothing.
    pub(super) const SEARCH: Self = Self { gain_weight: 5e-5, enough: 3e-4 };
    /// When they are found: to where the error is least.
    pub(super) const LAST: Self = Self { gain_weight: 5e-7, enough: 1e-5 };
}

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

    pub(super) fn band(&self) -> Band {
        let [log_f, gain_db, log_q] = self.value;
        Band { kind: self.kind, frequency_hz: log_f.exp(), gain_db, q: log_q.exp() }
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
    let mut sum = vec![0.0; problem.len()];
    let curves = bands.iter().map(|band| band.curve(problem.sample_rate_hz));
    add_curves(curves, &problem.axis, &mut Vec::new(), &mut sum);
    sum
}

/// The buffers of the solver, kept from one use to the next.
#[derive(Debug, Default)]
pub(super) struct Solver {
    settling: Settling,
    /// Derivatives by each free value, one after the other.
    jacobian: Vec<f64>,
    /// Derivatives by a value that is not free.
    unused: Vec<f64>,
    /// The derivatives, weighted.
    weighted: Vec<f64>,
    /// Which band and which of its values each column belongs to.
    columns: Vec<(usize, usize)>,
    /// The points between which each column matters to the hessian.
    reach: Vec<Range<usize>>,
    hessian: Vec<f64>,
    gradient: Vec<f64>,
    /// The weighted mean of each derivative.
    mean: Vec<f64>,
    factor: Vec<f64>,
    step: Vec<f64>,
    /// The sum of the bands that do not move.
    held: Vec<f64>,
    /// The sum of all bands, and of those that are tried.
    sum: Vec<f64>,
    trial_sum: Vec<f64>,
    trial: Vec<FreeBand>,
    product: Vec<f64>,
    forces: Forces,
}

impl Solver {
    pub(super) fn new(settling: Settling) -> Self {
        Self { settling, ..Self::default() }
    }

    /// What the bands cost: the value that is minimised.
    pub(super) fn cost(&self, problem: &Problem, bands: &[FreeBand], sum_db: &[f64]) -> f64 {
        let gains: f64 = bands.iter().map(|b| b.gain_db().powi(2)).sum();
        problem.cost(sum_db, CEILING_WEIGHT) + self.settling.gain_weight * gains
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
        self.held.clear();
        self.held.resize(problem.len(), 0.0);
        let still = bands.iter().enumerate().filter(|(index, _)| !moves(*index));
        let curves = still.map(|(_, band)| band.curve(problem.sample_rate_hz));
        add_curves(curves, &problem.axis, &mut self.product, &mut self.held);
        self.trial.clear();
        self.trial.extend_from_slice(bands);
        self.add_up(problem, &moves);
        std::mem::swap(&mut self.sum, &mut self.trial_sum);
        let mut damping = 1e-3;
        let mut cost = self.cost(problem, bands, &self.sum);
        for _ in 0..iterations {
            self.linearise(problem, bands, &moves);
            self.normal_equations(problem, bands);
            let mut gained = None;
            // A step that does not help is tried again with more damping.
            for _ in 0..6 {
                if self.step(bands, damping).is_none() {
                    damping *= 10.0;
                    continue;
                }
                self.add_up(problem, &moves);
                let trial_cost = self.cost(problem, &self.trial, &self.trial_sum);
                if trial_cost < cost {
                    gained = Some(cost - trial_cost);
                    damping = (damping * 0.2).max(1e-9);
                    break;
                }
                damping *= 6.0;
            }
            let Some(gained) = gained else { break };
            bands.copy_from_slice(&self.trial);
            std::mem::swap(&mut self.sum, &mut self.trial_sum);
            cost -= gained;
            if gained < self.settling.enough * cost + 1e-9 {
                break;
            }
        }
        cost
    }

    /// Adds up the bands that are tried to those that do not move.
    fn add_up(&mut self, problem: &Problem, moves: &impl Fn(usize) -> bool) {
        self.trial_sum.clone_from(&self.held);
        let moving = self.trial.iter().enumerate().filter(|(index, _)| moves(*index));
        let curves = moving.map(|(_, band)| band.curve(problem.sample_rate_hz));
        add_curves(curves, &problem.axis, &mut self.product, &mut self.trial_sum);
    }

    /// Fills the jacobian.
    fn linearise(&mut self, problem: &Problem, bands: &[FreeBand], moves: &impl Fn(usize) -> bool) {
        let count = problem.len();
        self.jacobian.resize(self.columns.len() * count, 0.0);
        self.unused.resize(3 * count, 0.0);
        self.reach.clear();
        let mut rest = &mut self.jacobian[..];
        for (_, band) in bands.iter().enumerate().filter(|(index, _)| moves(*index)) {
            let mut unused = self.unused.chunks_exact_mut(count);
            let columns = [0, 1, 2].map(|which| {
                if band.is_free(which) {
                    let (column, behind) = std::mem::take(&mut rest).split_at_mut(count);
                    rest = behind;
                    column
                } else {
                    unused.next().unwrap_or_default()
                }
            });
            let curve = band.curve(problem.sample_rate_hz);
            curve.write_slopes(&problem.axis, columns);
            let reach = curve.reach(&problem.axis, REACH_ENDS);
            self.reach.extend((0..3).filter(|&which| band.is_free(which)).map(|_| reach.clone()));
        }
    }

    /// `H = Jᵀ W J` and `g = Jᵀ W r`, the offset eliminated, the ceiling added.
    fn normal_equations(&mut self, problem: &Problem, bands: &[FreeBand]) {
        let count = problem.len();
        let size = self.columns.len();
        problem.forces(&self.sum, CEILING_WEIGHT, &mut self.forces);
        self.weighted.resize(size * count, 0.0);
        self.gradient.resize(size, 0.0);
        self.mean.resize(size, 0.0);
        let rows = self.jacobian.chunks_exact(count).zip(self.weighted.chunks_exact_mut(count));
        for (column, (derivative, weighted)) in rows.enumerate() {
            self.gradient[column] = dot(derivative, &self.forces.pull);
            // Where the level follows, only what is not a change of level counts.
            self.mean[column] =
                if self.forces.level_follows { dot(derivative, &problem.weight) } else { 0.0 };
            for ((weighted, derivative), stiffness) in
                weighted.iter_mut().zip(derivative).zip(&self.forces.stiffness)
            {
                *weighted = stiffness * derivative;
            }
        }
        self.multiply_columns(count);
        for (column, &(band, which)) in self.columns.iter().enumerate() {
            if which == 1 {
                self.gradient[column] -= self.settling.gain_weight * bands[band].gain_db();
                self.hessian[column * size + column] += self.settling.gain_weight;
            }
        }
    }

    /// The hessian's products of columns, three columns with three at once.
    fn multiply_columns(&mut self, count: usize) {
        let size = self.columns.len();
        self.hessian.resize(size * size, 0.0);
        // Beyond the last column it stands once more.
        let three = |first: usize| [first, (first + 1).min(size - 1), (first + 2).min(size - 1)];
        let reach = |columns: [usize; 3]| {
            let [a, b, c] = columns.map(|column| &self.reach[column]);
            a.start.min(b.start).min(c.start)..a.end.max(b.end).max(c.end)
        };
        for first in (0..size).step_by(3) {
            let ones = three(first);
            for second in (0..=first).step_by(3) {
                let others = three(second);
                let (one, other) = (reach(ones), reach(others));
                let from = one.start.max(other.start);
                let to = one.end.min(other.end).max(from);
                let products = dot_three(
                    ones.map(|column| &self.weighted[column * count..][from..to]),
                    others.map(|column| &self.jacobian[column * count..][from..to]),
                );
                for (&column, products) in ones.iter().zip(products) {
                    for (&other, product) in others.iter().zip(products) {
                        let value = product - self.mean[column] * self.mean[other];
                        self.hessian[column * size + other] = value;
                        self.hessian[other * size + column] = value;
                    }
                }
            }
        }
    }

    /// Puts the bands after one damped step on trial; `None` when it cannot be computed.
    fn step(&mut self, bands: &[FreeBand], damping: f64) -> Option<()> {
        let size = self.columns.len();
        self.factor.clone_from(&self.hessian);
        self.step.clone_from(&self.gradient);
        for (column, &(band, which)) in self.columns.iter().enumerate() {
            let (band, pull) = (&bands[band], self.gradient[column]);
            let pinned = (band.value[which] <= band.low[which] && pull < 0.0)
                || (band.value[which] >= band.high[which] && pull > 0.0);
            if pinned {
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
        self.trial.clear();
        self.trial.extend_from_slice(bands);
        for (&(band, which), step) in self.columns.iter().zip(&self.step) {
            let b = &mut self.trial[band];
            let moved = b.value[which] + step.clamp(-LONGEST[which], LONGEST[which]);
            b.value[which] = moved.clamp(b.low[which], b.high[which]);
        }
        Some(())
    }
}
