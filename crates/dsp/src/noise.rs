//! Seeded noise: white, and pink in a free-running and a periodic kind.

use std::f64::consts::PI;

use num_complex::Complex64;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rand_pcg::Pcg64;

use crate::fft::{RealFft, fast_len, irfft};
use crate::window::rise;

/// White noise with a normal distribution and an RMS of 1; the same seed gives
/// the same samples on every machine.
///
/// # Real-time
/// Drawing a sample does not allocate.
#[derive(Debug, Clone)]
pub struct WhiteNoise {
    random: Pcg64,
}

impl WhiteNoise {
    /// Noise from a seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { random: Pcg64::seed_from_u64(seed) }
    }

    /// The next sample.
    pub fn sample(&mut self) -> f64 {
        self.random.sample(StandardNormal)
    }

    /// A number from 0 to 1, evenly distributed.
    pub fn uniform(&mut self) -> f64 {
        self.random.random()
    }

    /// Fills a slice.
    pub fn fill(&mut self, samples: &mut [f64]) {
        for sample in samples {
            *sample = self.sample();
        }
    }
}

/// The amplitude of pink noise at a frequency: `1/√f` between the limits, fading
/// by a raised cosine over the sixth of an octave *outside* each limit, so that
/// every band that lies within the limits is complete.
fn pink_amplitude(frequency_hz: f64, from_hz: f64, to_hz: f64) -> f64 {
    if frequency_hz <= 0.0 {
        return 0.0;
    }
    let lower = rise(1.0 + 6.0 * (frequency_hz / from_hz).log2());
    let upper = rise(1.0 - 6.0 * (frequency_hz / to_hz).log2());
    lower * upper / frequency_hz.sqrt()
}

/// Free-running pink noise, band-limited, with an RMS of 1.
///
/// Power density falls as `1/f`, −3.0103 dB an octave. White noise is filtered
/// block by block (overlap-add) with a linear-phase filter whose length holds two
/// periods of the lower limit at the least, so the slope is exact at any sample
/// rate instead of that of a ladder of poles.
///
/// References: definition of pink noise; the check is that 31 third-octave bands
/// are equal (`free_pink_noise_is_flat_in_third_octaves`).
///
/// # Real-time
/// [`PinkNoise::new`] allocates; drawing samples does not, but every block ends
/// with two transforms, so it belongs on the thread that fills the ring.
pub struct PinkNoise {
    white: WhiteNoise,
    fft: RealFft,
    filter: Vec<Complex64>,
    spectrum: Vec<Complex64>,
    time: Vec<f64>,
    tail: Vec<f64>,
    ready: Vec<f64>,
    next: usize,
}

impl PinkNoise {
    /// Noise from `from_hz` to `to_hz` (cut to just under half the rate).
    ///
    /// # Panics
    /// When the limits do not rise or are not positive.
    #[must_use]
    pub fn new(from_hz: f64, to_hz: f64, sample_rate_hz: f64, seed: u64) -> Self {
        assert!(0.0 < from_hz && from_hz < to_hz, "pink noise needs a band that rises");
        // The fade below the lower limit spans 0.11 of it; a filter that long
        // resolves it.
        let taps = ((16.0 * sample_rate_hz / from_hz) as usize).next_power_of_two().clamp(1 << 10, 1 << 19);
        let n = 2 * taps;
        let wanted: Vec<Complex64> = (0..=taps / 2)
            .map(|k| pink_amplitude(k as f64 * sample_rate_hz / taps as f64, from_hz, to_hz).into())
            .collect();
        let kernel = irfft(wanted, taps);
        let energy: f64 = kernel.iter().map(|h| h * h).sum();
        let scale = energy.sqrt().recip();
        // Rotated to be causal and faded to nothing where it wraps.
        let mut time = vec![0.0; n];
        for (i, slot) in time.iter_mut().take(taps).enumerate() {
            let offset = (i as f64 - taps as f64 / 2.0).abs() / (taps as f64 / 2.0);
            *slot = kernel[(i + taps / 2) % taps] * scale * rise(4.0 * (1.0 - offset));
        }
        let mut fft = RealFft::new(n);
        let mut filter = vec![Complex64::default(); fft.bins()];
        fft.forward(&mut time, &mut filter);
        let spectrum = filter.clone();
        let mut noise = Self {
            white: WhiteNoise::new(seed),
            fft,
            filter,
            spectrum,
            time,
            tail: vec![0.0; taps],
            ready: vec![0.0; taps],
            next: 0,
        };
        // The first block still lacks the tail of what came before it.
        noise.advance();
        noise.advance();
        noise
    }

