//! How far a response lies from a target.

use crate::{Response, Target, log_axis};

/// Density of the axis: a peak of Q 10 is three points wide at half its gain.
pub(super) const POINTS_PER_OCTAVE: f64 = 48.0;

/// How far a response lies above a target, on the axis of the problem.
pub(super) struct Deviation {
    pub(super) frequency_hz: Vec<f64>,
    /// Mean over the cell of each point.
    pub(super) mean_db: Vec<f64>,
    /// Least value in the cell of each point, less the spread: narrow dips keep their
    /// depth, and those of some positions show.
    pub(super) least_db: Vec<f64>,
}

impl Deviation {
    pub(super) fn new(response: &Response, target: &Target, frequency_hz: &[f64]) -> Self {
        let half_cell = (0.5 / POINTS_PER_OCTAVE).exp2();
        let lowest: Vec<f64> = match &response.spread_db {
            Some(spread) => response.magnitude_db.iter().zip(spread).map(|(level, s)| level - s).collect(),
            None => response.magnitude_db.clone(),
        };
        let mut mean_db = Vec::with_capacity(frequency_hz.len());
        let mut least_db = Vec::with_capacity(frequency_hz.len());
        for &hz in frequency_hz {
            let first = response.frequency_hz.partition_point(|&f| f < hz / half_cell);
            let last = response.frequency_hz.partition_point(|&f| f < hz * half_cell);
            let inside = &response.magnitude_db[first..last];
            let between = response.db_at(hz).unwrap_or(0.0);
            #[expect(clippy::cast_precision_loss, reason = "a count of points")]
            let mean =
                if inside.len() > 1 { inside.iter().sum::<f64>() / inside.len() as f64 } else { between };
            let level = target.db_at(hz);
            mean_db.push(mean - level);
            let least = log_axis::interpolate(&response.frequency_hz, &lowest, hz).unwrap_or(0.0);
            least_db.push(lowest[first..last].iter().copied().fold(least, f64::min) - level);
        }
        Self { frequency_hz: frequency_hz.to_vec(), mean_db, least_db }
    }
}
