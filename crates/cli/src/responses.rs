//! What is computed from response files: averages.

use std::path::Path;

use library::NamedResponse;
use tuning::Response;

use library::files::{Written, write_text};
use library::{Error, Result};

/// The audible range: what a comparison covers when nothing else is asked.
pub(crate) const AUDIBLE_HZ: (f64, f64) = (20.0, 20_000.0);

/// Averages responses by power, with their spread, into a response file.
///
/// # Errors
/// When one cannot be read, they have no range in common, or the average
/// cannot be written.
pub(crate) fn average(responses: &[impl AsRef<Path>], out: &Path) -> Result<Vec<Written>> {
    let mut named: Vec<NamedResponse> = Vec::new();
    for name in responses {
        named.extend(library::named_responses(name.as_ref())?);
    }
    let read: Vec<Response> = named.iter().map(|one| one.response.clone()).collect();
    let average = tuning::average(&read).map_err(|error| Error::input(error.to_string()))?;
    write_text(out, &average.to_csv())?;
    let mut what = match read.len() {
        1 => "the average of 1 response".to_owned(),
        count => format!("the average of {count} responses"),
    };
    for outlier in tuning::outliers(&read) {
        let (name, distance_db) = (&named[outlier.index].name, outlier.distance_db);
        what.push_str(&format!("; {name} lies {distance_db:.1} dB from the others"));
    }
    Ok(vec![Written::new(out, what)])
}

/// The range asked for, checked.
pub(crate) fn range(from_hz: Option<f64>, to_hz: Option<f64>) -> Result<(f64, f64)> {
    let (from_hz, to_hz) = (from_hz.unwrap_or(AUDIBLE_HZ.0), to_hz.unwrap_or(AUDIBLE_HZ.1));
    if from_hz < to_hz {
        Ok((from_hz, to_hz))
    } else {
        Err(Error::input(format!(
            "the range goes from {from_hz} Hz to {to_hz} Hz; --from must be lower than --to"
        )))
    }
}
