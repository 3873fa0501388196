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

use std::f64::consts::{LN_10, PI};

use crate::{Response, log_axis};

const POINTS_PER_OCTAVE: f64 = 48.0;
/// Above, a delay of some milliseconds turns the phase by more than half a turn
/// from point to point, and nothing can be said.
const HIGHEST_HZ: f64 = 2_000.0;

/// Measured minus minimum phase on an even log axis.
pub(super) struct ExcessPhase {
    frequency_hz: Vec<f64>,
    degrees: Vec<f64>,
}

impl ExcessPhase {
    /// `None` when the response has no phase or too little range.
    pub(super) fn new(response: &Response) -> Option<Self> {
        response.phase_deg.as_ref()?;
        let (low, high) = response.range_hz();
        let frequency_hz = log_axis::grid(low, high.min(2.0 * HIGHEST_HZ), POINTS_PER_OCTAVE);
        if frequency_hz.len() < 48 {
            return None;
        }
        let nepers: Vec<f64> =
            frequency_hz.iter().map(|&f| response.db_at(f).unwrap_or(0.0) * LN_10 / 20.0).collect();
        let minimum = minimum_phase(&frequency_hz, &nepers);
        let wrapped: Vec<f64> = frequency_hz
            .iter()
            .zip(&minimum)
            .map(|(&f, &minimum)| response.phase_at(f).unwrap_or(0.0) - minimum.to_degrees())
            .collect();
        Some(Self { degrees: unwrapped_without_delay(&frequency_hz, &wrapped), frequency_hz })
    }

    /// How far the excess phase turns from one side of a dip to the other, beyond
    /// the delay that its surroundings show; `None` where it cannot be told.
    pub(super) fn turn_deg(&self, from_hz: f64, bottom_hz: f64, to_hz: f64) -> Option<f64> {
        if to_hz > HIGHEST_HZ {
            return None;
        }
        let at = |hz: f64| log_axis::interpolate(&self.frequency_hz, &self.degrees, hz);
        // The shoulders are as wide as the dip, at least a sixth of an octave.
        let width = (to_hz / from_hz).max(1.12);
        let (low, high) = (bottom_hz / width, bottom_hz * width);
        let (outer_low, outer_high) = (low / width.sqrt(), high * width.sqrt());
        let slope_below = (at(low)? - at(outer_low)?) / (low - outer_low);
        let slope_above = (at(outer_high)? - at(high)?) / (outer_high - high);
        // The flatter of the two is the delay: the dip's own tail only adds to it.
        let delay = if slope_below.abs() < slope_above.abs() { slope_below } else { slope_above };
        Some(at(high)? - at(low)? - delay * (high - low))
    }
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
            at_most("minimum phase", early.turn_deg(190.0, 250.0, 330.0).unwrap().abs(), 60.0);
            let late = ExcessPhase::new(&comb(1.0 / 0.6, 0.002, delay_s)).unwrap();
            let turn = late.turn_deg(190.0, 250.0, 330.0).unwrap().abs();
            assert!(turn > 150.0, "maximum phase turns by {turn}°");
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
