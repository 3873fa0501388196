//! Elementary functions in plain arithmetic, which a compiler turns into vector instructions.

use std::f64::consts::{FRAC_1_SQRT_2, LN_2, PI};

use num_complex::Complex64;

/// Adding and taking off `1.5·2^52` rounds to a whole number.
const ROUNDS: f64 = 6_755_399_441_055_744.0;

/// `sin(2πx)` for |x| below 2^50, to 1e-15 (`they_are_those_of_the_standard_library`): its Taylor
/// series, from memory, over half a turn.
#[inline(always)]
pub(crate) fn sine_of_turns(x: f64) -> f64 {
    /// `(−1)^k/(2k + 1)!` from k = 9 down to 1.
    const SERIES: [f64; 9] = [
        -1.0 / 121_645_100_408_832_000.0,
        1.0 / 355_687_428_096_000.0,
        -1.0 / 1_307_674_368_000.0,
        1.0 / 6_227_020_800.0,
        -1.0 / 39_916_800.0,
        1.0 / 362_880.0,
        -1.0 / 5_040.0,
        1.0 / 120.0,
        -1.0 / 6.0,
    ];
    let halves = (2.0 * x + ROUNDS) - ROUNDS;
    let angle = (x - 0.5 * halves) * 2.0 * PI;
    let odd = (halves - 2.0 * ((0.5 * halves + ROUNDS) - ROUNDS)).abs();
    let square = angle * angle;
    let series = SERIES.iter().fold(0.0, |sum, term| sum * square + term);
    (1.0 - 2.0 * odd) * (angle + angle * square * series)
}

/// `e^(j·2πx)`, as [`sine_of_turns`].
#[inline(always)]
pub(crate) fn cis_of_turns(x: f64) -> Complex64 {
    let part = x - ((x + ROUNDS) - ROUNDS);
    Complex64::new(sine_of_turns(part + 0.25), sine_of_turns(part))
}

/// The natural logarithm of a positive, normal number, to 1e-15 of itself or of 1.
///
/// `ln(2^e·m) = e·ln 2 + 2·artanh((m − 1)/(m + 1))`, m from √½ to √2, by its series.
#[inline(always)]
pub(crate) fn ln(x: f64) -> f64 {
    const MANTISSA: u64 = (1 << 52) - 1;
    /// The bits of 2^52: a whole number in their lower ones makes the number 2^52 plus it.
    const WHOLE: u64 = 0x4330_0000_0000_0000;
    let bits = x.to_bits();
    // Counted from √½, so that the mantissa lies around 1.
    let shifted = bits.wrapping_sub(FRAC_1_SQRT_2.to_bits()).wrapping_add(1023 << 52);
    let exponent = f64::from_bits((shifted >> 52) | WHOLE) - (4_503_599_627_370_496.0 + 1023.0);
    let mantissa = f64::from_bits((shifted & MANTISSA).wrapping_add(FRAC_1_SQRT_2.to_bits()));
    let z = (mantissa - 1.0) / (mantissa + 1.0);
    let square = z * z;
    let series = (0..11).rev().fold(0.0, |sum, k| sum * square + 1.0 / f64::from(2 * k + 1));
    exponent * LN_2 + 2.0 * z * series
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: the functions of the standard library.
    #[test]
    fn they_are_those_of_the_standard_library() {
        for i in -4_000..4_000 {
            let x = f64::from(i) / 997.0;
            near(&format!("sine of {x} turns"), sine_of_turns(x), (2.0 * PI * x).sin(), 8e-15);
            near("phasor", (cis_of_turns(x) - Complex64::cis(2.0 * PI * x)).norm(), 0.0, 1e-14);
            let x = (f64::from(i) / 6.0).exp() * (1.0 + f64::from(i % 7) / 9.0);
            near(&format!("logarithm of {x}"), ln(x), x.ln(), 1e-15 * x.ln().abs().max(1.0));
        }
        for x in [1.0, FRAC_1_SQRT_2, 2f64.sqrt(), 1.0 + f64::EPSILON, f64::MIN_POSITIVE, f64::MAX] {
            near(&format!("logarithm of {x}"), ln(x), x.ln(), 1e-15 * x.ln().abs().max(1.0));
        }
        near("many turns", sine_of_turns(1e6 + 0.25), 1.0, 1e-15);
    }
}
