//! Bounded descent: a quasi-Newton method with limited memory, steps cut at the bounds.
//!
//! References: D. C. Liu, J. Nocedal, *On the limited memory BFGS method for large scale
//! optimization*, Mathematical Programming 45, 1989 (the two-loop recursion); D. P. Bertsekas,
//! *Projected Newton methods for optimization problems with simple constraints*, SIAM J. Control
//! and Optimization 20(2), 1982 (values that stand at a bound and want to go beyond it are held; from
//! memory). It is the simpler kin of R. H. Byrd, P. Lu, J. Nocedal, C. Zhu, *A limited memory
//! algorithm for bound constrained optimization*, SIAM J. Sci. Comput. 16(5), 1995, against which
//! `cargo xtask reference` holds it.

use std::ops::ControlFlow;

use crate::linear::dot;

/// Pairs of steps and changes of slope that are remembered.
const MEMORY: usize = 12;
/// A step must bring this share of what its slope promises (Armijo; the usual value).
const SUFFICIENT: f64 = 1e-4;
/// The longest first step, in the units of the values, before any curvature is known.
const FIRST_STEP: f64 = 0.3;

/// What is minimised: it writes the slopes and returns the cost.
pub(super) trait Objective {
    /// The cost at some values, and its derivative by each. `Break` ends the descent where it is.
    fn cost(&mut self, values: &[f64], slopes: &mut [f64]) -> ControlFlow<(), f64>;
}

/// One step and how the slope changed over it.
struct Pair {
    step: Vec<f64>,
    change: Vec<f64>,
    /// `1 / step·change`.
    inverse: f64,
}

/// Lowers the cost from where the values stand, within `low..=high` of each, by at most so many
/// evaluations; ends earlier where three steps in a row gain less than `enough` of the cost.
/// Returns the cost reached; `None` when not even the first could be computed.
pub(super) fn descend(
    objective: &mut impl Objective,
    values: &mut [f64],
    bounds: (&[f64], &[f64]),
    evaluations: usize,
    enough: f64,
) -> Option<f64> {
    let count = values.len();
    let (low, high) = bounds;
    let mut slopes = vec![0.0; count];
    for ((value, low), high) in values.iter_mut().zip(low).zip(high) {
        *value = value.clamp(*low, *high);
    }
    let ControlFlow::Continue(mut cost) = objective.cost(values, &mut slopes) else { return None };
    let mut pairs: Vec<Pair> = Vec::new();
    let mut left = evaluations.saturating_sub(1);
    let (mut trial, mut trial_slopes) = (values.to_vec(), slopes.clone());
    let mut small_gains = 0;
    while left > 0 && small_gains < 3 {
        let held: Vec<bool> = (0..count)
            .map(|n| (values[n] <= low[n] && slopes[n] >= 0.0) || (values[n] >= high[n] && slopes[n] <= 0.0))
            .collect();
        let mut direction = direction(&slopes, &held, &pairs);
        if dot(&direction, &slopes) >= 0.0 {
            // No way down by what is remembered: begin anew.
            pairs.clear();
            direction = direction_plain(&slopes, &held);
        }
        let mut share = if pairs.is_empty() {
            let longest = direction.iter().fold(0.0f64, |most, step| most.max(step.abs()));
            if longest == 0.0 {
                break;
            }
            (FIRST_STEP / longest).min(1.0)
        } else {
            1.0
        };
        let mut found = None;
        while left > 0 {
            for n in 0..count {
                trial[n] = (values[n] + share * direction[n]).clamp(low[n], high[n]);
            }
            let promised: f64 = (0..count).map(|n| slopes[n] * (trial[n] - values[n])).sum();
            if promised >= 0.0 {
                break;
            }
            left -= 1;
            let ControlFlow::Continue(next) = objective.cost(&trial, &mut trial_slopes) else {
                return Some(cost);
            };
            if next <= cost + SUFFICIENT * promised {
                found = Some(next);
                break;
            }
            // The lowest point of the parabola through what is known, neither too near nor too far.
            let curve = next - cost - promised;
            share *= if curve > 0.0 { (-0.5 * promised / curve).clamp(0.1, 0.5) } else { 0.5 };
            if share < 1e-9 {
                break;
            }
        }
        let Some(next) = found else {
            if pairs.is_empty() {
                break;
            }
            pairs.clear();
            continue;
        };
        remember(&mut pairs, values, &trial, &slopes, &trial_slopes);
        values.copy_from_slice(&trial);
        std::mem::swap(&mut slopes, &mut trial_slopes);
        small_gains = if cost - next < enough * cost { small_gains + 1 } else { 0 };
        cost = next;
    }
    Some(cost)
}

