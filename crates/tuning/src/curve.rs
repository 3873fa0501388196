//! The magnitude of one band and its derivatives, as the fit needs them.
//!
//! A digital band of the Audio EQ Cookbook is the bilinear transform of an
//! analog prototype, so its magnitude at `f` is the prototype's at
//! `Ω = tan(π f / fs) / tan(π f0 / fs)`. With `A = 10^(gain/40)`:
//!
//! ```text
//! peak        G(Ω) = 10 lg [ (x + A²/Q²) / (x + 1/(A²Q²)) ],  x = (Ω − 1/Ω)²
//! low shelf   G(u) = gain/2 + 10 lg [ ((A − u)² + uA/Q²) / ((1 − Au)² + uA/Q²) ],  u = Ω²
//! high shelf  G(u) = gain − (low shelf)
//! ```
//!
//! References: R. Bristow-Johnson, Audio EQ Cookbook, W3C Note 2021-06-08, the
//! analog prototypes of peakingEQ, lowShelf and highShelf; the derivatives are
//! ours and are checked against differences.

use crate::BandKind;

const DB_PER_NEPER_OF_POWER: f64 = 10.0 / std::f64::consts::LN_10;

/// `tan²(π f / fs)`: where a frequency lies on the prototype's axis. Frequencies
/// at and above Nyquist take the value just below it.
pub(crate) fn warped(frequency_hz: f64, sample_rate_hz: f64) -> f64 {
    let highest = 0.4999 * sample_rate_hz;
    (std::f64::consts::PI * frequency_hz.min(highest) / sample_rate_hz).tan().powi(2)
}

/// One band with everything computed that does not depend on the frequency.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Curve {
    kind: BandKind,
    gain_db: f64,
    amplitude: f64,
    /// `1 / tan²(π f0 / fs)`.
    inverse_warped: f64,
    /// `−d ln u / d ln f0`.
    slide: f64,
    inverse_q_squared: f64,
}

/// The derivatives of a band's gain in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Slope {
    /// By the natural logarithm of the band's frequency.
    pub(crate) log_frequency: f64,
    /// By the band's gain in dB.
    pub(crate) gain: f64,
    /// By the natural logarithm of the band's Q.
    pub(crate) log_q: f64,
}

impl Curve {
    pub(crate) fn new(kind: BandKind, frequency_hz: f64, gain_db: f64, q: f64, sample_rate_hz: f64) -> Self {
        let angle = 2.0 * std::f64::consts::PI * frequency_hz.min(0.4999 * sample_rate_hz) / sample_rate_hz;
        Self {
            kind,
            gain_db,
            amplitude: 10f64.powf(gain_db / 40.0),
            inverse_warped: 1.0 / warped(frequency_hz, sample_rate_hz),
            // u = tan²(w/2) / tan²(w0/2), and d ln tan(w0/2) / d ln w0 = w0 / sin w0.
            slide: 2.0 * angle / angle.sin(),
            inverse_q_squared: 1.0 / (q * q),
        }
    }

    /// The gain in dB at a point of the axis (see [`warped`]).
    #[inline]
    pub(crate) fn db(&self, warped: f64) -> f64 {
        let u = warped * self.inverse_warped;
        let amplitude = self.amplitude;
        match self.kind {
            BandKind::Peak => {
                let x = u + 1.0 / u - 2.0;
                let square = amplitude * amplitude;
                let top = square * self.inverse_q_squared;
                let bottom = self.inverse_q_squared / square;
                DB_PER_NEPER_OF_POWER * ((x + top) / (x + bottom)).ln()
            }
            BandKind::LowShelf | BandKind::HighShelf => {
                let damping = u * amplitude * self.inverse_q_squared;
                let low = (amplitude - u).powi(2) + damping;
                let high = (1.0 - amplitude * u).powi(2) + damping;
                let tilt = DB_PER_NEPER_OF_POWER * (low / high).ln();
                0.5 * self.gain_db + if self.kind == BandKind::LowShelf { tilt } else { -tilt }
            }
        }
    }

    /// Multiplies each value by the power ratio of the band at that point of the axis.
    ///
    /// The sum of many bands in dB is the logarithm of a product, and one logarithm for
    /// all of them is most of what there is to save.
    pub(crate) fn multiply(&self, axis: &[f64], product: &mut [f64]) {
        let (inverse_warped, amplitude) = (self.inverse_warped, self.amplitude);
        let square = amplitude * amplitude;
        match self.kind {
            BandKind::Peak => {
                let (top, bottom) = (square * self.inverse_q_squared, self.inverse_q_squared / square);
                for (product, &warped) in product.iter_mut().zip(axis) {
                    let u = warped * inverse_warped;
                    // Both sides of the fraction times u, so that there is one division.
                    let x = (u - 1.0) * (u - 1.0);
                    *product *= (x + top * u) / (x + bottom * u);
                }
            }
            BandKind::LowShelf | BandKind::HighShelf => {
                let damping = amplitude * self.inverse_q_squared;
                let is_low = self.kind == BandKind::LowShelf;
                for (product, &warped) in product.iter_mut().zip(axis) {
                    let u = warped * inverse_warped;
                    let low = (amplitude - u) * (amplitude - u) + u * damping;
                    let high = (1.0 - amplitude * u) * (1.0 - amplitude * u) + u * damping;
                    *product *= square * if is_low { low / high } else { high / low };
                }
            }
        }
    }

