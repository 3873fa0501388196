//! The microphone with its preamplifier, the sound of the car standing still,
//! and the interface's own noise.

use std::f64::consts::SQRT_2;

use dsp::biquad::Biquad;
use num_complex::Complex64;

use crate::acoustics::rms_pascals;
use crate::car::{Car, band_section};
use crate::chain::cascade_response;
use crate::noise::{White, sigma_for_audio_band};

/// The corner above which the sound of the car standing still falls off.
const AMBIENT_CORNER_HZ: f64 = 200.0;

/// The microphone's own sections.
pub(crate) fn microphone_sections(car: &Car, sample_rate_hz: f64) -> Vec<Biquad> {
    let microphone = &car.microphone;
    let edge = microphone.high_pass.iter().flat_map(|edge| edge.high_pass(sample_rate_hz));
    edge.chain(microphone.bands.iter().filter_map(|band| band_section(band, sample_rate_hz))).collect()
}

/// The microphone with its preamplifier, and the sound of the car itself.
#[derive(Debug, Clone)]
pub(crate) struct MicrophoneStage {
    sections: Vec<Biquad>,
    fs_per_pascal: f64,
    own: White,
    own_sigma: f64,
    ambient: White,
    ambient_sigma: f64,
    ambient_section: Option<Biquad>,
    tap_noise: White,
    tap_sigma: f64,
}

impl MicrophoneStage {
    pub(crate) fn new(car: &Car, sample_rate_hz: f64) -> Self {
        let own = car.microphone.noise_db_spl.map_or(0.0, rms_pascals);
        let ambient = car.cabin.as_ref().and_then(|cabin| cabin.ambient_db_spl).map_or(0.0, rms_pascals);
        let ambient_section = Biquad::low_pass_first_order(sample_rate_hz, AMBIENT_CORNER_HZ).ok();
        // White noise through this first-order low-pass keeps a part b0 of its power.
        let kept = ambient_section.as_ref().map_or(1.0, |section| section.b()[0]);
        // A full-scale sine has an RMS of 1/√2 and reads 0 dBFS.
        let peak_at_94 = 10f64.powf(car.microphone.dbfs_at_94 / 20.0);
        let tap = car.tap.noise_dbfs.map_or(0.0, |dbfs| 10f64.powf(dbfs / 20.0) / SQRT_2);
        Self {
            sections: microphone_sections(car, sample_rate_hz),
            fs_per_pascal: peak_at_94 / (SQRT_2 * rms_pascals(94.0)),
            own: White::new(car.seed, 1),
            own_sigma: sigma_for_audio_band(own, sample_rate_hz),
            ambient: White::new(car.seed, 2),
            ambient_sigma: ambient / kept.sqrt(),
            ambient_section,
            tap_noise: White::new(car.seed, 3),
            tap_sigma: sigma_for_audio_band(tap, sample_rate_hz),
        }
    }

    /// From pascals to sample values, and the interface's noise on the tap.
    pub(crate) fn run(&mut self, noise: bool, mic: &mut [f64], tap: &mut [f64]) {
        if noise && self.ambient_sigma > 0.0 {
            for sample in mic.iter_mut() {
                let white = self.ambient_sigma * self.ambient.sample();
                *sample += self.ambient_section.as_mut().map_or(white, |section| section.process(white));
            }
        }
        for section in &mut self.sections {
            section.process_in_place(mic);
        }
        for sample in mic.iter_mut() {
            let own = if noise && self.own_sigma > 0.0 { self.own_sigma * self.own.sample() } else { 0.0 };
            *sample = ((*sample + own) * self.fs_per_pascal).clamp(-1.0, 1.0);
        }
        for sample in tap.iter_mut() {
            let hiss =
                if noise && self.tap_sigma > 0.0 { self.tap_sigma * self.tap_noise.sample() } else { 0.0 };
            *sample = (*sample + hiss).clamp(-1.0, 1.0);
        }
    }

    /// Sample values per pascal at a frequency.
    pub(crate) fn response(&self, frequency_hz: f64) -> Complex64 {
        cascade_response(&self.sections, frequency_hz) * self.fs_per_pascal
    }
}
