//! Live input levels.

use std::sync::{Mutex, PoisonError};

/// The level of one input at the moment, full scale being ±1.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct InputMeter {
    /// The highest sample since the meters were read last.
    pub peak: f64,
    /// The root mean square with the time constant of a fast meter, 125 ms.
    pub rms: f64,
    /// How many samples have reached full scale since the capture began.
    pub clipped: u64,
}

/// The time constant of `rms`; IEC 61672-1 calls it F.
const FAST_S: f64 = 0.125;

/// From here on a sample counts as clipped: the largest 16-bit value.
const FULL_SCALE: f32 = 32_767.0 / 32_768.0;

/// The meters of all inputs, shared between the one who records and the one who looks.
#[derive(Debug)]
pub(crate) struct Meters {
    channels: Mutex<Vec<InputMeter>>,
    rate_hz: f64,
}

impl Meters {
    pub(crate) fn new(channels: usize, rate_hz: u32) -> Self {
        Self { channels: Mutex::new(vec![InputMeter::default(); channels]), rate_hz: f64::from(rate_hz) }
    }

    /// The meters now; the peaks begin anew.
    pub(crate) fn read(&self) -> Vec<InputMeter> {
        let mut channels = self.channels.lock().unwrap_or_else(PoisonError::into_inner);
        let read = channels.clone();
        channels.iter_mut().for_each(|meter| meter.peak = 0.0);
        read
    }

    /// Takes one block into account, a row per channel.
    pub(crate) fn update(&self, rows: &[Vec<f32>]) {
        let mut channels = self.channels.lock().unwrap_or_else(PoisonError::into_inner);
        for (meter, row) in channels.iter_mut().zip(rows).filter(|(_, row)| !row.is_empty()) {
            let power = row.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>() / row.len() as f64;
            let kept = (-(row.len() as f64) / (FAST_S * self.rate_hz)).exp();
            meter.rms = (kept * meter.rms * meter.rms + (1.0 - kept) * power).sqrt();
            for x in row.iter().map(|x| x.abs()) {
                meter.peak = meter.peak.max(f64::from(x));
                meter.clipped += u64::from(x >= FULL_SCALE);
            }
        }
    }

    /// How many samples of each channel have reached full scale.
    pub(crate) fn clipped(&self) -> Vec<u64> {
        let channels = self.channels.lock().unwrap_or_else(PoisonError::into_inner);
        channels.iter().map(|meter| meter.clipped).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: IEC 61672-1: after a time constant an exponential detector has 1 − 1/e of
    /// the power; a sine of peak 1 has an RMS of 1/√2.
    #[test]
    fn a_sine_settles_with_the_fast_time_constant() {
        let meters = Meters::new(1, 48_000);
        let sine: Vec<f32> = (0..6_000).map(|n| (n as f32 * 0.2).sin()).collect();
        for block in sine.chunks(1_000) {
            meters.update(&[block.to_vec()]);
        }
        let after_fast = meters.read()[0];
        testkit::near("rms", after_fast.rms, (0.5 * (1.0 - (-1.0_f64).exp())).sqrt(), 2e-3);
        testkit::near("peak", after_fast.peak, 1.0, 1e-2);
        assert_eq!(meters.read()[0].peak, 0.0, "the peak begins anew");
    }

    #[test]
    fn only_full_scale_counts_as_clipped() {
        let meters = Meters::new(2, 48_000);
        meters.update(&[vec![0.999; 10], vec![1.0, -1.0, 1.5, 0.0]]);
        assert_eq!(meters.clipped(), [0, 3]);
    }
}
