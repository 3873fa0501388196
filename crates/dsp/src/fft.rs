//! The real Fourier transform, on `realfft`.

use std::sync::Arc;

pub use num_complex::Complex64;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// A planned pair of real transforms of one length.
///
/// Forward: `X[k] = Σ x[i]·e^(−j2πki/n)` for `k = 0 ..= n/2`, not scaled.
/// Inverse: scaled by `1/n`, so that inverse after forward is the identity.
///
/// # Real-time
/// [`RealFft::new`] plans and allocates; [`RealFft::forward`] and
/// [`RealFft::inverse`] do neither and cost O(n log n).
pub struct RealFft {
    n: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
    scratch: Vec<Complex64>,
}

impl RealFft {
    /// Plans transforms of `n` samples.
    ///
    /// # Panics
    /// When `n` is zero.
    #[must_use]
    pub fn new(n: usize) -> Self {
        assert!(n > 0, "a transform needs at least one sample");
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(n);
        let inverse = planner.plan_fft_inverse(n);
        let scratch = vec![Complex64::default(); forward.get_scratch_len().max(inverse.get_scratch_len())];
        Self { n, forward, inverse, scratch }
    }

    /// How many samples one transform takes.
    #[must_use]
    pub fn len(&self) -> usize {
        self.n
    }

    /// Never: a transform has at least one sample.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        false
    }

    /// How many bins one transform gives: `n/2 + 1`.
    #[must_use]
    pub fn bins(&self) -> usize {
        self.n / 2 + 1
    }

    /// Samples to spectrum. The samples are used as working space and hold
    /// nothing meaningful afterwards.
    ///
    /// # Panics
    /// When a slice is not as long as [`RealFft::len`] and [`RealFft::bins`] say.
    pub fn forward(&mut self, samples: &mut [f64], spectrum: &mut [Complex64]) {
        self.forward
            .process_with_scratch(samples, spectrum, &mut self.scratch)
            .expect("the lengths are those that were planned");
    }

    /// Spectrum to samples, scaled by `1/n`. The spectrum is used as working
    /// space. Imaginary parts at DC and, for an even `n`, at Nyquist are ignored:
    /// no real signal has them.
    ///
    /// # Panics
    /// When a slice is not as long as [`RealFft::bins`] and [`RealFft::len`] say.
    pub fn inverse(&mut self, spectrum: &mut [Complex64], samples: &mut [f64]) {
        if let Some(first) = spectrum.first_mut() {
            first.im = 0.0;
        }
        if self.n.is_multiple_of(2)
            && let Some(last) = spectrum.last_mut()
        {
            last.im = 0.0;
        }
        self.inverse
            .process_with_scratch(spectrum, samples, &mut self.scratch)
            .expect("the lengths are those that were planned");
        let scale = 1.0 / self.n as f64;
        for sample in samples {
            *sample *= scale;
        }
    }
}

/// The spectrum of samples, padded with zeros or cut to `n`; `n/2 + 1` bins.
///
/// Plans anew at every call: keep a [`RealFft`] where speed matters.
#[must_use]
pub fn rfft(samples: &[f64], n: usize) -> Vec<Complex64> {
    let mut fft = RealFft::new(n);
    let mut padded = vec![0.0; n];
    let used = samples.len().min(n);
    padded[..used].copy_from_slice(&samples[..used]);
    let mut spectrum = vec![Complex64::default(); fft.bins()];
    fft.forward(&mut padded, &mut spectrum);
    spectrum
}

/// The `n` samples of a spectrum of `n/2 + 1` bins.
///
/// # Panics
/// When the spectrum has another number of bins.
#[must_use]
pub fn irfft(spectrum: &[Complex64], n: usize) -> Vec<f64> {
    let mut fft = RealFft::new(n);
    let mut work = spectrum.to_vec();
    let mut samples = vec![0.0; n];
    fft.inverse(&mut work, &mut samples);
    samples
}

/// The next length at or above `n` that transforms fast: `2^a·3^b` with `b ≤ 2`.
#[must_use]
pub fn fast_len(n: usize) -> usize {
    let n = n.max(2);
    [1usize, 3, 9]
        .into_iter()
        .map(|odd| odd * n.div_ceil(odd).next_power_of_two())
        .filter(|length| length.is_multiple_of(2))
        .min()
        .unwrap_or_else(|| n.next_power_of_two())
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use testkit::{all_near, near};

    use super::*;

    /// Source: the definition of the discrete Fourier transform, summed directly.
    #[test]
    fn agrees_with_the_direct_sum_for_even_and_odd_lengths() {
        for n in [1usize, 2, 7, 16, 30] {
            let x: Vec<f64> = (0..n).map(|i| ((i * i * 7 + 3) % 11) as f64 - 5.0).collect();
            let fast = rfft(&x, n);
            assert_eq!(fast.len(), n / 2 + 1);
            for (k, bin) in fast.iter().enumerate() {
                let direct: Complex64 = x
                    .iter()
                    .enumerate()
                    .map(|(i, v)| Complex64::from_polar(*v, -2.0 * PI * (k * i) as f64 / n as f64))
                    .sum();
                near("real", bin.re, direct.re, 1e-12 * n as f64 * 10.0);
                near("imaginary", bin.im, direct.im, 1e-12 * n as f64 * 10.0);
            }
            all_near("round trip", &irfft(&fast, n), &x, 1e-12);
        }
    }

    #[test]
    fn inverse_ignores_what_no_real_signal_has() {
        let with = [Complex64::new(1.0, 5.0), Complex64::new(0.5, 0.25), Complex64::new(2.0, -3.0)];
        let without = [Complex64::new(1.0, 0.0), Complex64::new(0.5, 0.25), Complex64::new(2.0, 0.0)];
        all_near("samples", &irfft(&with, 4), &irfft(&without, 4), 0.0);
    }

    #[test]
    fn fast_lengths_are_near_and_even() {
        for n in [1, 2, 5, 100, 1000, 4097, 500_000] {
            let fast = fast_len(n);
            assert!(
                fast >= n && fast.is_multiple_of(2) && fast <= (n * 4).div_ceil(3).max(4),
                "{n} -> {fast}"
            );
        }
    }
}
