//! How far two responses differ.

use serde::{Deserialize, Serialize};

use crate::{Response, log_axis};

/// The difference of two responses over a range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Root mean square of the difference over log frequency.
    pub rms_db: f64,
    /// The largest difference, without its sign.
    pub max_db: f64,
    /// Where it is.
    pub at_hz: f64,
    /// The lower end of the range that was compared.
    pub from_hz: f64,
    /// The upper end of the range that was compared.
    pub to_hz: f64,
    /// By how much after is louder than before: the mean of the difference over log frequency.
    pub level_db: f64,
}

/// Two responses that cannot be compared.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CompareError {
    /// They have no two points in common within the range.
    #[error(
        "the two responses have no range in common between {from_hz} Hz and {to_hz} Hz; \
         widen the range or measure both over the same one"
    )]
    NothingInCommon {
        /// The lower end asked for.
        from_hz: f64,
        /// The upper end asked for.
        to_hz: f64,
    },
}

/// After minus before, at the points of `before` that lie within the range and
/// within `after`; each point weighs by its share of the log-frequency axis.
///
/// `smoothing` (0 = none, else 1/N octave) is applied to both responses first.
/// Levels are compared as they are: a plain change of volume is a difference.
///
/// # Errors
/// When fewer than two points are left.
pub fn compare(
    before: &Response,
    after: &Response,
    from_hz: f64,
    to_hz: f64,
    smoothing: u32,
) -> Result<Comparison, CompareError> {
    let difference = difference(&before.smoothed(smoothing), &after.smoothed(smoothing), from_hz, to_hz);
    let Some(difference) = difference else { return Err(CompareError::NothingInCommon { from_hz, to_hz }) };
    let widths = log_axis::cell_widths(&difference.frequency_hz);
    let total: f64 = widths.iter().sum();
    let square: f64 = widths.iter().zip(&difference.magnitude_db).map(|(w, d)| w * d * d).sum();
    let (at_hz, max_db) = difference
        .frequency_hz
        .iter()
        .zip(&difference.magnitude_db)
        .map(|(&hz, db)| (hz, db.abs()))
        .fold((0.0, -1.0), |best, next| if next.1 > best.1 { next } else { best });
    let sum: f64 = widths.iter().zip(&difference.magnitude_db).map(|(w, d)| w * d).sum();
    let (low, high) = difference.range_hz();
    Ok(Comparison {
        rms_db: (square / total).sqrt(),
        max_db,
        at_hz,
        from_hz: low,
        to_hz: high,
        level_db: sum / total,
    })
}

/// After minus before at the points of `before` within the range and within
/// `after`; `None` when fewer than two points are left.
#[must_use]
pub fn difference(before: &Response, after: &Response, from_hz: f64, to_hz: f64) -> Option<Response> {
    let (frequency_hz, magnitude_db): (Vec<f64>, Vec<f64>) = before
        .frequency_hz
        .iter()
        .zip(&before.magnitude_db)
        .filter(|(hz, _)| (from_hz..=to_hz).contains(*hz))
        .filter_map(|(&hz, &db)| Some((hz, after.db_at(hz)? - db)))
        .unzip();
    Response::new(frequency_hz, magnitude_db).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Band;
    use testkit::near;

    #[test]
    fn a_change_of_volume_is_the_difference_everywhere() {
        let grid = log_axis::grid(20.0, 20_000.0, 12.0);
        let before = Response::new(grid.clone(), grid.iter().map(|f| f.ln().sin()).collect()).unwrap();
        let found = compare(&before, &before.raised(-3.0), 50.0, 5_000.0, 0).unwrap();
        near("rms", found.rms_db, 3.0, 1e-12);
        near("max", found.max_db, 3.0, 1e-12);
        near("level", found.level_db, -3.0, 1e-12);
        assert!(found.from_hz >= 50.0 && found.to_hz <= 5_000.0);
    }

    #[test]
    fn the_worst_place_is_named() {
        let grid = log_axis::grid(20.0, 20_000.0, 48.0);
        let before = Response::new(grid.clone(), vec![0.0; grid.len()]).unwrap();
        let bands = crate::bands_db(&[Band::peak(1_000.0, -9.0, 4.0)], &grid, 48_000.0);
        let after = Response::new(grid, bands).unwrap();
        let found = compare(&before, &after, 20.0, 20_000.0, 0).unwrap();
        near("max", found.max_db, 9.0, 0.02);
        near("at", found.at_hz, 1_000.0, 10.0);
        assert!(compare(&before, &after, 30_000.0, 40_000.0, 0).is_err());
    }
}
