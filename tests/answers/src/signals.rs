//! Sweeps and what is computed from a recording of one; rates; correlation.

use dsp::correlate::{cross_correlate, envelope};
use dsp::deconvolve::{Deconvolver, TimeWindow};
use dsp::resample::{change_rate, read_at};
use dsp::sweep::Sweep;
use serde_json::{Value, json};

use crate::question::{Question, complex_rows};

/// The samples of a sweep and its time constant.
pub(crate) fn sweep(question: &Question) -> Result<Value, String> {
    let sweep = Sweep::new(
        question.number("from_hz")?,
        question.number("to_hz")?,
        question.number("duration_s")?,
        question.number("sample_rate_hz")?,
        question.flag("synchronised")?,
    );
    Ok(json!({ "samples": sweep.samples(), "time_constant_s": sweep.time_constant_s() }))
}

/// The response that a recording of a known signal shows, `delay_s` after its start.
pub(crate) fn response(question: &Question) -> Result<Value, String> {
    let (played, recording) = (question.row("played")?, question.row("recording")?);
    let mut deconvolver = Deconvolver::new(
        &played,
        recording.len(),
        question.number("sample_rate_hz")?,
        question.number("from_hz")?,
        question.number("to_hz")?,
    );
    let window = TimeWindow { left_s: 0.3, right_s: 0.8, left_fade_s: 0.1, right_fade_s: 0.4 };
    let impulse = deconvolver.impulse(&recording, 0.0);
    let response = impulse.response(question.number("delay_s")?, &window, &question.row("at_hz")?);
    Ok(complex_rows(&response.value))
}

/// A signal at another rate.
pub(crate) fn resampled(question: &Question) -> Result<Value, String> {
    #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
    let signal: Vec<f32> = question.row("signal")?.iter().map(|&sample| sample as f32).collect();
    Ok(json!(change_rate(&signal, question.number("from_hz")?, question.number("to_hz")?)))
}

/// A signal read between its samples.
pub(crate) fn read_between(question: &Question) -> Result<Value, String> {
    let signal = question.row("signal")?;
    Ok(json!(read_at(
        &signal,
        question.number("start")?,
        question.number("step")?,
        question.count("frames")?
    )))
}

/// The cross-correlation of two signals, and the envelope of the first.
pub(crate) fn correlation(question: &Question) -> Result<Value, String> {
    let (a, b) = (question.row("a")?, question.row("b")?);
    Ok(json!({ "correlation": cross_correlate(&a, &b), "envelope": envelope(&a) }))
}
