//! How long the hot kernels take, for the table in `docs/performance.md`.

use std::hint::black_box;
use std::time::Instant;

use dsp::correlate::cross_correlate;
use dsp::deconvolve::Deconvolver;
use dsp::fft::RealFft;
use dsp::minimum_phase::minimum_phase;
use dsp::octave_bank::OctaveBank;
use dsp::resample::change_rate;
use dsp::smoothing::smooth_power;
use num_complex::Complex64;
use serde_json::{Value, json};

use crate::question::Question;

/// The seconds that each of several runs of a kernel took, after one to warm up.
pub(crate) fn time(question: &Question) -> Result<Value, String> {
    let signal = question.row("signal")?;
    let runs = question.count("runs")?;
    let seconds = match question.word("kernel")? {
        "transform" => {
            let mut fft = RealFft::new(signal.len());
            let mut spectrum = vec![Complex64::default(); fft.bins()];
            let mut scratch = signal.clone();
            timed(runs, || {
                scratch.copy_from_slice(&signal);
                fft.forward(&mut scratch, &mut spectrum);
                spectrum[0].re
            })
        }
        "smoothing" => {
            let at: Vec<f64> = (0..960).map(|i| 20.0 * (f64::from(i) / 96.0).exp2()).collect();
            let bin_hz = question.number("bin_hz")?;
            timed(runs, || smooth_power(&signal, bin_hz, 24.0, &at)[0])
        }
        "bank" => {
            let mut bank = OctaveBank::new(3, 48_000.0, 20.0, 20_000.0).map_err(|error| error.to_string())?;
            #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
            let signal: Vec<f32> = signal.iter().map(|&sample| sample as f32).collect();
            let mut energy = vec![0.0; bank.bands().len()];
            timed(runs, || {
                for block in signal.chunks(1_024) {
                    bank.feed(block, &mut energy);
                }
                energy[0]
            })
        }
        "deconvolution" => timed(runs, || {
            // Half of the signal stands for the recording's tail.
            let played = &signal[..signal.len() / 2];
            let mut deconvolver = Deconvolver::new(played, signal.len(), 48_000.0, 20.0, 20_000.0);
            deconvolver.impulse(&signal, 0.0).samples()[0]
        }),
        "correlation-single" => {
            #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
            let signal: Vec<f32> = signal.iter().map(|&sample| sample as f32).collect();
            timed(runs, || f64::from(cross_correlate(&signal, &signal[..signal.len() / 8])[0]))
        }
        "correlation" => timed(runs, || cross_correlate(&signal, &signal[..signal.len() / 8])[0]),
        "resampling" => {
            #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
            let signal: Vec<f32> = signal.iter().map(|&sample| sample as f32).collect();
            timed(runs, || f64::from(change_rate(&signal, 44_100.0, 48_000.0)[0]))
        }
        "minimum-phase" => {
            let magnitude: Vec<f64> = signal.iter().map(|sample| 1.0 + sample.abs()).collect();
            timed(runs, || minimum_phase(&magnitude)[0].re)
        }
        other => return Err(format!("there is no kernel `{other}`")),
    };
    Ok(json!(seconds))
}

fn timed(runs: usize, mut kernel: impl FnMut() -> f64) -> Vec<f64> {
    black_box(kernel());
    (0..runs)
        .map(|_| {
            let start = Instant::now();
            black_box(kernel());
            start.elapsed().as_secs_f64()
        })
        .collect()
}
