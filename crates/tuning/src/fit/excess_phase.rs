//! The phase of a response beyond what its magnitude explains.
//!
//! For a minimum-phase response the phase follows from the slope of the
//! magnitude (Bode's gain-phase relation):
//! `φ(f0) = (1/π) ∫ dM/du · ln coth(|u|/2) du`, `u = ln(f/f0)`, `M` in nepers.
//! What is left of the measured phase is delay and, through a cancellation, a turn.
//!
//! References: H. W. Bode, Network Analysis and Feedback Amplifier Design (1945),
//! ch. XIV (from memory). The integral is cut at the ends of the data, which bends
//! the result smoothly but adds no turn; test `a_dip_tells_by_its_phase`.

use std::f64::consts::{LN_2, LN_10, PI};

use crate::{Response, log_axis};

const POINTS_PER_OCTAVE: f64 = 48.0;
/// How far around its bottom a dip is looked at, in widths at half its depth: so far that
/// its turn and a delay can be told apart, and not so far that the next dip comes into sight.
const WIDTHS_AROUND: f64 = 2.0;
const AROUND_OCTAVES: (f64, f64) = (1.0 / 3.0, 1.0);

/// Measured minus minimum phase, unwrapped, at the response's own points.
pub(super) struct ExcessPhase {
    frequency_hz: Vec<f64>,
    degrees: Vec<f64>,
}

impl ExcessPhase {
    /// `None` when the response has no phase or too little range.
    pub(super) fn new(response: &Response) -> Option<Self> {
        let phase_deg = response.phase_deg.as_ref()?;
        let (low, high) = response.range_hz();
        let grid = log_axis::grid(low, high, POINTS_PER_OCTAVE);
        if grid.len() < 48 {
            return None;
        }
        let nepers: Vec<f64> =
            grid.iter().map(|&f| response.db_at(f).unwrap_or(0.0) * LN_10 / 20.0).collect();
        let minimum = minimum_phase(&grid, &nepers);
        let frequency_hz = response.frequency_hz.clone();
        let wrapped: Vec<f64> = frequency_hz
            .iter()
            .zip(phase_deg)
            .map(|(&f, measured)| {
                let inside = f.clamp(grid[0], grid[grid.len() - 1]);
                measured - log_axis::interpolate(&grid, &minimum, inside).unwrap_or(0.0).to_degrees()
            })
            .collect();
        Some(Self { degrees: unwrapped_without_delay(&frequency_hz, &wrapped), frequency_hz })
    }

    /// How much of a full turn the excess phase makes through a dip, beside a constant and
    /// a delay: 1 where the dip's zeros lie outside the unit circle, 0 for a minimum-phase
    /// dip. By least squares against what such a dip would do; `None` where there are too few
    /// points.
    ///
    /// A dip of depth `d` and width `w` octaves at half its depth is a peak filter with
    /// `1/Q = 2 sinh(w ln2 / 2)` (Audio EQ Cookbook); the Q of its zeros is `Q·10^(d/40)`, and
    /// outside the unit circle they turn the phase as an all-pass of that Q does.
    pub(super) fn turn(&self, bottom_hz: f64, depth_db: f64, width_octaves: f64) -> Option<f64> {
        let around = (WIDTHS_AROUND * width_octaves).clamp(AROUND_OCTAVES.0, AROUND_OCTAVES.1).exp2();
        let damping = 2.0 * (0.5 * LN_2 * width_octaves).sinh() * 10f64.powf(-depth_db / 40.0);
        let mut rows = Vec::new();
        for hz in log_axis::grid(bottom_hz / around, bottom_hz * around, POINTS_PER_OCTAVE) {
            let Some(degrees) = log_axis::interpolate(&self.frequency_hz, &self.degrees, hz) else {
                continue;
            };
            let x = hz / bottom_hz;
            let all_pass = -2.0 * (x * damping).atan2(1.0 - x * x) / (2.0 * PI);
            rows.push([1.0, x, all_pass, degrees / 360.0]);
        }
        (rows.len() >= 8).then(|| last_of_three(&rows))
    }
}

/// The third of three coefficients that bring three columns to a fourth by least squares,
/// by Gram-Schmidt.
fn last_of_three(rows: &[[f64; 4]]) -> f64 {
    let mut rows = rows.to_vec();
    for by in 0..2 {
        let square: f64 = rows.iter().map(|row| row[by] * row[by]).sum();
        for column in by + 1..4 {
            let share = rows.iter().map(|row| row[by] * row[column]).sum::<f64>() / square;
            rows.iter_mut().for_each(|row| row[column] -= share * row[by]);
        }
    }
    rows.iter().map(|row| row[2] * row[3]).sum::<f64>() / rows.iter().map(|row| row[2] * row[2]).sum::<f64>()
}

