//! `transfer`: the response from a reference channel to a measured one, from any
//! programme material.

mod spectra;

use dsp::fft::Complex64;
use dsp::response::{db, interpolate_log, log_grid};
use measure::{Finding, Manifest, Reading, Start, StimulusWanted};

use self::spectra::{Delay, Estimate, Spectra, delay};
use crate::options::{ResponseOptions, response_parameters};
use crate::signals::track;
use crate::tape::{Tape, Tops, tops};
use crate::taped::{Analyse, Taped};

/// The measurement `transfer`.
///
/// H1 = S_xy / S_xx with coherence γ² = |S_xy|² / (S_xx S_yy), averaged over Hann
/// windows that overlap by half. The delay between the channels is found and removed
/// first (a delay that is a good part of the window biases H1 and γ² low). Echoes up to
/// 50 ms are resolved: the windows are long, and what they and the averaging over
/// neighbouring bins take off is put back (see [`Spectra::of`]). The error of the
/// magnitude is that of noise, ε = √(1 − γ²) / (|γ| √(2n)) with n independent averages,
/// and what comes later still. Smoothing is the power mean, as with a sweep.
///
/// References: J. S. Bendat, A. G. Piersol, *Random Data*, 4th edition, chapters 6
/// and 9. Accuracy: `coherence_is_that_of_the_noise`,
/// `the_random_error_is_what_is_seen`, `echoes_are_resolved_and_what_is_not_is_stated`, `music_is_as_good_as_is_said`.
pub(crate) type TransferMeasurement = Taped<Running>;

#[derive(Debug)]
pub(crate) struct Running {
    start: Start,
    tape: Tape,
}

impl Analyse for Running {
    const ID: &'static str = "transfer";
    const VERSION: u32 = 1;
    const LOOKS_FOR_A_TRACK: bool = false;

    fn manifest() -> Manifest {
        Manifest {
            id: Self::ID.to_owned(),
            title: "Transfer function".to_owned(),
            version: Self::VERSION,
            summary: "The response from the reference channel to the measured channel, with coherence, from noise or music. \
                      Connect the signal that is played to the reference channel."
                .to_owned(),
            channels: 2,
            needs_reference: true,
            stimulus: StimulusWanted::Suggested(track("pink").unwrap_or_default()),
            parameters: response_parameters(),
        }
    }

    fn prepare(start: &Start) -> Result<Self, Finding> {
        match start.reference_channel {
            None => {
                let text = "A transfer function needs the played signal in a second channel. Name the reference channel.";
                return Err(Finding::stop("reference-missing", text));
            }
            Some(reference) if reference == start.channel => {
                let text = "The reference channel is the measured channel itself; the response would be a flat line. Name another.";
                return Err(Finding::stop("reference-missing", text));
            }
            Some(_) => {}
        }
        Ok(Self { start: start.clone(), tape: Tape::new(start)? })
    }

    fn tape(&self) -> &Tape {
        &self.tape
    }

    fn tape_mut(&mut self) -> &mut Tape {
        &mut self.tape
    }

    fn analyse(&self, reading: &mut Reading) -> Result<(), Finding> {
        analyse(&self.start, &self.tape, reading)
    }
}

fn analyse(start: &Start, tape: &Tape, reading: &mut Reading) -> Result<(), Finding> {
    let rate = start.sample_rate_hz;
    let measured = &tape.samples;
    let reference = tape.reference.as_deref().unwrap_or(&[]);
    refuse_unusable(measured, reference, rate)?;

    let Delay { frames, polarity } = delay(reference, measured, rate).ok_or_else(unrelated)?;
    let whole = frames.round();
    let (from_reference, from_measured) = ((-whole).max(0.0) as usize, whole.max(0.0) as usize);
    let (reference, measured) = (&reference[from_reference..], &measured[from_measured..]);
    let options = ResponseOptions::of(&start.parameters);
    let grid = log_grid(
        options.from_hz.max(20.0),
        options.to_hz.min(20_000.0).min(0.45 * rate),
        options.points_per_octave,
    );
    let spectra = Spectra::of(reference, measured, rate, (frames - whole) / rate).ok_or_else(unrelated)?;
    let estimates = match options.smoothing {
        Some(fraction) => spectra.smoothed(&grid, fraction),
        None => grid.iter().map(|f| spectra.estimate(*f, options.points_per_octave)).collect(),
    };
    let (grid, estimates): (Vec<f64>, Vec<Estimate>) =
        grid.into_iter().zip(estimates).filter_map(|(f, estimate)| Some((f, estimate?))).unzip();
    if grid.is_empty() {
        return Err(unrelated());
    }

    let mean_coherence = estimates.iter().map(|e| e.coherence).sum::<f64>() / estimates.len() as f64;
    if mean_coherence < 0.1 {
        return Err(unrelated());
    }
    if mean_coherence < 0.6 {
        let text = format!(
            "The mean coherence is {mean_coherence:.2}: much of what is heard does not come from the reference. Turn the level \
             up, come nearer, or measure longer."
        );
        reading.finding(Finding::caution("low-coherence", text));
    }
    reading
        .value("delay_s", frames / rate)
        .value("mean_coherence", mean_coherence)
        .label("polarity", polarity);
    write_response(start, reading, grid, &estimates);
    Ok(())
}

fn refuse_unusable(measured: &[f32], reference: &[f32], rate: f64) -> Result<(), Finding> {
    for (name, samples) in [("measured", measured), ("reference", reference)] {
        if (samples.len() as f64) < 2.0 * rate {
            let text = "The recording is shorter than two seconds, too short to average. Record ten seconds or more.";
            return Err(Finding::stop("too-short", text));
        }
        if samples.iter().all(|x| x.abs() < 1e-6) {
            let text = format!("The {name} channel is silent. Check its input, gain and cable.");
            return Err(Finding::stop("no-signal", text));
        }
        if tops(samples, rate) == Tops::AtFullScale {
            let text =
                format!("The recorder clipped in the {name} channel. Turn its input down and record again.");
            return Err(Finding::stop("clipped", text));
        }
    }
    Ok(())
}

fn unrelated() -> Finding {
    let text = "The measured channel has nothing in common with the reference channel. Check which signal is on which input.";
    Finding::stop("unrelated", text)
}

fn write_response(start: &Start, reading: &mut Reading, grid: Vec<f64>, estimates: &[Estimate]) {
    let own = |values: fn(&measure::CalibrationCurve) -> &Vec<f64>| match &start.calibration.microphone {
        Some(curve) if !curve.frequency_hz.is_empty() && values(curve).len() == curve.frequency_hz.len() => {
            interpolate_log(&curve.frequency_hz, values(curve), &grid)
        }
        _ => vec![0.0; grid.len()],
    };
    let magnitude =
        estimates.iter().zip(own(|c| &c.magnitude_db)).map(|(e, own)| db(e.h1.norm()) - own).collect();
    let phase = estimates
        .iter()
        .zip(own(|c| &c.phase_deg))
        .map(|(e, own)| {
            let degrees = Complex64::arg(e.h1).to_degrees() - own;
            degrees - 360.0 * (degrees / 360.0).round()
        })
        .collect();
    reading.curve(
        "response",
        [
            ("frequency_hz", grid),
            ("magnitude_db", magnitude),
            ("phase_deg", phase),
            ("coherence", estimates.iter().map(|e| e.coherence).collect()),
            ("random_error_db", estimates.iter().map(|e| e.random_error_db).collect()),
        ],
    );
}

#[cfg(test)]
mod tests;
