//! What is true of a car, computed from its description: the answers that a
//! measurement should find.

use std::f64::consts::TAU;
use std::fmt::Write as _;

use num_complex::Complex64;

use crate::acoustics;
use crate::car::{Car, Output};
use crate::chain::{Chain, cascade_response, output_sections};
use crate::limit::Shaper;
use crate::microphone::microphone_sections;

/// The distortion under which an output counts as clean.
///
/// Source: the rating criterion of CTA-2006; its use here is common practice, no source.
pub const CLEAN_THD: f64 = 0.01;

/// What is true of a car.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// The highest volume step at which every output is clean.
    pub clean_step: u32,
    /// The output that limits it, the first of several that do; nothing when no
    /// output clips at any step.
    pub limiting_output: Option<String>,
    /// Every output by itself.
    pub outputs: Vec<OutputTruth>,
    /// The drivers that are wired backwards.
    pub reversed_drivers: Vec<String>,
    /// The direct sound's way from every driver to every position.
    pub arrivals: Vec<Arrival>,
    /// The microphone's calibration as a text that the program reads.
    pub microphone_calibration: String,
    /// What 94 dB SPL reads.
    pub dbfs_at_94: f64,
    /// Volts at the tapped output for a sample value of 1.
    pub volts_per_fs: f64,
    /// The recorder's clock against that of the memory stick's player.
    pub stick_clock_ppm: f64,
}

/// What is true of one output of the radio.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputTruth {
    /// Its name.
    pub output: String,
    /// The full-scale tone that it is judged by.
    pub test_tone_hz: f64,
    /// The highest step at which this output alone is clean.
    pub clean_step: u32,
    /// The RMS voltage of the tone at that step.
    pub volts_at_clean_step: f64,
    /// The RMS voltage of the tone at the car's clean step.
    pub volts_at_cars_clean_step: f64,
    /// The distortion of the tone at every step from 1 on, as a ratio.
    pub thd: Vec<f64>,
}

/// The direct sound's way from a driver to a position.
#[derive(Debug, Clone, PartialEq)]
pub struct Arrival {
    /// From where.
    pub driver: String,
    /// To where.
    pub position: String,
    /// How far.
    pub distance_m: f64,
    /// How long the sound takes.
    pub seconds: f64,
}

/// Harmonics beyond this one hold less than 0.1 % of a clipped sine's distortion.
const MOST_HARMONICS: f64 = 100.0;

/// The rate at which filters are realised to compute the truth; at the test
/// tones of 1 kHz and below every rate gives the same within 0.001 dB.
const RATE_HZ: f64 = 48_000.0;

impl Car {
    /// Everything that a measurement of this car should find.
    #[must_use]
    pub fn truth(&self) -> Truth {
        let mut outputs: Vec<OutputTruth> =
            self.radio.outputs.iter().map(|output| output_truth(self, output)).collect();
        let limiting = outputs.iter().min_by_key(|output| output.clean_step);
        let clean_step = limiting.map_or(0, |output| output.clean_step);
        let limiting_output =
            limiting.filter(|_| clean_step < self.radio.last_step()).map(|output| output.output.clone());
        for (truth, output) in outputs.iter_mut().zip(&self.radio.outputs) {
            truth.volts_at_cars_clean_step = tone_peak_v(self, output, clean_step) / std::f64::consts::SQRT_2;
        }
        Truth {
            clean_step,
            limiting_output,
            outputs,
            reversed_drivers: self
                .drivers
                .iter()
                .filter(|driver| driver.reversed)
                .map(|driver| driver.name.clone())
                .collect(),
            arrivals: arrivals(self),
            microphone_calibration: microphone_calibration(self),
            dbfs_at_94: self.microphone.dbfs_at_94,
            volts_per_fs: self.tap.volts_per_fs(),
            stick_clock_ppm: self.radio.stick_clock_ppm,
        }
    }
}