/// Bode's relation on an even log axis, in radians.
fn minimum_phase(frequency_hz: &[f64], nepers: &[f64]) -> Vec<f64> {
    let step = (frequency_hz[1] / frequency_hz[0]).ln();
    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    let kernel: Vec<f64> = (0..nepers.len())
        .map(|distance| {
            // Slopes stand between the points, so the nearest are half a step away.
            let u = (distance as f64 + 0.5) * step;
            (1.0 / (0.5 * u).tanh()).ln()
        })
        .collect();
    let slopes: Vec<f64> = nepers.windows(2).map(|pair| pair[1] - pair[0]).collect();
    (0..nepers.len())
        .map(|i| {
            let below: f64 = slopes[..i].iter().rev().zip(&kernel).map(|(s, k)| s * k).sum();
            let above: f64 = slopes[i..].iter().zip(&kernel).map(|(s, k)| s * k).sum();
            (below + above) / PI
        })
        .collect()
}

/// Unwraps a phase whose bulk is a delay: the delay is found from the median
/// turn per hertz between neighbours and taken out before the turns are counted.
fn unwrapped_without_delay(frequency_hz: &[f64], wrapped: &[f64]) -> Vec<f64> {
    let shortest = |turn: f64| turn - 360.0 * (turn / 360.0).round();
    let mut per_hz = 0.0;
    // From the lowest octaves up, where neighbours are close in hertz and the
    // delay cannot hide a whole turn; each pass may trust a wider range.
    for share in [8, 4, 2, 1] {
        let count = (frequency_hz.len() / share).max(3);
        let slopes = (1..count)
            .map(|i| {
                let width = frequency_hz[i] - frequency_hz[i - 1];
                per_hz + shortest(wrapped[i] - wrapped[i - 1] - per_hz * width) / width
            })
            .collect();
        per_hz = crate::average::median(slopes);
    }
    let flat: Vec<f64> = frequency_hz.iter().zip(wrapped).map(|(f, p)| p - per_hz * f).collect();
    let mut unwrapped = Vec::with_capacity(flat.len());
    let mut level = flat[0];
    unwrapped.push(level);
    for pair in flat.windows(2) {
        level += shortest(pair[1] - pair[0]);
        unwrapped.push(level);
    }
    unwrapped
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::{at_most, near};

    /// `1 + g e^(−jωt)` behind a delay: a minimum-phase comb for g < 1, and one of
    /// maximum phase for g > 1, with (up to a level) the same magnitude.
    fn comb(g: f64, spacing_s: f64, delay_s: f64) -> Response {
        let frequency_hz = log_axis::grid(20.0, 5_000.0, 96.0);
        let (mut magnitude_db, mut phase) = (Vec::new(), Vec::new());
        for &f in &frequency_hz {
            let w = 2.0 * PI * f;
            let (re, im) = (1.0 + g * (w * spacing_s).cos(), -g * (w * spacing_s).sin());
            magnitude_db.push(10.0 * (re * re + im * im).log10());
            let degrees = (im.atan2(re) - w * delay_s).to_degrees();
            phase.push(degrees - 360.0 * (degrees / 360.0).round());
        }
        Response { frequency_hz, magnitude_db, phase_deg: Some(phase), coherence: None, spread_db: None }
    }

    /// Source: analytic. The first notch of two sounds 2 ms apart lies at 250 Hz.
    #[test]
    fn a_dip_tells_by_its_phase() {
        for delay_s in [0.0, 0.004] {
            let early = ExcessPhase::new(&comb(0.6, 0.002, delay_s)).unwrap();
            at_most("minimum phase", early.turn(250.0, 12.0, 0.85).unwrap().abs(), 0.1);
            let late = ExcessPhase::new(&comb(1.0 / 0.6, 0.002, delay_s)).unwrap();
            let turn = late.turn(250.0, 12.0, 0.85).unwrap();
            assert!(turn > 0.8, "maximum phase makes {turn} turns");
        }
    }

    /// Source: analytic; a first-order low-pass has the phase −atan(f/fc).
    #[test]
    fn the_phase_of_a_low_pass_follows_from_its_magnitude() {
        let frequency_hz = log_axis::grid(1.0, 100_000.0, 48.0);
        let nepers: Vec<f64> = frequency_hz.iter().map(|f| -0.5 * (1.0 + (f / 300.0).powi(2)).ln()).collect();
        let phase = minimum_phase(&frequency_hz, &nepers);
        for hz in [100.0, 300.0, 900.0] {
            let got = log_axis::interpolate(&frequency_hz, &phase, hz).unwrap();
            near("phase", got.to_degrees(), -(hz / 300.0).atan().to_degrees(), 0.5);
        }
    }
}
