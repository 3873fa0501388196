//! How exactly noise lets an arrival be known.

use std::f64::consts::PI;

use dsp::correlate::{Peak, interpolate};
use dsp::deconvolve::Deconvolver;
use dsp::fft::Complex64;

use crate::background::Background;
use crate::copies::Copies;

/// What noise does to the moment of an envelope's peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Precision {
    /// One standard deviation of the moment.
    pub random_error_s: f64,
    /// The power of the peak re that of the noise in the same band.
    pub peak_over_noise: f64,
    /// What that must be for noise alone to be taken for the peak in one of a hundred
    /// recordings: it need only come within 3 dB of it somewhere.
    pub enough: f64,
}

/// The noise of an impulse response: its density per sample at the middles of equal
/// parts of a band, from the background, the excitation and the number of copies.
#[derive(Debug, Clone)]
pub(crate) struct ImpulseNoise {
    rate_hz: f64,
    step_hz: f64,
    frequency_hz: Vec<f64>,
    density: Vec<f64>,
}

/// Into how many parts a band is cut.
const PARTS: usize = 1024;
/// How long a stretch is looked through for a peak.
pub(crate) const SEARCHED_S: f64 = 0.3;

impl ImpulseNoise {
    /// `S(f)·|W(f)|²/copies`, S being the background's density and W the deconvolver, from
    /// half an octave below a band to half an octave above it.
    pub(crate) fn of(
        background: &Background,
        copies: &Copies<'_>,
        deconvolver: &Deconvolver,
        band_hz: (f64, f64),
    ) -> Self {
        let half = std::f64::consts::SQRT_2;
        let (from_hz, to_hz) = (band_hz.0 / half, (band_hz.1 * half).min(0.5 * copies.rate_hz));
        let step_hz = (to_hz - from_hz) / PARTS as f64;
        let frequency_hz: Vec<f64> = (0..PARTS).map(|i| from_hz + (i as f64 + 0.5) * step_hz).collect();
        let count = copies.count() as f64;
        let density = background
            .at(&frequency_hz)
            .iter()
            .zip(&frequency_hz)
            .map(|(s, f)| s * deconvolver.power_gain(*f) / count)
            .collect();
        Self { rate_hz: copies.rate_hz, step_hz, frequency_hz, density }
    }

    /// `∫ g(f)·N(f) df / rate` over the band.
    fn integral(&self, g: impl Fn(f64) -> f64) -> f64 {
        let sum: f64 = self.frequency_hz.iter().zip(&self.density).map(|(f, n)| g(*f) * n).sum();
        sum * self.step_hz / self.rate_hz
    }

    /// What this noise does to the peak of an envelope, `signal` being the analytic
    /// impulse response in the same band.
    ///
    /// Noise moves the peak by what it adds to the envelope's slope there, over the
    /// envelope's curvature: `σ = √(2·∫(2π(f − f₀))²·N(f) df/rate) / |e″|`, f₀ being the
    /// frequency at which the phase turns at the peak. That is first-order
    /// perturbation; it holds while the noise is well below the peak.
    ///
    /// References: analytic; compare S. M. Kay, *Fundamentals of Statistical Signal
    /// Processing: Estimation Theory*, 1993, section 3.11 (range estimation), for the
    /// bound that no estimator passes. Accuracy:
    /// `arrivals_scatter_as_is_said_and_theory_allows`.
    pub(crate) fn precision(&self, signal: &[Complex64], peak: &Peak) -> Precision {
        let width_hz = self.step_hz * PARTS as f64;
        let h = (0.05 * self.rate_hz / width_hz).max(0.02);
        let at = |offset: f64| interpolate(signal, peak.position + offset);
        let height = peak.value.norm().max(f64::MIN_POSITIVE);
        let per_s = self.rate_hz / h;
        let bend = (at(h).norm() - 2.0 * height + at(-h).norm()) * per_s * per_s;
        let turning_hz = (at(h) * at(-h).conj()).arg() / (2.0 * h) * self.rate_hz / (2.0 * PI);
        let slope = (2.0 * self.integral(|f| (2.0 * PI * (f - turning_hz)).powi(2))).sqrt();
        let noise = 4.0 * self.integral(|_| 1.0);
        Precision {
            random_error_s: slope / bend.abs().max(f64::MIN_POSITIVE),
            peak_over_noise: height * height / noise.max(1e-30 * height * height),
            enough: 2.0 * (100.0 * width_hz * SEARCHED_S).max(10.0).ln(),
        }
    }

    /// The Cramér–Rao bound for an arrival of known shape and unknown phase:
    /// `σ² ≥ 1/(2·∫(2π(f − f̄))²·|G(f)|²/N(f) df/rate)`, f̄ being the mean frequency
    /// weighted by `|G|²/N`.
    ///
    /// References: Kay 1993, section 3.11, eq. 3.43 (white noise, where it is
    /// `1/((E/(N0/2))·F²)`); for an unknown phase F² is taken around its mean, and
    /// coloured noise is whitened (H. L. Van Trees, *Detection, Estimation, and Modulation
    /// Theory*, part I, 1968, section 4.3). Both from memory.
    #[cfg(test)]
    pub(crate) fn bound_s(&self, power: &[f64]) -> f64 {
        let scale = self.step_hz / self.rate_hz;
        let weights: Vec<f64> = power
            .iter()
            .zip(&self.density)
            .map(|(g, n)| if *n > 0.0 { g / n * scale } else { 0.0 })
            .collect();
        let all: f64 = weights.iter().sum();
        let mean_hz = self.frequency_hz.iter().zip(&weights).map(|(f, w)| f * w).sum::<f64>() / all;
        let spread: f64 =
            self.frequency_hz.iter().zip(&weights).map(|(f, w)| (2.0 * PI * (f - mean_hz)).powi(2) * w).sum();
        (2.0 * spread).powf(-0.5)
    }

    /// Where the density is known.
    #[cfg(test)]
    pub(crate) fn frequency_hz(&self) -> &[f64] {
        &self.frequency_hz
    }
}
