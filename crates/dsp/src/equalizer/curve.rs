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

use super::kind::BandKind;

const DB_PER_NEPER_OF_POWER: f64 = 10.0 / std::f64::consts::LN_10;

/// `tan²(π f / fs)`: where a frequency lies on the prototype's axis. Frequencies
/// at and above Nyquist take the value just below it.
#[must_use]
pub fn warped(frequency_hz: f64, sample_rate_hz: f64) -> f64 {
    let highest = 0.4999 * sample_rate_hz;
    (std::f64::consts::PI * frequency_hz.min(highest) / sample_rate_hz).tan().powi(2)
}

/// One band with everything computed that does not depend on the frequency.
#[derive(Debug, Clone, Copy)]
pub struct Curve {
    kind: BandKind,
    gain_db: f64,
    amplitude: f64,
    /// `1 / tan²(π f0 / fs)`.
    inverse_warped: f64,
    /// `−d ln u / d ln f0`.
    slide: f64,
    inverse_q_squared: f64,
}

impl Curve {
    /// The curve of a band; `q` is the cookbook's.
    #[must_use]
    pub fn new(kind: BandKind, frequency_hz: f64, gain_db: f64, q: f64, sample_rate_hz: f64) -> Self {
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
    #[must_use]
    pub fn db(&self, warped: f64) -> f64 {
        let u = warped * self.inverse_warped;
        let amplitude = self.amplitude;
        match self.kind {
            BandKind::Peak => {
                let x = u + 1.0 / u - 2.0;
                let square = amplitude * amplitude;
                let top = square * self.inverse_q_squared;
                let bottom = self.inverse_q_squared / square;
                DB_PER_NEPER_OF_POWER * ln((x + top) / (x + bottom))
            }
            BandKind::LowShelf | BandKind::HighShelf => {
                let damping = u * amplitude * self.inverse_q_squared;
                let low = (amplitude - u).powi(2) + damping;
                let high = (1.0 - amplitude * u).powi(2) + damping;
                let tilt = DB_PER_NEPER_OF_POWER * ln(low / high);
                0.5 * self.gain_db + if self.kind == BandKind::LowShelf { tilt } else { -tilt }
            }
        }
    }

    /// Multiplies each value by the power ratio of the band at that point of the axis.
    ///
    /// The sum of many bands in dB is the logarithm of a product, and one logarithm for
    /// all of them is most of what there is to save.
    pub fn multiply(&self, axis: &[f64], product: &mut [f64]) {
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

    /// Writes the gain in dB at each point of the axis.
    pub fn write_db(&self, axis: &[f64], db: &mut [f64]) {
        db.fill(1.0);
        self.multiply(axis, db);
        db.iter_mut().for_each(|ratio| *ratio = DB_PER_NEPER_OF_POWER * ln(*ratio));
    }

    /// The points of an ascending axis at which a peak's shape is above a share of its
    /// height; all of them for a shelf.
    #[must_use]
    pub fn reach(&self, axis: &[f64], share: f64) -> std::ops::Range<usize> {
        if self.kind != BandKind::Peak {
            return 0..axis.len();
        }
        let square = self.amplitude * self.amplitude;
        // The derivatives fall as `1 / (1 + x A² Q²)` and as `1 / (1 + x Q² / A²)`; with
        // `x = (Ω − 1/Ω)²`, the wider one sets the ends.
        let x = self.inverse_q_squared * square.max(1.0 / square) / share;
        let highest = (0.5 * (x.sqrt() + (x + 4.0).sqrt())).powi(2);
        let (low, high) = (1.0 / (highest * self.inverse_warped), highest / self.inverse_warped);
        axis.partition_point(|&at| at < low)..axis.partition_point(|&at| at <= high)
    }

    /// Writes the derivatives of the gain in dB at each point of the axis: by the natural
    /// logarithm of the band's frequency, by its gain in dB, by the natural logarithm of its Q.
    pub fn write_slopes(&self, axis: &[f64], by: [&mut [f64]; 3]) {
        let amplitude = self.amplitude;
        let k = DB_PER_NEPER_OF_POWER;
        let [by_frequency, by_gain, by_q] = by;
        let outputs = by_frequency.iter_mut().zip(by_gain).zip(by_q);
        match self.kind {
            BandKind::Peak => {
                let square = amplitude * amplitude;
                let (top, bottom) = (square * self.inverse_q_squared, self.inverse_q_squared / square);
                let per_frequency = -self.slide * k * (bottom - top);
                for (((log_frequency, gain), log_q), &warped) in outputs.zip(axis) {
                    let u = warped * self.inverse_warped;
                    // All fractions times u, and both over one denominator.
                    let x = (u - 1.0) * (u - 1.0);
                    let (high, low) = (x + top * u, x + bottom * u);
                    let share = u / (high * low);
                    // dx / d ln u = u − 1/u
                    *log_frequency = per_frequency * (u * u - 1.0) * share;
                    let (of_top, of_bottom) = (top * low * share, bottom * high * share);
                    *gain = 0.5 * (of_top + of_bottom);
                    *log_q = -2.0 * k * (of_top - of_bottom);
                }
            }
            BandKind::LowShelf | BandKind::HighShelf => {
                let sign = if self.kind == BandKind::LowShelf { 1.0 } else { -1.0 };
                let amplitude_per_db = amplitude * std::f64::consts::LN_10 / 40.0;
                let damping_per_u = amplitude * self.inverse_q_squared;
                for (((log_frequency, gain), log_q), &warped) in outputs.zip(axis) {
                    let u = warped * self.inverse_warped;
                    let per_q = u * self.inverse_q_squared;
                    let (below, above) = (amplitude - u, 1.0 - amplitude * u);
                    let low = below * below + per_q * amplitude;
                    let high = above * above + per_q * amplitude;
                    let share = 1.0 / (low * high);
                    let (over_low, over_high) = (high * share, low * share);
                    let by_amplitude =
                        k * ((2.0 * below + per_q) * over_low - (per_q - 2.0 * u * above) * over_high);
                    let by_u = k
                        * ((damping_per_u - 2.0 * below) * over_low
                            - (damping_per_u - 2.0 * amplitude * above) * over_high);
                    *log_frequency = -sign * self.slide * u * by_u;
                    *gain = 0.5 + sign * by_amplitude * amplitude_per_db;
                    *log_q = sign * -2.0 * k * per_q * amplitude * (over_low - over_high);
                }
            }
        }
    }
}

/// Adds what curves do together, in dB, to the sums at each point of the axis; `product`
/// is a buffer.
pub fn add_curves(
    curves: impl Iterator<Item = Curve>,
    axis: &[f64],
    product: &mut Vec<f64>,
    sum_db: &mut [f64],
) {
    product.clear();
    product.resize(axis.len(), 1.0);
    for (number, curve) in curves.enumerate() {
        // A hundred bands of 24 dB are still far from where a product overflows.
        debug_assert!(number < 200);
        curve.multiply(axis, product);
    }
    for (sum, ratio) in sum_db.iter_mut().zip(product) {
        *sum += DB_PER_NEPER_OF_POWER * ln(*ratio);
    }
}

/// The natural logarithm of a positive normal number, written so that a compiler can do
/// several at once.
///
/// With `x = 2^e · m`, `√½ ≤ m < √2` and `s = (m − 1)/(m + 1)`:
/// `ln x = e ln 2 + 2 (s + s³/3 + s⁵/5 + …)`, the series of the inverse hyperbolic tangent
/// cut after `s¹⁵`, where `|s| < 0.1716` leaves less than 2e-14.
///
/// Accuracy: 1e-13 relative to the greater of 1 and the result (test
/// `the_logarithm_is_the_logarithm`).
#[inline]
pub(crate) fn ln(x: f64) -> f64 {
    const SQRT_HALF: u64 = std::f64::consts::FRAC_1_SQRT_2.to_bits();
    const ONE: u64 = 1.0f64.to_bits();
    // Counted from √½ on, the exponent is the one that leaves m about 1.
    let counted = x.to_bits().wrapping_sub(SQRT_HALF).wrapping_add(ONE);
    let exponent = counted >> 52;
    let mantissa = f64::from_bits(x.to_bits().wrapping_sub(exponent << 52).wrapping_add(ONE));
    // A whole number below 2^52 in the mantissa of 2^52: a conversion that vectorises.
    const TWO_TO_52: f64 = 4_503_599_627_370_496.0;
    let e = f64::from_bits(exponent | TWO_TO_52.to_bits()) - (TWO_TO_52 + 1023.0);
    let s = (mantissa - 1.0) / (mantissa + 1.0);
    let z = s * s;
    let low = 1.0 + z * (1.0 / 3.0 + z * (1.0 / 5.0 + z * (1.0 / 7.0)));
    let high = 1.0 / 9.0 + z * (1.0 / 11.0 + z * (1.0 / 13.0 + z * (1.0 / 15.0)));
    e * std::f64::consts::LN_2 + 2.0 * s * (low + z * z * z * z * high)
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
            let mut slopes = [[0.0]; 3];
            let [by_frequency, by_gain, by_q] = &mut slopes;
            curve.write_slopes(&[at], [by_frequency, by_gain, by_q]);
            let [[by_frequency], [by_gain], [by_q]] = slopes;
            let mut twice = [0.0];
            add_curves([curve, curve].into_iter(), &[at], &mut Vec::new(), &mut twice);
            prop_assert!((twice[0] - 2.0 * db(log_f, gain, log_q)).abs() < 1e-9);
            let mut once = [0.0];
            curve.write_db(&[at], &mut once);
            prop_assert!((once[0] - db(log_f, gain, log_q)).abs() < 1e-9);
            let h = 1e-5;
            let differences = [
                (by_frequency, db(log_f + h, gain, log_q) - db(log_f - h, gain, log_q)),
                (by_gain, db(log_f, gain + h, log_q) - db(log_f, gain - h, log_q)),
                (by_q, db(log_f, gain, log_q + h) - db(log_f, gain, log_q - h)),
            ];
            for (analytic, difference) in differences {
                let numeric = difference / (2.0 * h);
                prop_assert!((analytic - numeric).abs() < 1e-4 * (1.0 + numeric.abs()), "{analytic} {numeric}");
            }
        }

        /// Source: the standard library's logarithm.
        #[test]
        fn the_logarithm_is_the_logarithm(exponent in -700.0f64..700.0, near_one in 0.5f64..2.0) {
            for x in [exponent.exp(), near_one] {
                let (got, wanted) = (ln(x), x.ln());
                prop_assert!((got - wanted).abs() <= 1e-13 * wanted.abs().max(1.0), "ln {x}: {got} {wanted}");
            }
        }
    }
}
