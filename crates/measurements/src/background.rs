//! The power density of a stretch of samples, for noise floors and signal-to-noise
//! ratios.

use dsp::fft::{Complex64, RealFft};
use dsp::response::interpolate_log;
use dsp::window::Window;

/// A window with so many times the power of the quieter half holds something else than the background.
const LOUD: f64 = 100.0;
/// Less power than this (mean square, −140 dB) is digital silence.
const SILENT: f64 = 1e-14;

/// A two-sided power density per sample: white noise of variance σ² has σ² at every
/// frequency.
#[derive(Debug, Clone)]
pub(crate) struct Background {
    frequency_hz: Vec<f64>,
    power: Vec<f64>,
}

impl Background {
    /// Averages over all stretches by Welch's method: Hann windows of a sixth of a
    /// second (or the longest that fits a stretch), half overlapping, each without
    /// its mean. Windows with a hundred times the power of the quieter half are left out: something sounded there, a knock,
    /// or what was played where samples came twice. Nothing when no stretch lasts a fiftieth of a second.
    ///
    /// References: P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 1967.
    pub(crate) fn of(stretches: &[&[f32]], sample_rate_hz: f64) -> Option<Self> {
        let longest = stretches.iter().map(|stretch| stretch.len()).max()?;
        if (longest as f64) < 0.02 * sample_rate_hz {
            return None;
        }
        let n = dsp::fft::fast_len((sample_rate_hz / 6.0) as usize).min(longest / 2 * 2);
        let window = Window::Hann.fill(n);
        let scale: f64 = window.iter().map(|w| w * w).sum();
        let mut fft = RealFft::new(n);
        let mut time = vec![0.0; n];
        let mut spectrum = vec![Complex64::default(); fft.bins()];
        let mut windows: Vec<(f64, Vec<f64>)> = Vec::new();
        for stretch in stretches {
            for start in (0..stretch.len().saturating_sub(n - 1)).step_by((n / 2).max(1)) {
                let part = &stretch[start..start + n];
                let mean = part.iter().map(|x| f64::from(*x)).sum::<f64>() / n as f64;
                for ((slot, x), w) in time.iter_mut().zip(part).zip(&window) {
                    *slot = (f64::from(*x) - mean) * w;
                }
                fft.forward(&mut time, &mut spectrum);
                let power: Vec<f64> = spectrum.iter().skip(1).map(|bin| bin.norm_sqr() / scale).collect();
                windows.push((power.iter().sum(), power));
            }
        }
        windows.sort_by(|a, b| a.0.total_cmp(&b.0));
        let quieter = windows.len().div_ceil(2);
        let usual = windows[..quieter].iter().map(|(sum, _)| sum).sum::<f64>() / quieter as f64;
        // Between digital silences anything is loud.
        let is_usual = |(sum, _): &&(f64, Vec<f64>)| *sum < LOUD * usual || usual < SILENT * n as f64;
        let kept = || windows.iter().filter(is_usual).map(|(_, power)| power);
        let count = kept().count() as f64;
        let mut power = vec![0.0; fft.bins() - 1];
        for window in kept() {
            power.iter_mut().zip(window).for_each(|(sum, power)| *sum += power / count);
        }
        let bin_hz = sample_rate_hz / n as f64;
        let frequency_hz = (1..=power.len()).map(|k| k as f64 * bin_hz).collect();
        Some(Self { frequency_hz, power })
    }

    /// The density at frequencies.
    pub(crate) fn at(&self, frequency_hz: &[f64]) -> Vec<f64> {
        interpolate_log(&self.frequency_hz, &self.power, frequency_hz)
    }

    /// The power (mean square) between two frequencies.
    pub(crate) fn between(&self, from_hz: f64, to_hz: f64) -> f64 {
        let bin_hz = self.frequency_hz[0];
        let nyquist = self.frequency_hz[self.frequency_hz.len() - 1];
        let sum: f64 = self
            .frequency_hz
            .iter()
            .zip(&self.power)
            .map(|(f, p)| {
                let overlap = (f + bin_hz / 2.0).min(to_hz) - (f - bin_hz / 2.0).max(from_hz);
                p * (overlap / bin_hz).max(0.0)
            })
            .sum();
        sum * bin_hz / nyquist
    }
}

#[cfg(test)]
mod tests {
    use dsp::noise::WhiteNoise;
    use testkit::near;

    use super::*;

    /// Source: analytic; σ² at every frequency, and half of it in half the band. The
    /// tolerance is 4σ of an average over 23 half-overlapping windows and 2000 bins.
    #[test]
    fn white_noise_has_its_variance_everywhere() {
        let mut noise = WhiteNoise::new(3);
        let samples: Vec<f32> = (0..96_000).map(|_| (0.1 * noise.sample()) as f32).collect();
        let background = Background::of(&[&samples], 48_000.0).unwrap();
        near("all of it", background.between(0.0, 24_000.0), 0.01, 0.0002);
        near("half of it", background.between(6_000.0, 18_000.0), 0.005, 0.0002);
        let mean = background.at(&[1000.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0]).iter().sum::<f64>() / 6.0;
        near("density", mean, 0.01, 0.004);
    }

    /// Samples that came twice put a part of the sweep into a silence, and everything seemed to lie in noise.
    /// Source: as above; a knock of 40 dB over the noise in one of four stretches.
    #[test]
    fn what_sounds_in_a_silence_is_no_noise() {
        let mut noise = WhiteNoise::new(4);
        let mut samples: Vec<f32> = (0..96_000).map(|_| (0.01 * noise.sample()) as f32).collect();
        samples[50_000..52_000].iter_mut().for_each(|x| *x = (noise.sample()) as f32);
        let quarters: Vec<&[f32]> = samples.chunks(24_000).collect();
        let background = Background::of(&quarters, 48_000.0).unwrap();
        near("all of it", background.between(0.0, 24_000.0), 1e-4, 4e-6);
    }

    #[test]
    fn too_little_gives_nothing() {
        assert!(Background::of(&[], 48_000.0).is_none());
        assert!(Background::of(&[&[0.0; 100]], 48_000.0).is_none());
    }
}
