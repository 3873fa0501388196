//! What a captured response changes by when the microphone stands elsewhere, from the response itself.
//!
//! Over linear frequency the power of direct sound and reflections is a sum of cosines, one for
//! each difference of two delays: `P(ω) = Σ A cos ωτ`. A microphone that stands elsewhere hears
//! the same cosines with delays that are a little longer or shorter, `τ + δ`. So the response before
//! tells where and how the next one can differ from it, but for the size of `δ`.

use std::f64::consts::{LN_2, LN_10, TAU};

use super::noise::{Noise, REACH};
use super::smear::smeared;
use crate::linear::dot;

/// Delays are told apart in such steps, from one step up to so many: to 18 ms, six metres (all
/// numbers here are our choice).
const STEP_S: f64 = 0.000_15;
const STEPS: usize = 120;
/// The response tells of them up to this frequency; above, steps are too wide for the phase.
const TELLS_UP_TO_HZ: f64 = 2_800.0;
/// And from so few points of it nothing is told.
const LEAST_POINTS: usize = 60;
/// Turns in which the energy of each delay and that of the noise are settled.
const TURNS: usize = 4;
/// What response there is without reflections is the mean over so many octaves.
const BARE_OCTAVES: f64 = 2.0;
/// No point is more uncertain than this, in nepers of power: a notch that moved is only so deep.
const MOST: f64 = 1.6;

/// How much is reflected at each delay.
#[derive(Debug, Clone)]
pub(super) struct Echoes {
    /// The mean square of `A`.
    energy: Vec<f64>,
}

/// The values that are tried: how far delays moved, and what is independent from point to point.
pub(super) const MOVED_S: [f64; 8] = [6e-6, 1e-5, 1.6e-5, 2.5e-5, 4e-5, 6.3e-5, 1e-4, 1.6e-4];
pub(super) const FLOORS_DB: [f64; 5] = [0.08, 0.12, 0.2, 0.4, 0.8];

fn delay_s(step: usize) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a hundred steps")]
    let step = (step + 1) as f64;
    STEP_S * step
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-6 { 1.0 } else { x.sin() / x }
}

/// What smoothing over an octave's part leaves of the cosine of a delay.
fn left_of(delay_s: f64, hz: f64, octaves: f64) -> f64 {
    sinc(0.5 * TAU * delay_s * hz * octaves * LN_2)
}

/// Power over what it would be without reflections.
pub(super) fn rippled(power: &[f64], points_per_octave: f64) -> Vec<f64> {
    let bare = smeared(power, BARE_OCTAVES * points_per_octave);
    let bare = smeared(&bare, 0.5 * BARE_OCTAVES * points_per_octave);
    power.iter().zip(bare).map(|(power, bare)| power / bare).collect()
}

impl Echoes {
    /// From a response over what it would be without reflections, smoothed over so many octaves.
    ///
    /// Each delay has an energy of its own, and it and the noise are those that make the
    /// response likeliest, found by expectation and maximisation. None from too few points.
    ///
    /// Reference: M. E. Tipping, J. Mach. Learn. Res. 1 (2001) 211 (sparse Bayesian learning; from memory).
    pub(super) fn of(frequency_hz: &[f64], rippled: &[f64], octaves: f64) -> Option<Self> {
        let count = frequency_hz.partition_point(|&hz| hz < TELLS_UP_TO_HZ);
        if count < LEAST_POINTS {
            return None;
        }
        let size = STEPS + 1;
        // The last column is a level.
        let mut columns: Vec<Vec<f64>> = (0..STEPS)
            .map(|step| {
                let delay_s = delay_s(step);
                frequency_hz[..count]
                    .iter()
                    .map(|&hz| (TAU * hz * delay_s).cos() * left_of(delay_s, hz, octaves))
                    .collect()
            })
            .collect();
        columns.push(vec![1.0; count]);
        let heard: Vec<f64> = rippled[..count].iter().map(|power| power - 1.0).collect();
        let square: Vec<f64> =
            columns.iter().flat_map(|one| columns.iter().map(|other| dot(one, other))).collect();
        let pull: Vec<f64> = columns.iter().map(|column| dot(column, &heard)).collect();
        let total = dot(&heard, &heard);
        #[expect(clippy::cast_precision_loss, reason = "a thousand points")]
        let (points, steps) = (count as f64, STEPS as f64);
        let mut noise = 0.2 * total / points + 1e-6;
        let mut energy = vec![2.0 * total / points / steps + 1e-7; size];
        energy[STEPS] = 1.0;
        for _ in 0..TURNS {
            let mut matrix = square.clone();
            for (at, value) in energy.iter().enumerate() {
                matrix[at * size + at] += noise / value;
            }
            let inverse = inverse(&matrix, size)?;
            let amplitude: Vec<f64> =
                (0..size).map(|row| dot(&inverse[row * size..(row + 1) * size], &pull)).collect();
            let mut known = 0.0;
            for step in 0..size {
                let uncertain = noise * inverse[step * size + step];
                known += 1.0 - uncertain / energy[step];
                if step < STEPS {
                    energy[step] = amplitude[step].powi(2) + uncertain;
                }
            }
            let fit: f64 = (0..size)
                .map(|row| amplitude[row] * dot(&square[row * size..(row + 1) * size], &amplitude))
                .sum();
            let left = (total - 2.0 * dot(&amplitude, &pull) + fit).max(0.0);
            noise = ((left + noise * known) / points).max(1e-6);
        }
        energy.truncate(STEPS);
        Some(Self { energy })
    }