    fn advance(&mut self) {
        let half = self.ready.len();
        self.white.fill(&mut self.time[..half]);
        self.time[half..].fill(0.0);
        self.fft.forward(&mut self.time, &mut self.spectrum);
        for (bin, filter) in self.spectrum.iter_mut().zip(&self.filter) {
            *bin *= filter;
        }
        self.fft.inverse(&mut self.spectrum, &mut self.time);
        for i in 0..half {
            self.ready[i] = self.time[i] + self.tail[i];
        }
        self.tail.copy_from_slice(&self.time[half..]);
        self.next = 0;
    }

    /// The next sample.
    pub fn sample(&mut self) -> f64 {
        if self.next == self.ready.len() {
            self.advance();
        }
        self.next += 1;
        self.ready[self.next - 1]
    }

    /// Fills a slice.
    pub fn fill(&mut self, samples: &mut [f64]) {
        for sample in samples {
            *sample = self.sample();
        }
    }

    /// Passes over samples as if they had been drawn, at a tenth of the cost: their white noise is drawn, and only what
    /// reaches into later samples is filtered.
    pub fn skip(&mut self, mut frames: usize) {
        let half = self.ready.len();
        while frames > half - self.next {
            frames -= half - self.next;
            let passed = frames / half;
            // Of the blocks that are passed the last alone has a tail in the next.
            for _ in 1..passed {
                self.white.fill(&mut self.time[..half]);
            }
            self.advance();
            if passed > 0 {
                self.next = half;
                frames -= passed * half;
            }
        }
        self.next += frames;
    }
}

/// One period of pink noise with an RMS of 1, built in the spectrum: exact
/// `1/√f` amplitudes with seeded random phases.
///
/// Repeated end to end it is continuous, and an analysis over whole periods has
/// no statistical error at all. The lower limit is met only as closely as the
/// period's line spacing `1/period` allows.
///
/// # Panics
/// When the limits do not rise, or the period holds no line between them.
#[must_use]
pub fn periodic_pink(frames: usize, from_hz: f64, to_hz: f64, sample_rate_hz: f64, seed: u64) -> Vec<f64> {
    assert!(0.0 < from_hz && from_hz < to_hz, "pink noise needs a band that rises");
    let mut random = WhiteNoise::new(seed);
    let mut spectrum: Vec<Complex64> = (0..=frames / 2)
        .map(|k| {
            let amplitude = pink_amplitude(k as f64 * sample_rate_hz / frames as f64, from_hz, to_hz);
            Complex64::from_polar(amplitude, 2.0 * PI * random.uniform())
        })
        .collect();
    if frames.is_multiple_of(2) {
        // A line at Nyquist has no phase of its own.
        spectrum[frames / 2] = Complex64::default();
    }
    let mut samples = irfft(spectrum, frames);
    let power = samples.iter().map(|x| x * x).sum::<f64>() / frames as f64;
    assert!(power > 0.0, "the period is too short for the band");
    let scale = power.sqrt().recip();
    for sample in &mut samples {
        *sample *= scale;
    }
    samples
}

/// A length near `frames` for which [`periodic_pink`] is fast.
#[must_use]
pub fn periodic_len(frames: usize) -> usize {
    fast_len(frames)
}

#[cfg(test)]
mod tests {
    use testkit::{all_near, near};

    use super::*;
    use crate::fft::rfft;

