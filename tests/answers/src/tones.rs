//! Sine fits and harmonics.

use dsp::harmonics::HarmonicAnalyzer;
use dsp::sine_fit::{SineFit, four_parameter};
use dsp::window::Window;
use serde_json::{Value, json};

use crate::question::Question;

fn described(fit: &SineFit) -> Value {
    json!({
        "frequency_hz": fit.frequency_hz,
        "amplitude": fit.amplitude,
        "phase_rad": fit.phase_rad,
        "offset": fit.offset,
    })
}

/// The sine that lies nearest to a signal.
pub(crate) fn sine_fit(question: &Question) -> Result<Value, String> {
    let signal = question.row("signal")?;
    let (rate, start) = (question.number("sample_rate_hz")?, question.number("start_hz")?);
    let fit = four_parameter(&signal, rate, start, Window::Rectangular).ok_or("no sine was found")?;
    Ok(described(&fit))
}

/// The harmonics of a tone.
pub(crate) fn harmonics(question: &Question) -> Result<Value, String> {
    let signal = question.row("signal")?;
    let (rate, start) = (question.number("sample_rate_hz")?, question.number("start_hz")?);
    let harmonics = HarmonicAnalyzer::new().analyze(&signal, rate, start).ok_or("no tone was found")?;
    let amplitudes: Vec<f64> = harmonics.components.iter().map(|component| component.norm()).collect();
    Ok(
        json!({ "fundamental": described(&harmonics.fundamental), "amplitudes": amplitudes, "thd": harmonics.thd }),
    )
}
