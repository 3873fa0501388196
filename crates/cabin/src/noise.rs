//! Seeded noise that is the same on every machine.

/// White noise of unit variance: the sum of four uniform numbers (Irwin-Hall),
/// bell-shaped up to ±3.5 standard deviations, which is all that a noise floor
/// needs.
///
/// References: the generator is SplitMix64 (Steele, Lea and Flood, *Fast
/// Splittable Pseudorandom Number Generators*, OOPSLA 2014).
///
/// # Real-time
/// No allocation; about 2 ns a sample.
#[derive(Debug, Clone)]
pub(crate) struct White {
    state: u64,
}

impl White {
    /// A generator; every stream of a seed is a different noise.
    pub(crate) fn new(seed: u64, stream: u64) -> Self {
        let mut white = Self { state: seed ^ stream.wrapping_mul(0xd1b5_4a32_d192_ed03) };
        // Neighbouring seeds are told apart by the first scrambled number.
        white.state = white.bits();
        white
    }

    fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// The next sample.
    #[inline]
    pub(crate) fn sample(&mut self) -> f64 {
        let bits = self.bits();
        let part = |shift: u32| f64::from((bits >> shift) as u16);
        // Four uniform numbers of 0..=65535 have a variance of (65536² − 1)/3.
        const MEAN: f64 = 2.0 * 65_535.0;
        const SCALE: f64 = 1.732_050_807_568_877_2 / 65_536.0;
        (part(0) + part(16) + part(32) + part(48) - MEAN) * SCALE
    }
}

/// The standard deviation of white noise whose RMS between 20 Hz and 20 kHz is
/// `rms` when sampled at this rate.
pub(crate) fn sigma_for_audio_band(rms: f64, sample_rate_hz: f64) -> f64 {
    rms * (sample_rate_hz / 2.0 / 19_980.0).sqrt()
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Tolerance: the mean of n = 10⁶ samples scatters by 10⁻³, their variance
    /// by √(1.7/n) ≈ 1.3·10⁻³ (kurtosis 2.7); four of each are allowed.
    #[test]
    fn it_has_no_mean_and_unit_variance_and_no_memory() {
        let mut white = White::new(3, 9);
        let samples: Vec<f64> = (0..1_000_000).map(|_| white.sample()).collect();
        let mean = samples.iter().sum::<f64>() / 1e6;
        let variance = samples.iter().map(|x| x * x).sum::<f64>() / 1e6;
        let neighbours = samples.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / 1e6;
        near("mean", mean, 0.0, 4e-3);
        near("variance", variance, 1.0, 5.2e-3);
        near("correlation of neighbours", neighbours, 0.0, 4e-3);
    }

    #[test]
    fn streams_of_one_seed_differ() {
        let (mut a, mut b) = (White::new(1, 1), White::new(1, 2));
        let product: f64 = (0..10_000).map(|_| a.sample() * b.sample()).sum::<f64>() / 1e4;
        near("correlation of streams", product, 0.0, 4e-2);
    }
}
