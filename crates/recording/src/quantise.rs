//! From floating point to integers, with dither.

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::{Rng, SeedableRng};

/// The resolution of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Depth {
    /// 16-bit integers.
    Int16,
    /// 24-bit integers.
    Int24,
    /// 32-bit floating point: the samples as they are.
    Float32,
}

impl Depth {
    /// Bits per sample.
    #[must_use]
    pub fn bits(self) -> u16 {
        match self {
            Self::Int16 => 16,
            Self::Int24 => 24,
            Self::Float32 => 32,
        }
    }
}

/// Rounds samples to integers under triangular dither.
///
/// `n = round(x·2^(bits−1) + d)` with `d` the sum of two uniform values of
/// ±½ step each, limited to the range of the integer. The error's mean and
/// power then do not depend on the signal (power ¼ step²).
///
/// References: Lipshitz, Wannamaker & Vanderkooy, "Quantization and dither: a
/// theoretical survey", J. Audio Eng. Soc. 40 (1992), from memory.
/// The test `dither_makes_the_error_independent_of_the_signal` proves it.
pub(crate) struct Quantiser {
    scale: f64,
    random: Pcg64Mcg,
}

impl Quantiser {
    /// Full scale ±1 becomes ±2^(bits−1); the same seed gives the same dither.
    pub(crate) fn new(bits: u16, seed: u64) -> Self {
        Self { scale: f64::from(1_u32 << (bits - 1)), random: Pcg64Mcg::seed_from_u64(seed) }
    }

    pub(crate) fn quantise(&mut self, sample: f32) -> i32 {
        let draw = self.random.next_u64();
        let uniform = |bits: u64| (bits as u32 as f64 + 0.5) / 4_294_967_296.0;
        let dither = uniform(draw >> 32) - uniform(draw);
        let value = (f64::from(sample) * self.scale + dither).round();
        value.clamp(-self.scale, self.scale - 1.0) as i32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: analytic: the power of rectangular rounding error (1/12) plus
    /// that of triangular dither (1/6) is 1/4 step², and its mean is 0, at any
    /// position between two steps.
    #[test]
    fn dither_makes_the_error_independent_of_the_signal() {
        let count = 200_000;
        for position in [0.0_f32, 0.25, 0.5, 0.9] {
            let mut quantiser = Quantiser::new(16, 7);
            let sample = (100.0 + position) / 32_768.0;
            let errors: Vec<f64> = (0..count)
                .map(|_| f64::from(quantiser.quantise(sample)) - f64::from(sample) * 32_768.0)
                .collect();
            let mean = errors.iter().sum::<f64>() / f64::from(count);
            let power = errors.iter().map(|error| error * error).sum::<f64>() / f64::from(count);
            // Five standard errors: 5·0.5/√200000 and 5·0.31/√200000.
            testkit::near("mean error", mean, 0.0, 5.6e-3);
            testkit::near("error power", power, 0.25, 3.5e-3);
        }
    }

    #[test]
    fn full_scale_is_limited_and_nan_is_silence() {
        let mut quantiser = Quantiser::new(24, 1);
        assert_eq!(quantiser.quantise(2.0), 8_388_607);
        assert_eq!(quantiser.quantise(-2.0), -8_388_608);
        assert_eq!(quantiser.quantise(f32::NAN), 0);
    }
}