    /// What each pair of near points shares, of points that so many others were averaged to.
    pub(super) fn shared(&self, frequency_hz: &[f64], counts: &[f64], octaves: f64) -> Shared {
        // Patterns that are finer than points lie are not averaged away but for chance.
        let points = (24.0 * octaves).max(1.0);
        let left = |delay_s: f64, hz: f64| left_of(delay_s, hz, octaves) * left_of(delay_s, hz, 1.0 / 24.0);
        // Decibels of deep notches count for more than their power where they are averaged as they are.
        let share = if octaves > 0.0 { 0.5 } else { 1.0 };
        let unresolved: Vec<f64> = frequency_hz
            .iter()
            .zip(counts)
            .map(|(&hz, count)| {
                let lost = |step: usize| self.energy[step] * (1.0 - left(delay_s(step), hz).powi(2));
                let energy: f64 = (0..STEPS).map(lost).sum();
                (share * energy / (count * points)).sqrt()
            })
            .collect();
        let part = |&hz: &f64, turned: f64| -> Vec<f64> {
            (0..STEPS)
                .map(|step| {
                    let delay_s = delay_s(step);
                    self.energy[step].sqrt() * (TAU * hz * delay_s - turned).cos() * left(delay_s, hz)
                })
                .collect()
        };
        let cosines: Vec<Vec<f64>> = frequency_hz.iter().map(|hz| part(hz, 0.0)).collect();
        let sines: Vec<Vec<f64>> = frequency_hz.iter().map(|hz| part(hz, 0.25 * TAU)).collect();
        let pairs = (0..frequency_hz.len())
            .map(|i| {
                (i.saturating_sub(REACH)..=i)
                    .map(|j| {
                        let (cosine, sine) = (dot(&cosines[i], &cosines[j]), dot(&sines[i], &sines[j]));
                        let (one, other) = (TAU * frequency_hz[i], TAU * frequency_hz[j]);
                        #[expect(clippy::cast_precision_loss, reason = "a few dozen points")]
                        let alike = (1.0 - (i - j) as f64 / points).max(0.0);
                        [
                            0.5 * (cosine + sine) * sinc(0.5 * (one - other) * STEP_S)
                                + unresolved[i] * unresolved[j] * alike,
                            0.5 * (cosine - sine) * sinc(0.5 * (one + other) * STEP_S),
                        ]
                    })
                    .collect()
            })
            .collect();
        Shared { pairs, frequency_hz: frequency_hz.to_vec() }
    }
}

/// What each point has in common with itself and those before it, of the difference and of the sum of their phases.
#[derive(Debug, Clone)]
pub(super) struct Shared {
    pairs: Vec<Vec<[f64; 2]>>,
    frequency_hz: Vec<f64>,
}

