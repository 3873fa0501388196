//! A panel that buzzes while a driver shakes it.

use dsp::biquad::Biquad;

use crate::acoustics::rms_pascals;
use crate::car::Rattle;
use crate::noise::White;

/// How long a burst lasts.
const BURST_S: f64 = 0.002;

/// How long the shaking is remembered.
const MEMORY_S: f64 = 0.05;

/// A buzz while it runs: the driver's sound at 1 m in, the panel's out.
///
/// At every upward zero crossing of the driver's sound within the panel's
/// band a burst of white noise of 2 ms sounds under a raised-cosine envelope,
/// as long as the shaking is strong enough.
#[derive(Debug, Clone)]
pub(crate) struct Buzz {
    band: [Biquad; 2],
    noise: White,
    gain: f64,
    threshold: f64,
    envelope: f64,
    decay: f64,
    before: f64,
    burst_frames: f64,
    at: f64,
    level: f64,
}

impl Buzz {
    pub(crate) fn new(rattle: &Rattle, seed: u64, stream: u64, sample_rate_hz: f64) -> Self {
        let centre_hz = (rattle.from_hz * rattle.to_hz).sqrt();
        let q = centre_hz / (rattle.to_hz - rattle.from_hz);
        // Two band-passes in series, each wide enough that both together are
        // 6 dB down at the edges. Checked descriptions always give a section.
        let section = Biquad::band_pass(sample_rate_hz, centre_hz.min(0.45 * sample_rate_hz), q)
            .unwrap_or_else(|_| Biquad::gain(sample_rate_hz, 0.0));
        Self {
            band: [section.clone(), section],
            noise: White::new(seed, stream),
            gain: 10f64.powf(rattle.level_db / 20.0),
            threshold: std::f64::consts::SQRT_2 * rms_pascals(rattle.starts_at_db_spl),
            envelope: 0.0,
            decay: (-1.0 / (MEMORY_S * sample_rate_hz)).exp(),
            before: 0.0,
            burst_frames: (BURST_S * sample_rate_hz).round(),
            at: f64::INFINITY,
            level: 0.0,
        }
    }

    /// The panel's sound for the next sample of the driver's.
    #[inline]
    pub(crate) fn process(&mut self, pascals: f64) -> f64 {
        let [first, second] = &mut self.band;
        let shaken = second.process(first.process(pascals));
        self.envelope = shaken.abs().max(self.envelope * self.decay);
        if self.before < 0.0 && shaken >= 0.0 && self.envelope > self.threshold {
            self.at = 0.0;
            self.level = self.envelope * self.gain;
        }
        self.before = shaken;
        if self.at >= self.burst_frames {
            return 0.0;
        }
        let window = 0.5 - 0.5 * (std::f64::consts::TAU * (self.at + 0.5) / self.burst_frames).cos();
        self.at += 1.0;
        self.level * window * self.noise.sample()
    }
}
