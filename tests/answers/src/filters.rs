//! Sections and crossovers: coefficients, responses, and what they do to a signal.

use dsp::biquad::{Biquad, Cascade};
use dsp::crossover::{self, Family, Side};
use num_complex::Complex64;
use serde_json::{Value, json};

use crate::question::{Question, complex_rows};

/// One cookbook section.
pub(crate) fn section(question: &Question) -> Result<Value, String> {
    let rate = question.number("sample_rate_hz")?;
    let frequency = question.number("frequency_hz")?;
    let (gain, q) = (question.number("gain_db")?, question.number("q")?);
    let section = match question.word("type")? {
        "peak" => Biquad::peak(rate, frequency, gain, q),
        "low-shelf" => Biquad::low_shelf(rate, frequency, gain, q),
        "high-shelf" => Biquad::high_shelf(rate, frequency, gain, q),
        "low-pass" => Biquad::low_pass(rate, frequency, q),
        "high-pass" => Biquad::high_pass(rate, frequency, q),
        "band-pass" => Biquad::band_pass(rate, frequency, q),
        "notch" => Biquad::notch(rate, frequency, q),
        "all-pass" => Biquad::all_pass(rate, frequency, q),
        other => return Err(format!("there is no section of type `{other}`")),
    };
    let section = section.map_err(|error| error.to_string())?;
    let response: Vec<Complex64> = question.row("at_hz")?.iter().map(|&f| section.response(f)).collect();
    Ok(json!({ "b": section.b(), "a": section.a(), "response": complex_rows(&response) }))
}

/// One side of a crossover, and the signal that came out of it.
pub(crate) fn crossover(question: &Question) -> Result<Value, String> {
    let family = match question.word("family")? {
        "butterworth" => Family::Butterworth,
        "linkwitz-riley" => Family::LinkwitzRiley,
        "bessel" => Family::Bessel,
        other => return Err(format!("there is no family `{other}`")),
    };
    let side = match question.word("side")? {
        "low" => Side::LowPass,
        "high" => Side::HighPass,
        other => return Err(format!("there is no side `{other}`")),
    };
    let mut cascade: Cascade = crossover::design(
        question.number("sample_rate_hz")?,
        family,
        question.count("order")?,
        side,
        question.number("corner_hz")?,
    )
    .map_err(|error| error.to_string())?;
    let response: Vec<Complex64> = question.row("at_hz")?.iter().map(|&f| cascade.response(f)).collect();
    let mut signal = question.row("signal")?;
    cascade.process_in_place(&mut signal);
    Ok(json!({ "response": complex_rows(&response), "signal": signal }))
}
