//! The response that a reading found.

use dsp::impulse::Impulse;
use measure::Reading;
use tuning::{Response, ResponseError};

/// Why a reading gives no response.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoResponse {
    /// It has no curve of one.
    #[error("a `{0}` reading holds no response")]
    None(String),
    /// Its curve is none.
    #[error(transparent)]
    Unusable(#[from] ResponseError),
}

/// The response that a reading found: its curve `response`, or else its `bands`.
///
/// # Errors
/// When it has none, or it cannot be used.
pub fn response_of(reading: &Reading) -> Result<Response, NoResponse> {
    let curve = reading.curves.get("response").or_else(|| reading.curves.get("bands"));
    let column = |names: &[&str]| names.iter().find_map(|name| curve?.get(*name)).cloned();
    let (frequency_hz, magnitude_db) = (column(&["frequency_hz"]), column(&["magnitude_db", "level_db"]));
    let (Some(frequency_hz), Some(magnitude_db)) = (frequency_hz, magnitude_db) else {
        return Err(NoResponse::None(reading.measurement.clone()));
    };
    let mut response = Response::new(frequency_hz, magnitude_db)?;
    response.phase_deg = column(&["phase_deg"]);
    response.coherence = column(&["coherence"]);
    response.spread_db = column(&["spread_db"]);
    Ok(response)
}

/// The impulse response that a reading holds.
#[must_use]
pub fn impulse_of(reading: &Reading) -> Option<Impulse> {
    let curve = reading.curves.get("impulse")?;
    Impulse::new(curve.get("time_s")?, curve.get("value")?)
}

/// Phases of a sound that comes so much later, wrapped to ±180°.
pub fn later<'a>(
    phase_deg: &'a [f64],
    frequency_hz: &'a [f64],
    later_s: f64,
) -> impl Iterator<Item = f64> + 'a {
    phase_deg.iter().zip(frequency_hz).map(move |(phase_deg, hz)| {
        let turned = phase_deg - 360.0 * hz * later_s;
        turned - 360.0 * (turned / 360.0).round()
    })
}

#[cfg(test)]
mod tests {
    use testkit::all_near;

    use super::*;

    #[test]
    fn a_response_is_the_curve_of_a_sweep_or_the_bands_of_a_spectrum() {
        let mut sweep = Reading::new("sweep", 1, 48_000.0);
        assert_eq!(response_of(&sweep), Err(NoResponse::None("sweep".to_owned())));
        let hz = vec![100.0, 1_000.0];
        sweep.curve("bands", [("frequency_hz", hz.clone()), ("level_db", vec![-3.0, 1.0])]);
        assert_eq!(response_of(&sweep).map(|response| response.magnitude_db), Ok(vec![-3.0, 1.0]));
        sweep.curve(
            "response",
            [("frequency_hz", hz), ("magnitude_db", vec![0.5, 2.0]), ("phase_deg", vec![10.0, 20.0])],
        );
        let response = response_of(&sweep).expect("a response");
        assert_eq!((response.magnitude_db, response.phase_deg), (vec![0.5, 2.0], Some(vec![10.0, 20.0])));
        sweep.curve("response", [("frequency_hz", vec![2.0, 1.0]), ("magnitude_db", vec![0.0, 0.0])]);
        assert!(matches!(response_of(&sweep), Err(NoResponse::Unusable(_))));
    }

    /// Source: arithmetic: 1 ms is a quarter of a turn at 250 Hz and a whole one at 1 kHz.
    #[test]
    fn what_comes_later_lags() {
        let turned: Vec<f64> = later(&[0.0, 30.0, 170.0], &[250.0, 1_000.0, 100.0], 0.001).collect();
        all_near("phase", &turned, &[-90.0, 30.0, 134.0], 1e-9);
    }
}
