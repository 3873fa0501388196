//! Crossover filters and bands as complex numbers on an axis, with their derivatives.
//!
//! A digital filter by the bilinear transform is its analog prototype at
//! `s = jΩ`, `Ω = tan(πf/fs) / tan(πf0/fs)`; everything here is computed on that axis:
//!
//! ```text
//! low-pass    F = Π 1 / (1 + s/(wQ) + s²/w²)      high-pass: s replaced by 1/s
//! peak        B = (s² + sA/Q + 1) / (s² + s/(AQ) + 1),               A = 10^(gain/40)
//! low shelf   B = A (s² + s√A/Q + A) / (As² + s√A/Q + 1)
//! high shelf  B = A (As² + s√A/Q + 1) / (s² + s√A/Q + A)
//! ```
//!
//! Derivatives are those of the logarithm, `∂ ln F = ∂F / F`: the real part is a change of level
//! in nepers, the imaginary part one of phase.
//!
//! References: R. Bristow-Johnson, Audio EQ Cookbook, W3C Note 2021-06-08; the derivatives are
//! ours. Accuracy: equal to the filters of `dsp` to 1e-9, `filters_are_those_of_dsp`; derivatives
//! against differences, `slopes_are_those_of_differences`.

use std::f64::consts::{LN_10, PI};

use dsp::biquad::Cascade;
use num_complex::Complex64;

use crate::{Band, BandKind, CarFilter};

/// The frequencies at which a car is looked at.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Axis {
    pub(super) hz: Vec<f64>,
    /// `tan(πf/fs)`.
    warped: Vec<f64>,
    sample_rate_hz: f64,
}

impl Axis {
    pub(super) fn new(hz: Vec<f64>, sample_rate_hz: f64) -> Self {
        let warped = hz.iter().map(|&hz| warped(hz, sample_rate_hz)).collect();
        Self { hz, warped, sample_rate_hz }
    }

    pub(super) fn len(&self) -> usize {
        self.hz.len()
    }

    /// `d ln Ω / d ln f0`, negative: the axis slides down when the filter goes up.
    fn slide(&self, hz: f64) -> f64 {
        let angle = 2.0 * PI * hz.min(0.4999 * self.sample_rate_hz) / self.sample_rate_hz;
        -angle / angle.sin()
    }
}

fn warped(hz: f64, sample_rate_hz: f64) -> f64 {
    (PI * hz.min(0.4999 * sample_rate_hz) / sample_rate_hz).tan()
}

/// One pole, or a pair of them, of a low-pass with its corner at `Ω = 1`:
/// `1 + s·first + s²·second`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Factor {
    first: f64,
    second: f64,
}

/// A crossover filter whose corner can move.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Slope {
    factors: Vec<Factor>,
    is_high_pass: bool,
}

/// Where a filter is designed to read its prototype from: far from half the sample rate.
const READ_AT: f64 = 0.02;

impl Slope {
    /// The slope of a filter; `None` where there is no such filter.
    pub(super) fn new(filter: &CarFilter, is_high_pass: bool) -> Option<Self> {
        let corner_hz = READ_AT;
        let cascade = CarFilter { frequency_hz: corner_hz, ..*filter }.low_pass(1.0).ok()?;
        Some(Self { factors: factors(&cascade, warped(corner_hz, 1.0)), is_high_pass })
    }

    /// Multiplies the values by the filter's response.
    pub(super) fn multiply(&self, axis: &Axis, corner_hz: f64, values: &mut [Complex64]) {
        let inverse = 1.0 / warped(corner_hz, axis.sample_rate_hz);
        for (value, warped) in values.iter_mut().zip(&axis.warped) {
            let below = if self.is_high_pass { -1.0 / (warped * inverse) } else { warped * inverse };
            let product: Complex64 = self.factors.iter().map(|factor| factor.at(below)).product();
            *value /= product;
        }
    }

    /// `Re Σ weight · ∂ ln F / ∂ ln corner`.
    pub(super) fn pull(&self, axis: &Axis, corner_hz: f64, weights: &[Complex64]) -> f64 {
        let inverse = 1.0 / warped(corner_hz, axis.sample_rate_hz);
        let slide = axis.slide(corner_hz) * if self.is_high_pass { -1.0 } else { 1.0 };
        let mut sum = 0.0;
        for (weight, warped) in weights.iter().zip(&axis.warped) {
            let below = if self.is_high_pass { -1.0 / (warped * inverse) } else { warped * inverse };
            let slope: Complex64 = self.factors.iter().map(|factor| factor.slope_at(below)).sum();
            sum -= (weight * slope).re;
        }
        sum * slide
    }
}

impl Factor {
    fn at(self, omega: f64) -> Complex64 {
        Complex64::new(1.0 - self.second * omega * omega, self.first * omega)
    }

    /// `d ln / d ln Ω`.
    fn slope_at(self, omega: f64) -> Complex64 {
        Complex64::new(-2.0 * self.second * omega * omega, self.first * omega) / self.at(omega)
    }
}

