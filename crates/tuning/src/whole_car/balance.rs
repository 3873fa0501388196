//! How much louder the left is than the right, as the result is judged.
//!
//! With `A[s]` the power mean of a side over the places: `B`, the mean of `10 lg A[left] − 10 lg A[right]` over what is
//! judged of both sides. The means of what is left do not say it: where the places of a side differ, a mean of their
//! decibels lies below their power mean.

use super::problem::Problem;

/// The square of it costs so much.
const COUNTS: f64 = 1.0;
const POWER_DB: f64 = 10.0 / std::f64::consts::LN_10;

/// The balance of a setting.
#[derive(Debug, Clone, Default)]
pub(super) struct Balance {
    /// What is judged of both sides.
    points: Vec<usize>,
    /// By side, and by those points.
    averages: [Vec<f64>; 2],
    left_louder_db: f64,
}

impl Balance {
    pub(super) fn new(problem: &Problem) -> Self {
        let points = (0..problem.points()).filter(|&point| problem.knows_both(point)).collect();
        Self { points, ..Self::default() }
    }

    /// Judges smoothed powers, `powers[side][place · points + point]`; `least` keeps the logarithm finite.
    pub(super) fn judge(&mut self, problem: &Problem, powers: &[Vec<f64>], least: f64) {
        for (averages, powers) in self.averages.iter_mut().zip(powers) {
            averages.clear();
            averages.resize(self.points.len(), least);
            for (powers, share) in powers.chunks_exact(problem.points()).zip(&problem.place_shares) {
                averages.iter_mut().zip(&self.points).for_each(|(sum, &point)| *sum += share * powers[point]);
            }
        }
        let [left, right] = &self.averages;
        let total: f64 = left.iter().zip(right).map(|(left, right)| (left / right).ln()).sum();
        self.left_louder_db = POWER_DB * total / self.count();
    }

    pub(super) fn cost(&self) -> f64 {
        COUNTS * self.left_louder_db.powi(2)
    }

    /// Adds the derivative of the cost by each power of left and right.
    pub(super) fn add_forces(&self, problem: &Problem, forces: &mut [Vec<f64>]) {
        for (side, sign) in [(0, 1.0), (1, -1.0)] {
            let force = sign * COUNTS * 2.0 * self.left_louder_db * POWER_DB / self.count();
            let places = forces[side].chunks_exact_mut(problem.points()).zip(&problem.place_shares);
            for (forces, share) in places {
                for (&point, average) in self.points.iter().zip(&self.averages[side]) {
                    forces[point] += force * share / average;
                }
            }
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    fn count(&self) -> f64 {
        self.points.len().max(1) as f64
    }
}
