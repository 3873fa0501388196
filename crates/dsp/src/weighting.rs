//! Frequency weighting A, C and Z: the analogue curves and digital filters.

use std::f64::consts::PI;

use crate::biquad::{Biquad, Cascade, DesignError};

/// The four pole frequencies of the weightings in Hz.
///
/// They follow from `fr = 1 kHz`, `fL = 10^1.5`, `fH = 10^3.9`, `fA = 10^2.45`
/// and the −3 dB points at fL and fH. References: IEC 61672-1:2013, Annex E.
const POLES_HZ: [f64; 4] =
    [20.598_997_057_618_316, 107.652_648_643_046_29, 737.862_230_736_290_1, 12_194.217_147_998_012];

/// A frequency weighting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Weighting {
    /// Follows the ear at low levels.
    A,
    /// Flat but for the ends.
    C,
    /// None.
    Z,
}

impl Weighting {
    /// The weighting at a frequency in dB, zero at 1 kHz.
    ///
    /// `C(f) = 20·lg[f4²f²/((f²+f1²)(f²+f4²))] − C(1000)`, and A has the further
    /// factor `f²/(√(f²+f2²)·√(f²+f3²))`.
    ///
    /// References: IEC 61672-1:2013, 5.5 and Annex E. Accuracy: within 0.01 dB of
    /// the exact values, `tests/iec_61672_1.rs`.
    #[must_use]
    pub fn db(self, frequency_hz: f64) -> f64 {
        20.0 * (self.ratio(frequency_hz) / self.ratio(1_000.0)).log10()
    }

    fn ratio(self, frequency_hz: f64) -> f64 {
        let [f1, f2, f3, f4] = POLES_HZ;
        let f = frequency_hz;
        let c = f4 * f4 * f * f / ((f * f + f1 * f1) * (f * f + f4 * f4));
        match self {
            Self::A => c * f * f / ((f * f + f2 * f2).sqrt() * (f * f + f3 * f3).sqrt()),
            Self::C => c,
            Self::Z => 1.0,
        }
    }

    /// The digital filter of this weighting.
    ///
    /// The low poles go through the bilinear transform, which is as good as
    /// exact there. The double pole at 12.2 kHz is carried over by `z = e^(s/fs)`,
    /// and the two zeros beside it are chosen so that the whole filter has the
    /// curve's magnitude at 1 kHz and at two high frequencies: the bilinear
    /// transform alone would be 4 dB off at 16 kHz and 48 kHz.
    ///
    /// References: IEC 61672-1:2013, Annex E; the zeros after M. Vicanek,
    /// *Matched Second Order Digital Filters*, 2016, section 3.
    ///
    /// Valid range: 8 to 192 kHz. Accuracy: class 1 limits of Table 3, and
    /// ±0.3 dB of it to 10 kHz, `tests/iec_61672_1.rs`.
    ///
    /// # Errors
    /// When the sample rate is under 3 kHz or no number: 1 kHz must lie well
    /// inside the band.
    pub fn filter(self, sample_rate_hz: f64) -> Result<Cascade, DesignError> {
        if !(sample_rate_hz.is_finite() && sample_rate_hz >= 3_000.0) {
            return Err(DesignError::SampleRate(sample_rate_hz));
        }
        let [f1, f2, f3, f4] = POLES_HZ;
        let mut cascade = match self {
            Self::Z => return Ok(Cascade::default()),
            Self::C => Cascade::default(),
            Self::A => Cascade::new(vec![Biquad::high_pass(
                sample_rate_hz,
                (f2 * f3).sqrt(),
                (f2 * f3).sqrt() / (f2 + f3),
            )?]),
        };
        cascade.push(Biquad::high_pass(sample_rate_hz, f1, 0.5)?);
        let pole = (-2.0 * PI * f4 / sample_rate_hz).exp();
        let wanted = |f: f64| 10f64.powf(self.db(f) / 10.0) / cascade.response(f).norm_sqr();
        let top = treble(sample_rate_hz, pole, wanted);
        cascade.push(top);
        Ok(cascade)
    }
}

/// A section with a double real pole and a numerator whose squared magnitude
/// times that of the poles equals `wanted` at three frequencies.
///
/// With `φ = sin²(w/2)` the squared magnitude of a second-order numerator is
/// `B0·(1−φ) + B1·φ + 4·B2·φ·(1−φ)`: linear in three unknowns.
fn treble(sample_rate_hz: f64, pole: f64, wanted: impl Fn(f64) -> f64) -> Biquad {
    let a = [-2.0 * pole, pole * pole];
    let poles = Biquad::from_coefficients(sample_rate_hz, [1.0, 0.0, 0.0], a);
    let highest = (0.46 * sample_rate_hz).min(20_000.0);
    let row = |f: f64| {
        let phi = (PI * f / sample_rate_hz).sin().powi(2);
        ([1.0 - phi, phi, 4.0 * phi * (1.0 - phi)], wanted(f) / poles.response(f).norm_sqr())
    };
    let [low, middle, high] = solve([row(1_000.0), row(0.6 * highest), row(highest)]);
    // Minimum phase: the sign of each root is positive, and a squared magnitude
    // that came out negative (far above the audio band only) counts as none.
    let (at_dc, at_nyquist) = (low.max(0.0).sqrt(), middle.max(0.0).sqrt());
    let mean = 0.5 * (at_dc + at_nyquist);
    let b0 = 0.5 * (mean + (mean * mean + high).max(0.0).sqrt());
    Biquad::from_coefficients(sample_rate_hz, [b0, 0.5 * (at_dc - at_nyquist), -high / (4.0 * b0)], a)
}

/// Solves three linear equations by Cramer's rule.
fn solve(rows: [([f64; 3], f64); 3]) -> [f64; 3] {
    let determinant = |m: [[f64; 3]; 3]| {
        m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
    };
    let matrix = rows.map(|(row, _)| row);
    let whole = determinant(matrix);
    std::array::from_fn(|column| {
        let mut replaced = matrix;
        for (row, (_, right)) in replaced.iter_mut().zip(rows) {
            row[column] = right;
        }
        determinant(replaced) / whole
    })
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: IEC 61672-1:2013, Annex E: A(1000) = −2.000 dB and
    /// C(1000) = −0.062 dB before normalisation.
    #[test]
    fn normalisation_constants() {
        near("A", 20.0 * Weighting::A.ratio(1_000.0).log10(), -1.999_655_535_667_262, 1e-9);
        near("C", 20.0 * Weighting::C.ratio(1_000.0).log10(), -0.061_901_856_724_322_87, 1e-9);
        near("Z", Weighting::Z.db(31.5), 0.0, 0.0);
    }

    #[test]
    fn a_rate_without_room_for_one_kilohertz_is_refused() {
        assert!(Weighting::A.filter(2_000.0).is_err());
        assert!(Weighting::C.filter(f64::NAN).is_err());
    }
}