/// The prototype of a low-pass from its digital sections.
///
/// With `k = tan(πf/fs)` of a pole pair, its section has `a₁ = 2(k²−1)/N`, `a₂ = (1−k/Q+k²)/N`,
/// `N = 1+k/Q+k²`, so that `1+a₁+a₂ = 4k²/N`, `1−a₁+a₂ = 4/N`, `1−a₂ = 2(k/Q)/N`; a real pole has
/// `a₁ = (k−1)/(k+1)`, `a₂ = 0`.
fn factors(cascade: &Cascade, corner: f64) -> Vec<Factor> {
    let read = |section: &dsp::biquad::Biquad| {
        let [a1, a2] = section.a();
        if a2 == 0.0 {
            let k = (1.0 + a1) / (1.0 - a1);
            return Factor { first: corner / k, second: 0.0 };
        }
        let (low, high, width) = (1.0 + a1 + a2, 1.0 - a1 + a2, 2.0 * (1.0 - a2));
        // k² = low/high and k/Q = width/high; a pole at w = k/corner of quality Q.
        Factor { first: corner * width / low, second: corner * corner * high / low }
    };
    cascade.sections().iter().map(read).collect()
}

/// One band: natural logarithms of frequency and cookbook Q, gain in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bell {
    pub(super) kind: BandKind,
    pub(super) log_hz: f64,
    pub(super) gain_db: f64,
    pub(super) log_q: f64,
}

impl From<&Band> for Bell {
    fn from(band: &Band) -> Self {
        Self { kind: band.kind, log_hz: band.frequency_hz.ln(), gain_db: band.gain_db, log_q: band.q.ln() }
    }
}

impl Bell {
    /// The band, `q` by the cookbook.
    pub(super) fn band(&self) -> Band {
        Band { kind: self.kind, frequency_hz: self.log_hz.exp(), gain_db: self.gain_db, q: self.log_q.exp() }
    }

    /// Numerator and denominator as `(1, s, s²)` without the factor in front, and what their
    /// middle and outer coefficients become per neper of `A`.
    fn polynomials(&self) -> ([f64; 3], [f64; 3], f64) {
        let amplitude = 10f64.powf(self.gain_db / 40.0);
        let inverse_q = (-self.log_q).exp();
        let edge = amplitude.sqrt() * inverse_q;
        match self.kind {
            BandKind::Peak => ([1.0, amplitude * inverse_q, 1.0], [1.0, inverse_q / amplitude, 1.0], 1.0),
            BandKind::LowShelf => ([amplitude, edge, 1.0], [1.0, edge, amplitude], amplitude),
            BandKind::HighShelf => ([1.0, edge, amplitude], [amplitude, edge, 1.0], amplitude),
        }
    }

    /// Multiplies the values by the band's response.
    pub(super) fn multiply(&self, axis: &Axis, values: &mut [Complex64]) {
        let (over, under, factor) = self.polynomials();
        let inverse = 1.0 / warped(self.log_hz.exp(), axis.sample_rate_hz);
        for (value, warped) in values.iter_mut().zip(&axis.warped) {
            let omega = warped * inverse;
            *value *= at(over, omega) * factor / at(under, omega);
        }
    }

    /// `Re Σ weight · ∂ ln B` by the logarithm of the frequency, the gain in dB, the logarithm of Q.
    pub(super) fn pull(&self, axis: &Axis, weights: &[Complex64]) -> [f64; 3] {
        let (over, under, _) = self.polynomials();
        let hz = self.log_hz.exp();
        let inverse = 1.0 / warped(hz, axis.sample_rate_hz);
        let (mut by_axis, mut by_gain, mut by_q) = (0.0, 0.0, 0.0);
        // How each coefficient moves per neper of A.
        let (over_moves, under_moves, factor_moves) = match self.kind {
            BandKind::Peak => ([0.0, over[1], 0.0], [0.0, -under[1], 0.0], 0.0),
            BandKind::LowShelf => ([over[0], 0.5 * over[1], 0.0], [0.0, 0.5 * under[1], under[2]], 1.0),
            BandKind::HighShelf => ([0.0, 0.5 * over[1], over[2]], [under[0], 0.5 * under[1], 0.0], 1.0),
        };
        for (weight, warped) in weights.iter().zip(&axis.warped) {
            let omega = warped * inverse;
            let (top, bottom) = (1.0 / at(over, omega), 1.0 / at(under, omega));
            let by_log_omega = |of: [f64; 3]| Complex64::new(-2.0 * of[2] * omega * omega, of[1] * omega);
            let middle = |of: [f64; 3]| Complex64::new(0.0, of[1] * omega);
            by_axis += (weight * (by_log_omega(over) * top - by_log_omega(under) * bottom)).re;
            by_q -= (weight * (middle(over) * top - middle(under) * bottom)).re;
            let moved = at(over_moves, omega) * top - at(under_moves, omega) * bottom + factor_moves;
            by_gain += (weight * moved).re;
        }
        [by_axis * axis.slide(hz), by_gain * LN_10 / 40.0, by_q]
    }
}