    /// The derivatives of the gain in dB at a point of the axis.
    #[inline]
    pub(crate) fn slope(&self, warped: f64) -> Slope {
        let u = warped * self.inverse_warped;
        let amplitude = self.amplitude;
        let k = DB_PER_NEPER_OF_POWER;
        match self.kind {
            BandKind::Peak => {
                let x = u + 1.0 / u - 2.0;
                let square = amplitude * amplitude;
                let top = square * self.inverse_q_squared;
                let bottom = self.inverse_q_squared / square;
                let (over_top, over_bottom) = (1.0 / (x + top), 1.0 / (x + bottom));
                Slope {
                    // dx / d ln u = u − 1/u
                    log_frequency: -self.slide * (u - 1.0 / u) * k * (over_top - over_bottom),
                    gain: 0.5 * (top * over_top + bottom * over_bottom),
                    log_q: -2.0 * k * (top * over_top - bottom * over_bottom),
                }
            }
            BandKind::LowShelf | BandKind::HighShelf => {
                let per_q = u * self.inverse_q_squared;
                let (below, above) = (amplitude - u, 1.0 - amplitude * u);
                let low = below * below + per_q * amplitude;
                let high = above * above + per_q * amplitude;
                let (over_low, over_high) = (1.0 / low, 1.0 / high);
                let amplitude_per_db = amplitude * std::f64::consts::LN_10 / 40.0;
                let by_amplitude =
                    k * ((2.0 * below + per_q) * over_low - (per_q - 2.0 * u * above) * over_high);
                let damping_per_u = amplitude * self.inverse_q_squared;
                let by_u = k
                    * ((damping_per_u - 2.0 * below) * over_low
                        - (damping_per_u - 2.0 * amplitude * above) * over_high);
                let by_log_q = -2.0 * k * per_q * amplitude * (over_low - over_high);
                let sign = if self.kind == BandKind::LowShelf { 1.0 } else { -1.0 };
                Slope {
                    log_frequency: -sign * self.slide * u * by_u,
                    gain: 0.5 + sign * by_amplitude * amplitude_per_db,
                    log_q: sign * by_log_q,
                }
            }
        }
    }
}

/// What curves add up to in dB at each point of the axis.
pub(crate) fn sum_of_curves(curves: impl Iterator<Item = Curve>, axis: &[f64]) -> Vec<f64> {
    let mut sum = vec![1.0; axis.len()];
    for (number, curve) in curves.enumerate() {
        // A hundred bands of 24 dB are still far from where a product overflows.
        debug_assert!(number < 200);
        curve.multiply(axis, &mut sum);
    }
    sum.iter_mut().for_each(|ratio| *ratio = DB_PER_NEPER_OF_POWER * ratio.ln());
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RATE: f64 = 48_000.0;

    fn kind() -> impl Strategy<Value = BandKind> {
        prop_oneof![Just(BandKind::Peak), Just(BandKind::LowShelf), Just(BandKind::HighShelf)]
    }

    proptest! {
        /// Source: central differences of the magnitude itself.
        #[test]
        fn derivatives_equal_differences(
            kind in kind(), log_f in 3.0f64..9.9, gain in -15.0f64..15.0, log_q in -1.2f64..2.5, log_at in 3.0f64..9.9,
        ) {
            let at = warped(log_at.exp(), RATE);
            let db = |log_f: f64, gain: f64, log_q: f64| Curve::new(kind, log_f.exp(), gain, log_q.exp(), RATE).db(at);
            let curve = Curve::new(kind, log_f.exp(), gain, log_q.exp(), RATE);
            let slope = curve.slope(at);
            let twice = sum_of_curves([curve, curve].into_iter(), &[at])[0];
            prop_assert!((twice - 2.0 * db(log_f, gain, log_q)).abs() < 1e-9);
            let h = 1e-5;
            let differences = [
                (slope.log_frequency, db(log_f + h, gain, log_q) - db(log_f - h, gain, log_q)),
                (slope.gain, db(log_f, gain + h, log_q) - db(log_f, gain - h, log_q)),
                (slope.log_q, db(log_f, gain, log_q + h) - db(log_f, gain, log_q - h)),
            ];
            for (analytic, difference) in differences {
                let numeric = difference / (2.0 * h);
                prop_assert!((analytic - numeric).abs() < 1e-4 * (1.0 + numeric.abs()), "{analytic} {numeric}");
            }
        }
    }
}