impl Car {
    /// What a driver makes at a position of one volt at its terminals: pascals
    /// as complex numbers, its wiring, the way and the cabin included, the
    /// microphone not. Nothing when there is no such driver or position.
    ///
    /// A sine of 1 V and `|response|` Pa has a level of
    /// `20·log10(|response|/20e-6)` dB SPL.
    #[must_use]
    pub fn driver_response(
        &self,
        driver: &str,
        position: &str,
        sample_rate_hz: f64,
        frequency_hz: &[f64],
    ) -> Option<Vec<Complex64>> {
        let index = self.drivers.iter().position(|d| d.name == driver)?;
        self.position(position)?;
        let mut setup = self.setup();
        position.clone_into(&mut setup.mic_position);
        setup.processor.clear();
        let chain = Chain::new(self, &setup, sample_rate_hz);
        let latency_s = if self.drivers[index].processed { self.processor.latency_s } else { 0.0 };
        let response =
            |&hz: &f64| chain.driver_response(index, hz) * Complex64::from_polar(1.0, TAU * hz * latency_s);
        Some(frequency_hz.iter().map(response).collect())
    }
}

/// The peak voltage of a full-scale test tone ahead of the output's limit.
fn tone_peak_v(car: &Car, output: &Output, step: u32) -> f64 {
    let sections = output_sections(car, output, step, 0.0, RATE_HZ);
    let tone = cascade_response(sections.iter().flatten(), output.test_tone_hz).norm();
    std::f64::consts::SQRT_2 * output.full_volume_v * car.radio.step_gain(step) * tone
}

fn output_truth(car: &Car, output: &Output) -> OutputTruth {
    let shaper = Shaper::new(output);
    let thd: Vec<f64> = (1..=car.radio.last_step())
        .map(|step| sine_thd(&shaper, tone_peak_v(car, output, step), output.test_tone_hz))
        .collect();
    let clean =
        |step: u32| thd[step as usize - 1] < CLEAN_THD && !shaper.holds(tone_peak_v(car, output, step));
    let clean_step = (1..=car.radio.last_step()).take_while(|&step| clean(step)).last().unwrap_or(0);
    OutputTruth {
        output: output.name.clone(),
        test_tone_hz: output.test_tone_hz,
        clean_step,
        volts_at_clean_step: tone_peak_v(car, output, clean_step) / std::f64::consts::SQRT_2,
        volts_at_cars_clean_step: 0.0,
        thd,
    }
}

/// The distortion of a sine through a memoryless curve: harmonics up to 20 kHz
/// against the fundamental, from the Fourier sum over one period.
fn sine_thd(shaper: &Shaper, peak: f64, frequency_hz: f64) -> f64 {
    const POINTS: u32 = 2048;
    let last = ((20_000.0 / frequency_hz).floor()).clamp(2.0, MOST_HARMONICS);
    let circle: Vec<(f64, f64)> =
        (0..POINTS).map(|n| (TAU * f64::from(n) / f64::from(POINTS)).sin_cos()).collect();
    let period: Vec<f64> = circle.iter().map(|(sin, _)| shaper.curve(peak * sin)).collect();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped just above")]
    let power: Vec<f64> = (1..=last as u32)
        .map(|harmonic| {
            let (mut re, mut im) = (0.0, 0.0);
            for (n, &y) in (0u32..).zip(&period) {
                let (sin, cos) = circle[(n * harmonic % POINTS) as usize];
                re += y * cos;
                im += y * sin;
            }
            re * re + im * im
        })
        .collect();
    (power[1..].iter().sum::<f64>() / power[0]).sqrt()
}

fn arrivals(car: &Car) -> Vec<Arrival> {
    car.drivers
        .iter()
        .flat_map(|driver| {
            car.position_names().map(|position| {
                let distance_m = acoustics::distance_m(car, driver, position);
                Arrival {
                    driver: driver.name.clone(),
                    position: position.to_owned(),
                    distance_m,
                    seconds: distance_m / car.speed_of_sound(),
                }
            })
        })
        .collect()
}

/// The microphone's own response from 10 Hz to 20 kHz, twelve points an octave.
fn microphone_calibration(car: &Car) -> String {
    // Realised at a high rate, so that the text is that of the analogue
    // microphone and not of a sample rate.
    let sections = microphone_sections(car, 192_000.0);
    let mut text = format!(
        "# Calibration of the simulated microphone of {}\n# dbfs_at_94: {}\n# frequency_hz, magnitude_db\n",
        car.name, car.microphone.dbfs_at_94
    );
    for n in 0..=132 {
        let frequency_hz = (10.0 * 2f64.powf(f64::from(n) / 12.0)).min(20_000.0);
        let magnitude_db = 20.0 * cascade_response(&sections, frequency_hz).norm().log10();
        // Writing into a string cannot fail.
        let _ = writeln!(text, "{frequency_hz:.3}, {magnitude_db:.3}");
    }
    text
}