/// `c₀ + c₁s + c₂s²` at `s = jΩ`.
fn at(coefficients: [f64; 3], omega: f64) -> Complex64 {
    let [zeroth, first, second] = coefficients;
    Complex64::new(zeroth - second * omega * omega, first * omega)
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::{CrossoverFamily, log_axis};

    const RATE: f64 = 48_000.0;

    fn axis() -> Axis {
        Axis::new(log_axis::grid(20.0, 20_000.0, 12.0), RATE)
    }

    fn ones(axis: &Axis) -> Vec<Complex64> {
        vec![Complex64::new(1.0, 0.0); axis.len()]
    }

    /// Source: the digital filters of `dsp`, which are held to scipy's.
    #[test]
    fn filters_are_those_of_dsp() {
        let axis = axis();
        for (family, slopes) in [
            (CrossoverFamily::Butterworth, &[6, 12, 18, 24, 48][..]),
            (CrossoverFamily::LinkwitzRiley, &[12, 24, 48]),
            (CrossoverFamily::Bessel, &[12, 18, 24]),
        ] {
            for (&slope, hz) in slopes.iter().zip([55.0, 440.0, 3_100.0, 9_000.0, 120.0]) {
                let filter = CarFilter { family, slope_db_per_octave: slope, frequency_hz: hz };
                for high in [false, true] {
                    let wanted = if high { filter.high_pass(RATE) } else { filter.low_pass(RATE) }.unwrap();
                    let mut got = ones(&axis);
                    Slope::new(&filter, high).unwrap().multiply(&axis, hz, &mut got);
                    for (got, &at_hz) in got.iter().zip(&axis.hz) {
                        near("response", (got - wanted.response(at_hz)).norm(), 0.0, 1e-9);
                    }
                }
            }
        }
        for band in [
            Band::peak(300.0, 5.0, 2.0),
            Band::peak(9_000.0, -8.0, 0.7),
            Band::low_shelf(100.0, 6.0, 0.7),
            Band::high_shelf(7_000.0, -4.0, 0.9),
        ] {
            let mut got = ones(&axis);
            Bell::from(&band).multiply(&axis, &mut got);
            let wanted = band.biquad(RATE).unwrap();
            for (got, &at_hz) in got.iter().zip(&axis.hz) {
                near("response", (got - wanted.response(at_hz)).norm(), 0.0, 1e-9);
            }
        }
    }

    /// Some weights that prefer no part of the axis.
    fn weights(axis: &Axis) -> Vec<Complex64> {
        (0..axis.len()).map(|n| Complex64::from_polar(1.0, 0.7 * n as f64)).collect()
    }

    /// `Re Σ weight · ln value`, the logarithm's branch following the axis.
    fn weighed(weights: &[Complex64], values: &[Complex64], base: &[Complex64]) -> f64 {
        weights.iter().zip(values.iter().zip(base)).map(|(w, (v, b))| (w * (v / b).ln()).re).sum()
    }

    /// Source: central differences.
    #[test]
    fn slopes_are_those_of_differences() {
        let axis = axis();
        let (weights, base) = (weights(&axis), ones(&axis));
        let step = 1e-5;
        for high in [false, true] {
            let filter = CarFilter {
                family: CrossoverFamily::LinkwitzRiley,
                slope_db_per_octave: 24,
                frequency_hz: 700.0,
            };
            let slope = Slope::new(&filter, high).unwrap();
            let at = |log_hz: f64| {
                let mut values = base.clone();
                slope.multiply(&axis, log_hz.exp(), &mut values);
                values
            };
            let log_hz = 700f64.ln();
            let wanted = weighed(&weights, &at(log_hz + step), &at(log_hz - step)) / (2.0 * step);
            near("by the corner", slope.pull(&axis, 700.0, &weights), wanted, 1e-5 * wanted.abs().max(1.0));
        }
        for band in [
            Band::peak(300.0, 5.0, 2.0),
            Band::low_shelf(100.0, 6.0, 0.7),
            Band::high_shelf(7_000.0, -4.0, 0.9),
        ] {
            let pull = Bell::from(&band).pull(&axis, &weights);
            for (which, got) in pull.into_iter().enumerate() {
                let at = |by: f64| {
                    let mut moved = Bell::from(&band);
                    *[&mut moved.log_hz, &mut moved.gain_db, &mut moved.log_q][which] += by;
                    let mut values = base.clone();
                    moved.multiply(&axis, &mut values);
                    values
                };
                let wanted = weighed(&weights, &at(step), &at(-step)) / (2.0 * step);
                near(&format!("{} by value {which}", band.kind), got, wanted, 1e-5 * wanted.abs().max(1.0));
            }
        }
    }
}
