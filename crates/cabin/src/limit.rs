//! Where an output stops being linear: clipping, bending, limiting.

use std::f64::consts::{SQRT_2, TAU};

use crate::car::{LimitKind, Output};

/// The RMS of `|sin|` without its mean, re the RMS of the sine:
/// `√(1 − 8/π²)`.
const ASYMMETRY_THD: f64 = 0.435_236_178_254_172_5;

/// The part of the limit up to which a soft one is still straight.
const SOFT_KNEE: f64 = 0.7;

/// How long a limiter takes to let go.
const RELEASE_S: f64 = 0.5;

/// The corner of the coupling capacitor of an output that is not symmetrical.
const COUPLING_HZ: f64 = 1.0;

/// An output's curve and, for a limiter, its memory.
#[derive(Debug, Clone)]
pub(crate) struct Shaper {
    kind: Option<LimitKind>,
    positive: f64,
    negative: f64,
    /// `y = x + asymmetry·|x|`: even harmonics in a fixed ratio at any level.
    asymmetry: f64,
    /// The mean that the asymmetry makes; the output is coupled through a capacitor.
    mean: f64,
    envelope: f64,
}

impl Shaper {
    pub(crate) fn new(output: &Output) -> Self {
        let (kind, positive, negative) = output.limit.map_or((None, f64::INFINITY, f64::INFINITY), |limit| {
            let positive = limit.sine_v * SQRT_2;
            (Some(limit.kind), positive, limit.negative_sine_v.map_or(positive, |v| v * SQRT_2))
        });
        let asymmetry = output.residual_percent / 100.0 / ASYMMETRY_THD;
        Self { kind, positive, negative, asymmetry, mean: 0.0, envelope: 0.0 }
    }

    /// Whether a sine of this peak is held by a limiter.
    pub(crate) fn holds(&self, peak: f64) -> bool {
        self.kind == Some(LimitKind::Limiter) && peak > self.positive.min(self.negative)
    }

    /// The curve without memory; for a limiter only what it does inside its limit.
    pub(crate) fn curve(&self, x: f64) -> f64 {
        let x = x + self.asymmetry * x.abs();
        match self.kind {
            Some(LimitKind::Hard) => x.clamp(-self.negative, self.positive),
            Some(LimitKind::Soft) if x >= 0.0 => soft(x, self.positive),
            Some(LimitKind::Soft) => -soft(-x, self.negative),
            Some(LimitKind::Limiter) | None => x,
        }
    }

    /// One sample, a limiter's memory included.
    #[inline]
    pub(crate) fn process(&mut self, x: f64, sample_rate_hz: f64) -> f64 {
        let mut y = self.curve(x);
        if self.asymmetry != 0.0 {
            self.mean += (y - self.mean) * (TAU * COUPLING_HZ / sample_rate_hz);
            y -= self.mean;
        }
        if self.kind != Some(LimitKind::Limiter) {
            return y;
        }
        let limit = self.positive.min(self.negative);
        let decay = 1.0 - 1.0 / (RELEASE_S * sample_rate_hz);
        self.envelope = y.abs().max(self.envelope * decay);
        if self.envelope > limit { y * (limit / self.envelope) } else { y }
    }
}

fn soft(x: f64, limit: f64) -> f64 {
    let knee = SOFT_KNEE * limit;
    if x <= knee { x } else { knee + (limit - knee) * ((x - knee) / (limit - knee)).tanh() }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use testkit::near;

    use super::*;

    /// Source: analytic, the Fourier series of the rectified sine.
    #[test]
    fn the_asymmetry_constant_is_that_of_the_rectified_sine() {
        near("THD of |sin|", ASYMMETRY_THD, (1.0 - 8.0 / (PI * PI)).sqrt(), 1e-12);
    }

    #[test]
    fn a_soft_limit_is_smooth_at_its_knee_and_never_passed() {
        let step = 1e-6;
        let slope = (soft(SOFT_KNEE + step, 1.0) - soft(SOFT_KNEE - step, 1.0)) / (2.0 * step);
        near("slope at the knee", slope, 1.0, 1e-6);
        assert!(soft(100.0, 1.0) <= 1.0);
    }
}
