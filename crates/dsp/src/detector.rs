//! Detectors of level over time: exponential, equivalent and peak.

/// The time constant of the *fast* weighting in seconds (IEC 61672-1:2013, 5.8).
pub const FAST_S: f64 = 0.125;

/// The time constant of the *slow* weighting in seconds (IEC 61672-1:2013, 5.8).
pub const SLOW_S: f64 = 1.0;

/// The exponentially weighted mean square, as a sound level meter's *fast* and
/// *slow* take it.
///
/// `y[n] = y[n−1] + (1 − e^(−1/(τ·fs)))·(x[n]² − y[n−1])`
///
/// References: IEC 61672-1:2013, 3.9, 5.8. Accuracy: within 0.2 dB of the
/// toneburst responses of Table 4, `tests/iec_61672_1.rs`. Silence decays
/// towards zero and ends there.
///
/// # Real-time
/// Allocates nothing; two multiplications a sample.
#[derive(Debug, Clone, Copy)]
pub struct Exponential {
    weight: f64,
    mean_square: f64,
    greatest: f64,
}

impl Exponential {
    /// A detector with this time constant, at rest.
    #[must_use]
    pub fn new(sample_rate_hz: f64, time_constant_s: f64) -> Self {
        let weight = -(-1.0 / (time_constant_s * sample_rate_hz)).exp_m1();
        Self { weight, mean_square: 0.0, greatest: 0.0 }
    }

    /// Takes a sample and gives the mean square so far.
    #[inline]
    pub fn process(&mut self, sample: f64) -> f64 {
        self.mean_square += self.weight * (sample * sample - self.mean_square);
        if self.mean_square < 1e-300 {
            self.mean_square = 0.0;
        }
        self.greatest = self.greatest.max(self.mean_square);
        self.mean_square
    }

    /// The mean square as it stands.
    #[must_use]
    pub fn mean_square(&self) -> f64 {
        self.mean_square
    }

    /// The greatest mean square that was reached.
    #[must_use]
    pub fn greatest(&self) -> f64 {
        self.greatest
    }
}

/// The plain mean square since the beginning, for RMS and equivalent levels.
///
/// # Real-time
/// Allocates nothing; one multiplication a sample.
#[derive(Debug, Clone, Copy, Default)]
pub struct MeanSquare {
    sum: f64,
    count: u64,
}

impl MeanSquare {
    /// Takes a sample.
    #[inline]
    pub fn add(&mut self, sample: f64) {
        self.sum += sample * sample;
        self.count += 1;
    }

    /// Takes the sum of the squares of several samples.
    #[inline]
    pub fn add_energy(&mut self, sum_of_squares: f64, count: u64) {
        self.sum += sum_of_squares;
        self.count += count;
    }

    /// The mean square, or nothing before the first sample.
    #[must_use]
    pub fn get(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    /// How many samples were taken.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.count
    }
}

/// The greatest sample value on either side of zero.
///
/// It is the peak of the samples; what the signal does between them may be
/// higher by some tenths of a decibel, more near half the sample rate.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Peak {
    /// The greatest sample, or zero.
    pub highest: f64,
    /// The least sample, or zero.
    pub lowest: f64,
}

impl Peak {
    /// Takes a sample.
    #[inline]
    pub fn add(&mut self, sample: f64) {
        self.highest = self.highest.max(sample);
        self.lowest = self.lowest.min(sample);
    }

    /// The greatest distance from zero.
    #[must_use]
    pub fn absolute(&self) -> f64 {
        self.highest.max(-self.lowest)
    }

    /// From the lowest to the highest sample.
    #[must_use]
    pub fn to_peak(&self) -> f64 {
        self.highest - self.lowest
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: IEC 61672-1:2013, 5.8; a decay of 34.7 dB/s for fast and
    /// 4.3 dB/s for slow follows from the time constants.
    #[test]
    fn decay_rates() {
        for (time_constant_s, wanted_db) in [(FAST_S, 34.743_558_552_260_15), (SLOW_S, 4.342_944_819_032_518)]
        {
            let mut detector = Exponential::new(48_000.0, time_constant_s);
            for _ in 0..480_000 {
                detector.process(0.5);
            }
            let before = detector.mean_square();
            for _ in 0..48_000 {
                detector.process(0.0);
            }
            near("decay", 10.0 * (before / detector.mean_square()).log10(), wanted_db, 1e-6);
            near("greatest", detector.greatest(), before, 0.0);
        }
    }

    #[test]
    fn nothing_gives_nothing() {
        assert_eq!(MeanSquare::default().get(), None);
        assert_eq!(Peak::default().absolute(), 0.0);
    }

    #[test]
    fn peaks_on_either_side() {
        let mut peak = Peak::default();
        [0.25, -0.75, 0.5].into_iter().for_each(|x| peak.add(x));
        near("absolute", peak.absolute(), 0.75, 0.0);
        near("to peak", peak.to_peak(), 1.25, 0.0);
    }
}
