//! What an impulse response says besides its spectrum: the group delay, and
//! what is left of each frequency some time later.

use crate::fft::{fast_len, rfft};
use crate::smoothing::smooth_power;

/// Where delays and decays are told: points an octave, and the widths over
/// which they are averaged.
const FRACTION: f64 = 6.0;

/// An impulse response with the time of each sample, its peak at zero.
#[derive(Debug, Clone, PartialEq)]
pub struct Impulse {
    /// The time of each sample, the peak's being 0.
    pub time_s: Vec<f64>,
    /// The samples.
    pub value: Vec<f64>,
    step_s: f64,
}

impl Impulse {
    /// An impulse response of evenly spaced samples at these times; nothing for fewer than two.
    #[must_use]
    pub fn new(time_s: &[f64], value: &[f64]) -> Option<Self> {
        let step_s = time_s.get(1)? - time_s.first()?;
        let peak = value.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?.0;
        let zero_s = *time_s.get(peak)?;
        (step_s > 0.0).then(|| Self {
            time_s: time_s.iter().map(|time| time - zero_s).collect(),
            value: value.to_vec(),
            step_s,
        })
    }

    /// The highest magnitude of a sample.
    #[must_use]
    pub fn peak(&self) -> f64 {
        self.value.iter().fold(0.0, |peak, value| value.abs().max(peak))
    }

    fn spectrum_length(&self) -> usize {
        fast_len(4 * self.value.len())
    }

    fn bin_hz(&self) -> f64 {
        1.0 / (self.spectrum_length() as f64 * self.step_s)
    }

    /// The group delay in seconds after the peak:
    /// `τ(ω) = Re{FFT(t·h)·conj(FFT(h))} / |FFT(h)|²`, numerator and denominator
    /// averaged over a sixth of an octave, which weights by energy and needs no
    /// unwrapped phase.
    #[must_use]
    pub fn group_delay_s(&self, at_hz: &[f64]) -> Vec<f64> {
        let n = self.spectrum_length();
        let moment: Vec<f64> = self.time_s.iter().zip(&self.value).map(|(t, h)| t * h).collect();
        let (spectrum, moment) = (rfft(&self.value, n), rfft(&moment, n));
        let power: Vec<f64> = spectrum.iter().map(|h| h.norm_sqr()).collect();
        let product: Vec<f64> = spectrum.iter().zip(&moment).map(|(h, th)| (th * h.conj()).re).collect();
        let power = smooth_power(&power, self.bin_hz(), FRACTION, at_hz);
        let product = smooth_power(&product, self.bin_hz(), FRACTION, at_hz);
        product.iter().zip(&power).map(|(product, power)| product / power.max(f64::MIN_POSITIVE)).collect()
    }

    /// The level in dB of what comes later than `after_s` after the peak, over
    /// sixths of an octave. What comes before is faded out over 2 ms, and the
    /// recorded end over its last fifth.
    #[must_use]
    pub fn left_after_db(&self, after_s: f64, at_hz: &[f64]) -> Vec<f64> {
        const RISE_S: f64 = 0.002;
        let end_s = self.time_s.last().copied().unwrap_or(0.0);
        let raised = |x: f64| 0.5 * (1.0 - (std::f64::consts::PI * x.clamp(0.0, 1.0)).cos());
        let windowed: Vec<f64> = self
            .time_s
            .iter()
            .zip(&self.value)
            .map(|(t, h)| h * raised((t - after_s) / RISE_S + 1.0) * raised((end_s - t) / (0.2 * end_s)))
            .collect();
        let spectrum = rfft(&windowed, self.spectrum_length());
        let power: Vec<f64> = spectrum.iter().map(|h| h.norm_sqr()).collect();
        let power = smooth_power(&power, self.bin_hz(), FRACTION, at_hz);
        power.iter().map(|power| 10.0 * power.max(1e-30).log10()).collect()
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use testkit::{all_near, near};

    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn impulse(value: &[f64]) -> Impulse {
        let time_s: Vec<f64> = (0..value.len()).map(|n| 0.2 + n as f64 / RATE_HZ).collect();
        Impulse::new(&time_s, value).expect("there is one")
    }

    /// Source: analytic: two equal pulses 2 ms apart have the group delay of
    /// their middle, counted from the first, which is the peak.
    #[test]
    fn the_group_delay_of_two_equal_pulses_is_their_middle() {
        let mut value = vec![0.0; 4_800];
        value[240] = 1.000_001;
        value[240 + 96] = 1.0;
        let delays = impulse(&value).group_delay_s(&[300.0, 1_000.0, 5_000.0]);
        all_near("group delay", &delays, &[0.001; 3], 2e-6);
    }

    /// Source: analytic: `e^(−t/τ)` falls by 8.686 dB every τ.
    #[test]
    fn what_is_left_of_a_decaying_tone_falls_as_the_tone_does() {
        let tau_s = 0.02;
        let value = (0..4_800).map(|n| {
            let t = n as f64 / RATE_HZ - 0.005;
            if t < 0.0 { 0.0 } else { (-t / tau_s).exp() * (TAU * 1_000.0 * t).cos() }
        });
        let impulse = impulse(&value.collect::<Vec<f64>>());
        let at = |after_s: f64| impulse.left_after_db(after_s, &[1_000.0])[0];
        near("one τ later", at(0.005) - at(0.025), 8.686, 0.4);
    }
}
