//! Minimum phase from magnitude, and what is left over.

use std::f64::consts::{LN_10, PI};

use num_complex::Complex64;

use crate::fast::{cis_of_turns, ln, sine_of_turns};
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
/// Cost: two real transforms of half the length and some 10 ns a bin; 2 ms for 2^17 bins.
#[must_use]
pub fn minimum_phase(magnitude: &[f64]) -> Vec<Complex64> {
    assert!(magnitude.len() >= 2, "a spectrum has at least DC and Nyquist");
    let floor = magnitude.iter().fold(0.0, |a: f64, &b| a.max(b)).max(1e-200) * 1e-8;
    let mut logarithm = vec![0.0; magnitude.len()];
    widest(Logarithms { magnitude, floor, logarithm: &mut logarithm });
    let phase = phase_of(&logarithm);
    let mut spectrum = vec![Complex64::default(); magnitude.len()];
    widest(Turned { magnitude, floor, phase: &phase, spectrum: &mut spectrum });
    spectrum
}

struct Logarithms<'a> {
    magnitude: &'a [f64],
    floor: f64,
    logarithm: &'a mut [f64],
}

impl Kernel for Logarithms<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for (logarithm, magnitude) in self.logarithm.iter_mut().zip(self.magnitude) {
            *logarithm = ln(magnitude.max(self.floor));
        }
    }
}

/// Magnitudes with phases.
struct Turned<'a> {
    magnitude: &'a [f64],
    floor: f64,
    phase: &'a [f64],
    spectrum: &'a mut [Complex64],
}

impl Kernel for Turned<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let given = self.magnitude.iter().zip(self.phase);
        for (bin, (magnitude, phase)) in self.spectrum.iter_mut().zip(given) {
            *bin = cis_of_turns(phase / (2.0 * PI)) * magnitude.max(self.floor);
        }
    }
}

/// The minimum phase, without jumps, of the logarithms of magnitudes at the bins `0 ..= n/2`.
///
/// They are real and even about zero, and so is their cepstrum: what the transforms there and
/// back come to is sums of cosines and of sines, by transforms of half the length.
fn phase_of(logarithm: &[f64]) -> Vec<f64> {
    let half = logarithm.len() - 1;
    let cepstrum = cosine_sums(logarithm);
    let mut phase = sine_sums(&cepstrum);
    // 2/n of the sums is the cepstrum, and its causal half counts twice.
    let scale = -2.0 / half as f64;
    phase.iter_mut().for_each(|phase| *phase *= scale);
    phase
}

/// `½(x[0] + (−1)^m·x[N]) + Σ x[j]·cos(πjm/N)` over `j = 1 ..= N − 1`, for `m = 0 ..= N`.
///
/// References: W. H. Press and others, *Numerical Recipes*, chapter 12, from memory. Sums of odd
/// `m` come one from the other; how far all of them are off together is known from
/// `x[0] − x[N]`, which is 4/N of their sum.
fn cosine_sums(x: &[f64]) -> Vec<f64> {
    let n = x.len() - 1;
    let bins = folded::<false>(x);
    let mut sums = vec![0.0; n + 1];
    let (mut odd, mut all) = (0.0, 0.0);
    for (pair, bin) in sums.chunks_mut(2).zip(&bins) {
        pair[0] = bin.re;
        odd -= bin.im;
        if let Some(place) = pair.get_mut(1) {
            *place = odd;
            all += odd;
        }
    }
    if !n.is_multiple_of(2) {
        all -= 0.5 * odd;
    }
    let half = 0.5 * n as f64;
    let off = 0.5 * (x[0] - x[n]) - all / half;
    sums.iter_mut().skip(1).step_by(2).for_each(|sum| *sum += off);
    sums
}

/// `Σ x[j]·sin(πjm/N)` over `j = 1 ..= N − 1`, for `m = 0 ..= N`; as [`cosine_sums`].
fn sine_sums(x: &[f64]) -> Vec<f64> {
    let n = x.len() - 1;
    let bins = folded::<true>(x);
    let mut sums = vec![0.0; n + 1];
    let mut odd = -0.5 * bins[0].re;
    for (pair, bin) in sums.chunks_mut(2).zip(&bins) {
        pair[0] = -bin.im;
        odd += bin.re;
        if let Some(place) = pair.get_mut(1) {
            *place = odd;
        }
    }
    // No sine is there at either end.
    sums[0] = 0.0;
    sums[n] = 0.0;
    sums
}

