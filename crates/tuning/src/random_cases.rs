//! Seeded random numbers for tests.

/// So many cases: some in a quick run, as many as the environment variable says in a full one.
pub(crate) fn cases(variable: &str, quick: usize) -> usize {
    std::env::var(variable).ok().and_then(|count| count.parse().ok()).unwrap_or(quick)
}

/// xorshift64* (S. Vigna, 2016): enough for test cases.
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        let mut random = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        random.unit();
        random
    }

    /// Evenly from 0 to 1.
    pub(crate) fn unit(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly between two values.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Mean 0 and variance 1, from twelve even ones: normal enough for noise.
    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}
