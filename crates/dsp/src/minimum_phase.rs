//! Minimum phase from magnitude, and what is left over.

use std::f64::consts::{LN_10, PI};

use num_complex::Complex64;

use crate::fast::{cis_of_turns, ln};
use crate::fft::RealFft;
use crate::response::interpolate_log;
use crate::wide::{Kernel, widest};

/// The minimum-phase spectrum that has the given magnitude, at the `n/2 + 1` bins
/// of an `n`-point transform.
///
/// `H = exp(FFT(w·IFFT(ln|H|)))`, `w` keeping the cepstrum's causal half (1 at 0 and
/// `n/2`, 2 between, 0 above).
///
/// The real cepstrum of a sampled log magnitude wraps around, so the transform must
/// be long against the response; a zero of the magnitude is lifted to −160 dB below
/// its highest point, because a logarithm needs something to hold on to.
///
/// References: A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*,
/// chapter 13. Accuracy: `an_echo_is_minimum_phase_exactly`.
///
/// # Panics
/// When fewer than two bins are given.
///
/// Cost: two real transforms and some 15 ns a bin; 3 ms for 2^17 bins.
#[must_use]
pub fn minimum_phase(magnitude: &[f64]) -> Vec<Complex64> {
    assert!(magnitude.len() >= 2, "a spectrum has at least DC and Nyquist");
    let floor = magnitude.iter().fold(0.0, |a: f64, &b| a.max(b)).max(1e-200) * 1e-8;
    let mut spectrum = vec![Complex64::default(); magnitude.len()];
    widest(Logarithms { magnitude, floor, spectrum: &mut spectrum });
    causal(&mut spectrum);
    widest(Turned { magnitude, floor, spectrum: &mut spectrum });
    spectrum
}

struct Logarithms<'a> {
    magnitude: &'a [f64],
    floor: f64,
    spectrum: &'a mut [Complex64],
}

impl Kernel for Logarithms<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for (bin, magnitude) in self.spectrum.iter_mut().zip(self.magnitude) {
            *bin = Complex64::new(ln(magnitude.max(self.floor)), 0.0);
        }
    }
}

/// Magnitudes with the phases that are the imaginary parts of a spectrum.
struct Turned<'a> {
    magnitude: &'a [f64],
    floor: f64,
    spectrum: &'a mut [Complex64],
}

impl Kernel for Turned<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for (bin, magnitude) in self.spectrum.iter_mut().zip(self.magnitude) {
            *bin = cis_of_turns(bin.im / (2.0 * PI)) * magnitude.max(self.floor);
        }
    }
}

/// Logarithms of magnitudes to those of the minimum-phase spectrum: the imaginary part is its
/// phase, without jumps.
fn causal(spectrum: &mut [Complex64]) {
    let n = 2 * (spectrum.len() - 1);
    let mut fft = RealFft::new(n);
    let mut cepstrum = vec![0.0; n];
    fft.inverse(spectrum, &mut cepstrum);
    cepstrum[n / 2 + 1..].fill(0.0);
    cepstrum[1..n / 2].iter_mut().for_each(|c| *c *= 2.0);
    fft.forward(&mut cepstrum, spectrum);
}

