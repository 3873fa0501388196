//! The response in a reading.

use library::{Error, Result};
use measure::Reading;
use tuning::Response;

/// The response that a reading found.
///
/// # Errors
/// When it holds none.
pub fn reading_response(reading: &Reading) -> Result<Response> {
    let curve = reading.curves.get("response").or_else(|| reading.curves.get("bands"));
    let column = |names: &[&str]| names.iter().find_map(|name| curve?.get(*name)).cloned();
    let (frequency_hz, magnitude_db) = (column(&["frequency_hz"]), column(&["magnitude_db", "level_db"]));
    let (Some(frequency_hz), Some(magnitude_db)) = (frequency_hz, magnitude_db) else {
        return Err(Error::measurement(format!("a `{}` reading holds no response", reading.measurement)));
    };
    let mut response =
        Response::new(frequency_hz, magnitude_db).map_err(|error| Error::measurement(error.to_string()))?;
    response.phase_deg = column(&["phase_deg"]);
    response.coherence = column(&["coherence"]);
    response.spread_db = column(&["spread_db"]);
    Ok(response)
}