fn direction_plain(slopes: &[f64], held: &[bool]) -> Vec<f64> {
    slopes.iter().zip(held).map(|(slope, held)| if *held { 0.0 } else { -slope }).collect()
}

/// `−H·slopes` over the values that are free, `H` from the pairs (the two-loop recursion).
fn direction(slopes: &[f64], held: &[bool], pairs: &[Pair]) -> Vec<f64> {
    let mut direction = direction_plain(slopes, held);
    let mut shares = Vec::with_capacity(pairs.len());
    for pair in pairs.iter().rev() {
        let share = pair.inverse * dot(&pair.step, &direction);
        add(&mut direction, -share, &pair.change);
        shares.push(share);
    }
    if let Some(pair) = pairs.last() {
        let scale = 1.0 / (pair.inverse * dot(&pair.change, &pair.change));
        direction.iter_mut().for_each(|value| *value *= scale);
    }
    for (pair, share) in pairs.iter().zip(shares.iter().rev()) {
        let back = pair.inverse * dot(&pair.change, &direction);
        add(&mut direction, share - back, &pair.step);
    }
    for (value, held) in direction.iter_mut().zip(held) {
        if *held {
            *value = 0.0;
        }
    }
    direction
}

fn add(to: &mut [f64], share: f64, what: &[f64]) {
    for (to, what) in to.iter_mut().zip(what) {
        *to += share * what;
    }
}

/// Keeps a pair whose curvature is positive.
fn remember(pairs: &mut Vec<Pair>, from: &[f64], to: &[f64], before: &[f64], after: &[f64]) {
    let difference = |a: &[f64], b: &[f64]| -> Vec<f64> { a.iter().zip(b).map(|(a, b)| a - b).collect() };
    let (step, change) = (difference(to, from), difference(after, before));
    let curvature = dot(&step, &change);
    if curvature <= 1e-10 * dot(&change, &change) {
        return;
    }
    if pairs.len() == MEMORY {
        pairs.remove(0);
    }
    pairs.push(Pair { step, change, inverse: 1.0 / curvature });
}

#[cfg(test)]
mod tests {
    use testkit::{all_near, near};

    use super::*;

    /// H. H. Rosenbrock's valley in several dimensions, 1960.
    struct Valley;

    impl Objective for Valley {
        fn cost(&mut self, x: &[f64], slopes: &mut [f64]) -> ControlFlow<(), f64> {
            slopes.fill(0.0);
            let mut cost = 0.0;
            for n in 0..x.len() - 1 {
                let (off, short) = (x[n + 1] - x[n] * x[n], 1.0 - x[n]);
                cost += 100.0 * off * off + short * short;
                slopes[n] += -400.0 * x[n] * off - 2.0 * short;
                slopes[n + 1] += 200.0 * off;
            }
            ControlFlow::Continue(cost)
        }
    }

    /// Source: analytic; the lowest point is at 1 in every direction.
    #[test]
    fn the_valley_is_followed_to_its_end() {
        let mut x = [-1.2, 1.0, -0.5, 0.8];
        let cost = descend(&mut Valley, &mut x, (&[-5.0; 4], &[5.0; 4]), 2_000, 1e-14).unwrap();
        near("cost", cost, 0.0, 1e-9);
        all_near("place", &x, &[1.0; 4], 1e-4);
    }

    /// Source: analytic; with x ≤ 0.5 in two dimensions the lowest point is (0.5, 0.25), cost 0.25.
    #[test]
    fn a_bound_holds() {
        let mut x = [-1.2, 1.0];
        let cost = descend(&mut Valley, &mut x, (&[-2.0; 2], &[0.5, 2.0]), 1_000, 1e-14).unwrap();
        near("cost", cost, 0.25, 1e-9);
        all_near("place", &x, &[0.5, 0.25], 1e-5);
    }
}