/// The transform of `N` values in which the sums of all even `m` and the differences of those of
/// odd `m` are its real and imaginary parts.
fn folded<const SINES: bool>(x: &[f64]) -> Vec<Complex64> {
    let n = x.len() - 1;
    let mut values = vec![0.0; n];
    widest(Folded::<SINES> { x, values: &mut values });
    if SINES {
        // Whatever stands at the ends has no part in it.
        values[0] = 0.0;
    }
    let mut fft = RealFft::new(n);
    let mut bins = vec![Complex64::default(); fft.bins()];
    fft.forward(&mut values, &mut bins);
    bins
}

struct Folded<'a, const SINES: bool> {
    x: &'a [f64],
    values: &'a mut [f64],
}

impl<const SINES: bool> Kernel for Folded<'_, SINES> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        let n = self.values.len();
        let turn = 0.5 / n as f64;
        let ends = self.x[..n].iter().zip(self.x[1..].iter().rev());
        for ((j, value), (near, far)) in (0_i32..).zip(self.values).zip(ends) {
            let sine = sine_of_turns(f64::from(j) * turn);
            let (sum, difference) = (near + far, near - far);
            *value = if SINES { sine * sum + 0.5 * difference } else { 0.5 * sum - sine * difference };
        }
    }
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
    let logarithm: Vec<f64> = interpolate_log(frequency_hz, magnitude_db, &bins)
        .iter()
        .zip(&bins)
        .map(|(level, f)| {
            let beyond =
                rise_below * (f / lowest).log2().min(0.0) + rise_above * (f / highest).log2().max(0.0);
            (level + beyond) * LN_10 / 20.0
        })
        .collect();
    let phases = phase_of(&logarithm);
    let phase = |k: usize| phases[k];
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
        for n in [8_192, 8_190, 1 << 18] {
            let echo: Vec<Complex64> = (0..=n / 2).map(|k| 1.0 + 0.5 * z(k, n, 48.0)).collect();
            let magnitude: Vec<f64> = echo.iter().map(|h| h.norm()).collect();
            for (got, wanted) in minimum_phase(&magnitude).iter().zip(&echo) {
                near("difference", (got - wanted).norm(), 0.0, 1e-11);
            }
        }
    }

    /// Source: the definitions, summed directly.
    #[test]
    fn sums_of_cosines_and_sines_are_what_they_say() {
        for n in [1_usize, 2, 3, 8, 15, 30] {
            let x: Vec<f64> = (0..=n).map(|j| ((j * j * 7 + 3) % 11) as f64 - 5.0).collect();
            let (cosines, sines) = (cosine_sums(&x), sine_sums(&x));
            for m in 0..=n {
                let angle = |j: usize| PI * (j * m) as f64 / n as f64;
                let ends = 0.5 * (x[0] + x[n] * if m % 2 == 0 { 1.0 } else { -1.0 });
                let inner = |of: fn(f64) -> f64| (1..n).map(|j| x[j] * of(angle(j))).sum::<f64>();
                near(&format!("cosines {m} of {n}"), cosines[m], ends + inner(f64::cos), 1e-12);
                near(&format!("sines {m} of {n}"), sines[m], inner(f64::sin), 1e-12);
            }
        }
    }

    /// Source: the definition with whole transforms, on magnitudes without any order, 120 dB apart.
    #[test]
    fn half_transforms_give_what_whole_ones_do() {
        let n = 1 << 16;
        let mut noise = crate::noise::WhiteNoise::new(3);
        let magnitude: Vec<f64> =
            (0..=n / 2).map(|_| 10_f64.powf(3.0 * noise.sample().clamp(-1.0, 1.0))).collect();
        let logarithm: Vec<Complex64> =
            magnitude.iter().map(|magnitude| Complex64::new(magnitude.ln(), 0.0)).collect();
        let mut cepstrum = crate::fft::irfft(logarithm, n);
        cepstrum[n / 2 + 1..].fill(0.0);
        cepstrum[1..n / 2].iter_mut().for_each(|c| *c *= 2.0);
        let whole = crate::fft::rfft(&cepstrum, n);
        for (got, wanted) in minimum_phase(&magnitude).iter().zip(whole) {
            near("difference", (got / wanted.exp() - 1.0).norm(), 0.0, 1e-10);
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
