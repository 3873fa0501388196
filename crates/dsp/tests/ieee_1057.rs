//! The four-parameter sine fit under noise.
//!
//! Source: IEEE Std 1057-2017, 4.1.4.3 (the fit); the bars are the design's:
//! frequency within 1 ppm and amplitude within 0.01 % at 60 dB SNR and 1 s. The
//! least error that any fit can have there (Cramér-Rao) is
//! `√(6/(SNR·N))/(π·T)` Hz: 3.6e-6 Hz at 48 kHz, a fifth of a ppm at 20 Hz.

use std::f64::consts::PI;

use dsp::noise::WhiteNoise;
use dsp::sine_fit::{four_parameter, guess_frequency};
use dsp::window::Window;
use testkit::{Verified, published};

#[test]
fn frequency_and_amplitude_at_sixty_decibels() {
    let (mut worst_ppm, mut worst_part) = (0.0f64, 0.0f64);
    for sample_rate_hz in [44_100.0, 48_000.0, 96_000.0] {
        for (seed, frequency_hz) in
            [(1, 20.0), (2, 40.0), (3, 997.0), (4, 1_000.0), (5, 12_345.6), (6, 19_999.0)]
        {
            let mut noise = WhiteNoise::new(seed);
            let amplitude = 0.8;
            // White noise of unit variance; the sine's RMS is A/√2.
            let sigma = amplitude / 2f64.sqrt() / 1_000.0;
            let samples: Vec<f64> = (0..sample_rate_hz as usize)
                .map(|n| {
                    amplitude * (2.0 * PI * frequency_hz * n as f64 / sample_rate_hz + 0.9).sin()
                        + sigma * noise.sample()
                })
                .collect();
            for window in [Window::Rectangular, Window::Hann] {
                let start_hz = guess_frequency(&samples, sample_rate_hz, 10.0, 22_000.0).unwrap();
                let fit = four_parameter(&samples, sample_rate_hz, start_hz, window).unwrap();
                worst_ppm = worst_ppm.max((fit.frequency_hz / frequency_hz - 1.0).abs() * 1e6);
                worst_part = worst_part.max((fit.amplitude / amplitude - 1.0).abs());
            }
        }
    }
    let source = "IEEE Std 1057-2017, 4.1.4.3 (the fit; the bars are ours)";
    let of = "four-parameter sine fit, 60 dB SNR, 1 s, 20 Hz to 20 kHz";
    published(source, &format!("{of}: frequency"), (worst_ppm, 1.0, "ppm"), Verified::FromMemory);
    published(source, &format!("{of}: amplitude"), (100.0 * worst_part, 0.01, "%"), Verified::FromMemory);
}
