//! Transforms, windows, smoothing, bands, weighting and minimum phase.

use dsp::detector::Exponential;
use dsp::fft::{RealFft, irfft, rfft};
use dsp::fft_bands::{BandSums, power_spectrum};
use dsp::minimum_phase::minimum_phase;
use dsp::octave::bands;
use dsp::octave_bank::OctaveBank;
use dsp::smoothing::smooth_power;
use dsp::weighting::Weighting;
use dsp::window::Window;
use num_complex::Complex64;
use serde_json::{Value, json};

use crate::question::{Question, complex_rows};

/// The spectrum of a signal, and the signal made from it again.
pub(crate) fn transform(question: &Question) -> Result<Value, String> {
    let signal = question.row("signal")?;
    let spectrum = rfft(&signal, signal.len());
    Ok(json!({ "spectrum": complex_rows(&spectrum), "again": irfft(spectrum, signal.len()) }))
}

/// The weights of a window, and its noise bandwidth in bins.
pub(crate) fn window(question: &Question) -> Result<Value, String> {
    let window = match question.word("name")? {
        "hann" => Window::Hann,
        "blackmanharris" => Window::BlackmanHarris4,
        "flattop" => Window::FlatTop,
        other => return Err(format!("there is no window `{other}`")),
    };
    let length = question.count("length")?;
    Ok(json!({ "weights": window.fill(length), "enbw_bins": window.enbw_bins(length) }))
}

/// A power spectrum, smoothed.
pub(crate) fn smoothing(question: &Question) -> Result<Value, String> {
    let (power, at) = (question.row("power")?, question.row("at_hz")?);
    Ok(json!(smooth_power(&power, question.number("bin_hz")?, question.number("fraction")?, &at)))
}

fn fraction(question: &Question) -> Result<u32, String> {
    u32::try_from(question.count("fraction")?).map_err(|error| error.to_string())
}

/// Mid-bands and edges of fractional-octave bands.
pub(crate) fn octave_bands(question: &Question) -> Result<Value, String> {
    let bands = bands(fraction(question)?, question.number("from_hz")?, question.number("to_hz")?);
    Ok(json!({
        "mid_hz": bands.iter().map(|band| band.mid_hz).collect::<Vec<f64>>(),
        "lower_hz": bands.iter().map(|band| band.lower_hz).collect::<Vec<f64>>(),
        "upper_hz": bands.iter().map(|band| band.upper_hz).collect::<Vec<f64>>(),
    }))
}

/// The mean square of a signal in each band of the filter bank.
pub(crate) fn bank(question: &Question) -> Result<Value, String> {
    let mut bank = OctaveBank::new(
        fraction(question)?,
        question.number("sample_rate_hz")?,
        question.number("from_hz")?,
        question.number("to_hz")?,
    )
    .map_err(|error| error.to_string())?;
    #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
    let signal: Vec<f32> = question.row("signal")?.iter().map(|&sample| sample as f32).collect();
    let mut energy = vec![0.0; bank.bands().len()];
    for block in signal.chunks(1_024) {
        bank.feed(block, &mut energy);
    }
    #[expect(clippy::cast_precision_loss, reason = "a few seconds of samples")]
    let mean_square: Vec<f64> = energy.iter().map(|energy| energy / signal.len() as f64).collect();
    let mid: Vec<f64> = bank.bands().map(|band| band.mid_hz).collect();
    Ok(json!({ "mid_hz": mid, "mean_square": mean_square }))
}

/// The mean square of a signal in each band, from the bins of one Hann-windowed
/// transform.
pub(crate) fn fft_bands(question: &Question) -> Result<Value, String> {
    let bands = bands(fraction(question)?, question.number("from_hz")?, question.number("to_hz")?);
    let mut signal = question.row("signal")?;
    let window = Window::Hann.fill(signal.len());
    for (sample, weight) in signal.iter_mut().zip(&window) {
        *sample *= weight;
    }
    let mut fft = RealFft::new(signal.len());
    let mut spectrum = vec![Complex64::default(); fft.bins()];
    let mut power = vec![0.0; fft.bins()];
    power_spectrum(&mut fft, &mut signal, &window, &mut spectrum, &mut power);
    #[expect(clippy::cast_precision_loss, reason = "a few seconds of samples")]
    let bin_hz = question.number("sample_rate_hz")? / signal.len() as f64;
    let mut sums = vec![0.0; bands.len()];
    BandSums::new(&bands, bin_hz).sum(&power, &mut sums);
    Ok(json!(sums))
}

/// The magnitude in dB of a weighting's digital filter, and of its formula.
pub(crate) fn weighting(question: &Question) -> Result<Value, String> {
    let weighting = match question.word("name")? {
        "a" => Weighting::A,
        "c" => Weighting::C,
        other => return Err(format!("there is no weighting `{other}`")),
    };
    let filter = weighting.filter(question.number("sample_rate_hz")?).map_err(|error| error.to_string())?;
    let at = question.row("at_hz")?;
    Ok(json!({
        "filter_db": at.iter().map(|&f| filter.magnitude_db(f)).collect::<Vec<f64>>(),
        "formula_db": at.iter().map(|&f| weighting.db(f)).collect::<Vec<f64>>(),
    }))
}

/// The exponentially weighted mean square of a signal.
pub(crate) fn detector(question: &Question) -> Result<Value, String> {
    let mut detector =
        Exponential::new(question.number("sample_rate_hz")?, question.number("time_constant_s")?);
    let course: Vec<f64> = question.row("signal")?.iter().map(|&sample| detector.process(sample)).collect();
    Ok(json!(course))
}

/// The phase that belongs to a magnitude at the bins of a transform.
pub(crate) fn phase_of_magnitude(question: &Question) -> Result<Value, String> {
    let spectrum: Vec<Complex64> = minimum_phase(&question.row("magnitude")?);
    Ok(complex_rows(&spectrum))
}
