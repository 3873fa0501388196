//! Bands for a response, for the comparison with `scipy.optimize`.

use std::hint::black_box;
use std::time::Instant;

use serde_json::{Value, json};
use tuning::{BandKind, FitInput, FitOptions, FitResult, Profile, Response, Target, fit};

use crate::question::Question;

/// The bands that bring a response to a flat target, and the seconds that each of
/// several runs took.
pub(crate) fn bands(question: &Question) -> Result<Value, String> {
    let text = |error: &dyn std::fmt::Display| error.to_string();
    let response = Response::new(question.row("frequency_hz")?, question.row("magnitude_db")?)
        .map_err(|error| text(&error))?;
    let profile = Profile::preset(question.word("processor")?).map_err(|error| text(&error))?;
    let options = FitOptions { max_bands: Some(question.count("max_bands")?), ..FitOptions::default() };
    let target = Target::flat();
    let responses = [response];
    let input = FitInput { responses: &responses, target: &target, profile: &profile, options: &options };
    let mut seconds = Vec::new();
    let mut result: Option<FitResult> = None;
    for _ in 0..question.count("runs")?.max(1) {
        let (start, computed) = (Instant::now(), computing_s());
        result = Some(black_box(fit(&input).map_err(|error| text(&error))?));
        seconds.push(match (computed, computing_s()) {
            (Some(before), Some(after)) => after - before,
            _ => start.elapsed().as_secs_f64(),
        });
    }
    let result = result.ok_or("nothing was fitted")?;
    let kind = |kind: BandKind| kind.word();
    Ok(json!({
        "bands": result.bands.iter().map(|fitted| {
            let band = fitted.band;
            json!([kind(band.kind), band.frequency_hz, band.gain_db, band.q])
        }).collect::<Vec<_>>(),
        "rms_db": result.after.rms_db,
        "left_alone": result.left_alone.len(),
        "seconds": seconds,
    }))
}

/// The seconds that this thread has been computing, where the system tells: a busy machine
/// makes one wait, and the other side counts computing as well.
pub(crate) fn computing_s() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    let nanoseconds: f64 = text.split_whitespace().next()?.parse().ok()?;
    Some(nanoseconds / 1e9)
}