/// The minimum phase in radians of a magnitude curve on any ascending grid.
///
/// The curve is laid on a linear grid that starts at DC, is spaced a quarter of the
/// lowest frequency, and reaches four times the highest; beyond its ends it is
/// continued with the slope of its outermost half octave (24 dB an octave at most),
/// which is a guess: within an octave of either end the phase depends on it.
/// Accuracy: `a_first_order_low_pass_on_a_log_grid`.
///
/// # Panics
/// When the grid has no point or does not start above zero.
#[must_use]
pub fn minimum_phase_of(frequency_hz: &[f64], magnitude_db: &[f64]) -> Vec<f64> {
    let (lowest, highest) = match (frequency_hz.first(), frequency_hz.last()) {
        (Some(&lowest), Some(&highest)) if lowest > 0.0 => (lowest, highest),
        _ => panic!("a magnitude curve starts above zero"),
    };
    let half = ((16.0 * highest / lowest) as usize).next_power_of_two().clamp(1 << 10, 1 << 19);
    let bin_hz = 4.0 * highest / half as f64;
    let slope = |a: f64, b: f64| {
        let ends = interpolate_log(frequency_hz, magnitude_db, &[a, b]);
        ((ends[1] - ends[0]) / (b / a).log2()).clamp(-24.0, 24.0)
    };
    let rise_below = slope(lowest, (lowest * std::f64::consts::SQRT_2).min(highest.max(lowest * 1.01)));
    let rise_above = slope((highest / std::f64::consts::SQRT_2).max(lowest.min(highest / 1.01)), highest);
    // DC lies infinitely far down a slope; two octaves are enough.
    let bins: Vec<f64> = (0..=half).map(|k| (k as f64 * bin_hz).max(lowest / 4.0)).collect();
    let mut spectrum: Vec<Complex64> = interpolate_log(frequency_hz, magnitude_db, &bins)
        .iter()
        .zip(&bins)
        .map(|(level, f)| {
            let beyond =
                rise_below * (f / lowest).log2().min(0.0) + rise_above * (f / highest).log2().max(0.0);
            Complex64::new((level + beyond) * LN_10 / 20.0, 0.0)
        })
        .collect();
    causal(&mut spectrum);
    let phase = |k: usize| spectrum[k].im;
    frequency_hz
        .iter()
        .map(|f| {
            let x = (f / bin_hz).min(half as f64 - 1.0);
            let k = x as usize;
            phase(k) + (x - k as f64) * (phase(k + 1) - phase(k))
        })
        .collect()
}

/// What a response has beyond its minimum-phase part: `H/H_min`, of magnitude 1;
/// delays and all-passes are in it. Bins as [`minimum_phase`] has them.
#[must_use]
pub fn excess(response: &[Complex64]) -> Vec<Complex64> {
    let magnitude: Vec<f64> = response.iter().map(|h| h.norm()).collect();
    response.iter().zip(minimum_phase(&magnitude)).map(|(h, minimum)| h / minimum).collect()
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    fn z(k: usize, n: usize, delay: f64) -> Complex64 {
        Complex64::cis(-2.0 * PI * k as f64 * delay / n as f64)
    }

    /// Source: analytic, named in the design page: 1 + 0.5 z^-48 has its zeros
    /// inside the unit circle, so it is its own minimum-phase version.
    #[test]
    fn an_echo_is_minimum_phase_exactly() {
        let n = 8192;
        let echo: Vec<Complex64> = (0..=n / 2).map(|k| 1.0 + 0.5 * z(k, n, 48.0)).collect();
        let magnitude: Vec<f64> = echo.iter().map(|h| h.norm()).collect();
        for (got, wanted) in minimum_phase(&magnitude).iter().zip(&echo) {
            near("difference", (got - wanted).norm(), 0.0, 1e-9);
        }
    }

    /// Source: analytic; 0.5 + z^-48 is the same magnitude with its zeros outside,
    /// so its excess is the all-pass (0.5 + z^-48)/(1 + 0.5 z^-48). Bar: 0.5°.
    #[test]
    fn the_excess_phase_of_an_all_pass_is_recovered() {
        let n = 8192;
        let late: Vec<Complex64> = (0..=n / 2).map(|k| 0.5 + z(k, n, 48.0)).collect();
        for (k, got) in excess(&late).iter().enumerate() {
            let wanted = (0.5 + z(k, n, 48.0)) / (1.0 + 0.5 * z(k, n, 48.0));
            near("phase difference in degrees", (got / wanted).arg().to_degrees(), 0.0, 0.5);
        }
    }

    /// Source: analytic; a first-order low-pass has the phase −atan(f/fc).
    #[test]
    fn a_first_order_low_pass_on_a_log_grid() {
        let frequency_hz = crate::response::log_grid(10.0, 20_000.0, 24.0);
        let magnitude_db: Vec<f64> =
            frequency_hz.iter().map(|f| -10.0 * (1.0 + (f / 200.0).powi(2)).log10()).collect();
        let phase = minimum_phase_of(&frequency_hz, &magnitude_db);
        for (f, phase) in frequency_hz.iter().zip(phase) {
            if (20.0..=2_000.0).contains(f) {
                near(&format!("phase at {f} Hz"), phase.to_degrees(), -(f / 200.0).atan().to_degrees(), 2.0);
            }
        }
    }
}