    /// Levels in the 31 base-10 third-octave bands 20 Hz to 20 kHz, by adding the
    /// power of spectrum lines.
    fn third_octaves(samples: &[f64], sample_rate_hz: f64) -> Vec<(f64, f64)> {
        let n = samples.len();
        let spectrum = rfft(samples, n);
        let bin_hz = sample_rate_hz / n as f64;
        (-17..=13)
            .map(|i| {
                let mid = 1000.0 * 10f64.powf(f64::from(i) / 10.0);
                let (low, high) = (mid * 10f64.powf(-0.05), mid * 10f64.powf(0.05));
                let power: f64 = spectrum
                    .iter()
                    .enumerate()
                    .map(|(k, x)| {
                        let overlap =
                            ((k as f64 + 0.5) * bin_hz).min(high) - ((k as f64 - 0.5) * bin_hz).max(low);
                        x.norm_sqr() * (overlap / bin_hz).max(0.0)
                    })
                    .sum();
                (mid, 10.0 * power.log10())
            })
            .collect()
    }

    /// Source: definition of pink noise; tolerance max(0.3 dB, 3σ) with
    /// σ = 4.343/√(BT) (Bendat & Piersol), as in the design page.
    #[test]
    fn free_pink_noise_is_flat_in_third_octaves() {
        for rate in [44_100.0, 48_000.0, 96_000.0] {
            let seconds = 40.0;
            let mut noise = PinkNoise::new(15.0, 22_000.0, rate, 7);
            let mut samples = vec![0.0; (seconds * rate) as usize];
            noise.fill(&mut samples);
            let power = samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64;
            near("RMS", power.sqrt(), 1.0, 0.03);
            let bands = third_octaves(&samples, rate);
            // The level that all share is taken from the bands that scatter least.
            let reference = bands[15..].iter().map(|(_, level)| level).sum::<f64>() / 16.0;
            for (mid, level) in &bands {
                let sigma = 4.343 / (0.2308 * mid * seconds).sqrt();
                near(
                    &format!("band {mid:.1} Hz at {rate} Hz"),
                    level - reference,
                    0.0,
                    (3.0 * sigma).max(0.3),
                );
            }
        }
    }

    /// Source: analytic. A period's own spectrum has no statistical scatter; what
    /// is left is the line spacing (0.05 dB in the lowest band at 2.7 s).
    #[test]
    fn periodic_pink_noise_has_no_scatter() {
        let samples = periodic_pink(131_072, 15.0, 22_000.0, 48_000.0, 3);
        let bands = third_octaves(&samples, 48_000.0);
        let reference = bands[15].1;
        for (mid, level) in bands {
            near(&format!("band {mid:.1} Hz"), level - reference, 0.0, 0.05);
        }
    }

    #[test]
    fn noise_that_is_passed_over_is_that_which_is_drawn() {
        let make = || PinkNoise::new(200.0, 3_000.0, 8_000.0, 11);
        let mut all = vec![0.0; 40_000];
        make().fill(&mut all);
        let block = make().ready.len();
        for first in [0, 1, block - 1, block, block + 1, 2 * block, 3 * block - 1, 3 * block, 20_000] {
            let mut noise = make();
            let mut got = vec![0.0; 2_000];
            noise.skip(first);
            noise.fill(&mut got[..500]);
            noise.skip(300);
            noise.fill(&mut got[800..]);
            all_near("first part", &got[..500], &all[first..first + 500], 0.0);
            all_near("second part", &got[800..], &all[first + 800..first + 2_000], 0.0);
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_noise_and_another_does_not() {
        let draw = |seed| {
            let mut noise = PinkNoise::new(20.0, 20_000.0, 48_000.0, seed);
            (0..1000).map(|_| noise.sample()).collect::<Vec<_>>()
        };
        all_near("same seed", &draw(5), &draw(5), 0.0);
        assert_ne!(draw(5), draw(6));
        assert_eq!(
            periodic_pink(1024, 100.0, 5000.0, 48_000.0, 1),
            periodic_pink(1024, 100.0, 5000.0, 48_000.0, 1)
        );
    }
}
