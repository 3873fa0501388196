//! Fractional-octave smoothing.

/// The mean of a power spectrum over a window of 1/`fraction` octave, centred in
/// log frequency on each of `at`, every octave of log frequency weighing the same:
///
/// `S(f) = ∫ P(ν) d ln ν / ln(f_hi/f_lo)`, from `f_lo = f·2^(−1/2N)` to `f_hi = f·2^(1/2N)`
///
/// with `P` constant over each bin, which reaches from `(k − ½)` to `(k + ½)` times
/// `bin_hz`. The window is cut where the spectrum ends, and the mean is over what is
/// left, so a constant stays constant at the edges. DC has no place on a log axis:
/// the first bin counts from a tenth of a bin upward.
///
/// References: the definition above; prefix sums make it O(bins + points).
/// Accuracy: `agrees_with_the_direct_sum`.
#[must_use]
pub fn smooth_power(power: &[f64], bin_hz: f64, fraction: f64, at: &[f64]) -> Vec<f64> {
    let prefix = LogPrefix::new(power, bin_hz);
    let half = 0.5 / fraction;
    at.iter().map(|&f| prefix.mean(f * (-half).exp2(), f * half.exp2())).collect()
}

/// The running integral of a power spectrum over log frequency; means over any
/// number of windows cost O(1) each.
#[derive(Debug, Clone)]
pub struct LogPrefix {
    bin_hz: f64,
    power: Vec<f64>,
    /// The integral from the lowest edge up to the lower edge of bin `k`.
    sums: Vec<f64>,
}

/// The lowest edge in bins.
const LOWEST: f64 = 0.1;

impl LogPrefix {
    /// Sums a spectrum whose bin `k` stands at `k·bin_hz`.
    #[must_use]
    pub fn new(power: &[f64], bin_hz: f64) -> Self {
        let mut sums = Vec::with_capacity(power.len() + 1);
        let mut sum = 0.0;
        sums.push(0.0);
        for (k, p) in power.iter().enumerate() {
            sum += p * (upper_edge(k) / lower_edge(k)).ln();
            sums.push(sum);
        }
        Self { bin_hz, power: power.to_vec(), sums }
    }

    fn integral_to(&self, x: f64) -> f64 {
        let k = ((x + 0.5).floor() as usize).min(self.power.len() - 1);
        self.sums[k] + self.power[k] * (x / lower_edge(k)).ln()
    }

    /// The mean power from one frequency to another; that of the nearest bin when
    /// both lie outside the spectrum, and zero of an empty one.
    #[must_use]
    pub fn mean(&self, from_hz: f64, to_hz: f64) -> f64 {
        let Some(last) = self.power.len().checked_sub(1) else { return 0.0 };
        let highest = last as f64 + 0.5;
        let a = (from_hz / self.bin_hz).clamp(LOWEST, highest);
        let b = (to_hz / self.bin_hz).clamp(LOWEST, highest);
        if b <= a * (1.0 + 1e-12) {
            return self.power[((a + 0.5).floor() as usize).min(last)];
        }
        (self.integral_to(b) - self.integral_to(a)) / (b / a).ln()
    }
}

fn lower_edge(k: usize) -> f64 {
    (k as f64 - 0.5).max(LOWEST)
}

fn upper_edge(k: usize) -> f64 {
    k as f64 + 0.5
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    fn direct(power: &[f64], bin_hz: f64, from_hz: f64, to_hz: f64) -> f64 {
        let (mut sum, mut width) = (0.0, 0.0);
        for (k, p) in power.iter().enumerate() {
            let low = ((k as f64 - 0.5).max(0.1) * bin_hz).max(from_hz);
            let high = ((k as f64 + 0.5) * bin_hz).min(to_hz);
            if high > low {
                sum += p * (high / low).ln();
                width += (high / low).ln();
            }
        }
        sum / width
    }

    /// Source: the definition, summed directly; the bar of 1e-9 is the design page's.
    #[test]
    fn agrees_with_the_direct_sum() {
        let bin_hz = 1.3;
        let power: Vec<f64> = (0..5000).map(|k| 1.0 + f64::from(k * k % 97)).collect();
        let at: Vec<f64> = (0..200).map(|i| 5.0 * (f64::from(i) * 0.05).exp2()).collect();
        for fraction in [1.0, 3.0, 12.0, 48.0] {
            for (f, got) in at.iter().zip(smooth_power(&power, bin_hz, fraction, &at)) {
                let half = 0.5 / fraction;
                let (low, high) = (f * (-half).exp2(), f * half.exp2());
                let wanted =
                    if low >= 4999.5 * bin_hz { power[4999] } else { direct(&power, bin_hz, low, high) };
                near(&format!("1/{fraction} octave at {f} Hz"), got, wanted, 1e-9 * wanted);
            }
        }
    }

    #[test]
    fn a_constant_stays_constant_at_the_edges() {
        let power = vec![2.5; 1025];
        for f in smooth_power(&power, 20.0, 1.0, &[0.0, 1.0, 10.0, 25.0, 19_000.0, 20_480.0, 40_000.0]) {
            near("constant", f, 2.5, 1e-11);
        }
        assert_eq!(smooth_power(&[], 1.0, 3.0, &[10.0]), vec![0.0]);
    }
}