impl Shared {
    /// The noise in dB when delays moved by so much, as a standard deviation, each by its own.
    ///
    /// `E[(cos ω(τ+δ) − cos ωτ)(cos ω′(τ+δ) − cos ω′τ)]` for normal `δ`, with the products of cosines
    /// written as cosines of the difference and of the sum. A step of delays is filled evenly, which is
    /// the `sin x / x` of [`Echoes::shared`].
    pub(super) fn noise(&self, rippled: &[f64], moved_s: f64, floor_db: f64) -> Noise {
        let kept = |per_s: f64| (-0.5 * (per_s * moved_s).powi(2)).exp();
        let each: Vec<f64> = self.frequency_hz.iter().map(|hz| kept(TAU * hz)).collect();
        let power = |i: usize, at: usize| -> f64 {
            let j = i + 1 - self.pairs[i].len() + at;
            let (one, other) = (TAU * self.frequency_hz[i], TAU * self.frequency_hz[j]);
            let [apart, together] = self.pairs[i][at];
            let rest = 1.0 - each[i] - each[j];
            apart * (kept(one - other) + rest) + together * (kept(one + other) + rest)
        };
        let size: Vec<f64> = (0..rippled.len())
            .map(|i| {
                let variance = power(i, self.pairs[i].len() - 1).max(0.0);
                10.0 / LN_10 / (rippled[i].powi(2) + variance / (MOST * MOST)).sqrt()
            })
            .collect();
        let rows: Vec<Vec<f64>> = (0..rippled.len())
            .map(|i| {
                let count = self.pairs[i].len();
                let shared = |at: usize| size[i] * size[i + 1 - count + at] * power(i, at);
                let mut row: Vec<f64> = (0..count).map(shared).collect();
                row[count - 1] += floor_db * floor_db;
                row
            })
            .collect();
        Noise::of_covariance(&rows)
    }
}

/// The inverse of a symmetric positive definite matrix, by Cholesky's method.
fn inverse(matrix: &[f64], size: usize) -> Option<Vec<f64>> {
    // L of the matrix, and then its inverse M, row by row; the inverse is Mᵀ M.
    let mut lower = vec![0.0; size * size];
    for row in 0..size {
        for column in 0..=row {
            let known =
                dot(&lower[row * size..row * size + column], &lower[column * size..column * size + column]);
            let left = matrix[row * size + column] - known;
            lower[row * size + column] = if row == column {
                if left.is_nan() || left <= 0.0 {
                    return None;
                }
                left.sqrt()
            } else {
                left / lower[column * size + column]
            };
        }
    }
    // Columns of M as rows.
    let mut columns = vec![0.0; size * size];
    for column in 0..size {
        for row in column..size {
            let known = dot(
                &lower[row * size + column..row * size + row],
                &columns[column * size + column..column * size + row],
            );
            let one = f64::from(u8::from(row == column));
            columns[column * size + row] = (one - known) / lower[row * size + row];
        }
    }
    let mut inverse = vec![0.0; size * size];
    for one in 0..size {
        for other in 0..=one {
            let value = dot(
                &columns[one * size + one..(one + 1) * size],
                &columns[other * size + one..(other + 1) * size],
            );
            inverse[one * size + other] = value;
            inverse[other * size + one] = value;
        }
    }
    Some(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::log_axis;
    use testkit::{all_near, at_most, near};

    /// Source: analytic; direct sound and one reflection of 0.3 after 4.5 ms, which is 0.6 cos ωτ.
    #[test]
    fn a_reflection_is_found_at_its_delay() {
        let hz = log_axis::grid(20.0, 20_000.0, 96.0);
        for octaves in [0.0, 1.0 / 3.0] {
            let wave = |hz: &f64| 1.0 + 0.6 * (TAU * hz * 0.0045).cos() * left_of(0.0045, *hz, octaves);
            let power: Vec<f64> = hz.iter().map(wave).collect();
            let echoes = Echoes::of(&hz, &power, octaves).unwrap();
            let (all, own) = (echoes.energy.iter().sum::<f64>(), echoes.energy[29]);
            near("energy", own, 0.36, 0.02);
            at_most("elsewhere", all - own, 0.02);
        }
    }

    /// Source: analytic.
    #[test]
    fn too_few_points_tell_of_no_reflection() {
        assert!(Echoes::of(&[3_000.0; 500], &[1.0; 500], 0.0).is_none());
    }

    /// Source: multiplied out: the matrix times its inverse.
    #[test]
    fn a_matrix_times_its_inverse_is_one() {
        let matrix = [4.0, 2.0, 0.6, 2.0, 5.0, 1.0, 0.6, 1.0, 3.0];
        let inverse = inverse(&matrix, 3).unwrap();
        let row = |row: usize, column: usize| -> f64 {
            (0..3).map(|k| matrix[row * 3 + k] * inverse[k * 3 + column]).sum()
        };
        let product: Vec<f64> = (0..9).map(|at| row(at / 3, at % 3)).collect();
        all_near("product", &product, &[1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0], 1e-12);
        assert!(super::inverse(&[1.0, 2.0, 2.0, 1.0], 2).is_none());
    }
}
