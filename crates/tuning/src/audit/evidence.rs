//! What was heard: the difference of two captures, and how certain it is.

use super::AuditError;
use crate::average::median;
use crate::curve::{Curve, warped};
use crate::linear::solve_in_place;
use crate::{Band, Response, difference, log_axis};

/// Beyond this density, points are averaged: more say nothing about bands.
const MOST_POINTS_PER_OCTAVE: f64 = 24.0;

/// After minus before on the bands' axis.
pub(super) struct Evidence {
    pub(super) frequency_hz: Vec<f64>,
    axis: Vec<f64>,
    pub(super) change_db: Vec<f64>,
    /// The standard deviation of one point.
    pub(super) noise_db: f64,
    sample_rate_hz: f64,
}

impl Evidence {
    pub(super) fn new(before: &Response, after: &Response, sample_rate_hz: f64) -> Result<Self, AuditError> {
        for (name, response) in [("before", before), ("after", after)] {
            response.check().map_err(|error| AuditError::Response { name, error })?;
        }
        let highest_hz = 0.49 * sample_rate_hz;
        let change = difference(before, after, 0.0, highest_hz).ok_or(AuditError::NothingInCommon)?;
        let (frequency_hz, change_db) = thinned(&change);
        if frequency_hz.len() < 12 {
            return Err(AuditError::TooFewPoints(frequency_hz.len()));
        }
        // The noise shows in what is left of each point when the straight line between
        // its neighbours is taken out: variance 6/4 of a point's (1 + 1/4 + 1/4).
        let rough = change_db.windows(3).map(|w| (w[1] - 0.5 * (w[0] + w[2])).abs()).collect();
        let noise_db = (1.4826 * median(rough) / 1.5f64.sqrt()).max(0.02);
        let axis = frequency_hz.iter().map(|&f| warped(f, sample_rate_hz)).collect();
        Ok(Self { frequency_hz, axis, change_db, noise_db, sample_rate_hz })
    }

    /// What a band (Q of the cookbook) does at each point.
    pub(super) fn curve(&self, band: &Band) -> Vec<f64> {
        let curve = Curve::new(band.kind, band.frequency_hz, band.gain_db, band.q, self.sample_rate_hz);
        self.axis.iter().map(|&u| curve.db(u)).collect()
    }

    /// The squared error of a curve against what remains, its level left free, in
    /// units of the noise's variance.
    pub(super) fn misfit(&self, remains_db: &[f64], curve_db: impl Iterator<Item = f64>) -> f64 {
        let (mut first, mut second) = (0.0, 0.0);
        for (r, c) in remains_db.iter().zip(curve_db) {
            first += r - c;
            second += (r - c) * (r - c);
        }
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = remains_db.len() as f64;
        (second - first * first / count).max(0.0) / (self.noise_db * self.noise_db)
    }
}

impl Evidence {
    /// How much of each curve a change holds, all chosen together by least squares
    /// with the level free; 1 is what was meant. A trace of pull towards 1 settles
    /// curves that can hardly be told apart.
    pub(super) fn shares(&self, curves: &[Vec<f64>], change_db: &[f64]) -> Vec<f64> {
        let centred = |values: &[f64]| -> Vec<f64> {
            #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
            let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
            values.iter().map(|v| v - mean).collect()
        };
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        let change = centred(change_db);
        let columns: Vec<Vec<f64>> = curves.iter().map(|c| centred(c)).collect();
        let pull = 4.0 * self.noise_db * self.noise_db;
        let size = columns.len();
        let mut square = vec![0.0; size * size];
        let mut shares = vec![0.0; size];
        for (row, column) in columns.iter().enumerate() {
            for (other, second) in columns.iter().enumerate() {
                square[row * size + other] = dot(column, second) + if row == other { pull } else { 0.0 };
            }
            shares[row] = dot(column, &change) + pull;
        }
        match solve_in_place(&mut square, &mut shares, size) {
            Some(()) => shares,
            None => vec![1.0; size],
        }
    }
}

/// The mean within cells of 1/24 octave where the points are denser than that.
fn thinned(change: &Response) -> (Vec<f64>, Vec<f64>) {
    let (low, high) = change.range_hz();
    let grid = log_axis::grid(low, high, MOST_POINTS_PER_OCTAVE);
    let half_cell = (0.5 / MOST_POINTS_PER_OCTAVE).exp2();
    let mut thin = (Vec::new(), Vec::new());
    for hz in grid {
        let first = change.frequency_hz.partition_point(|&f| f < hz / half_cell);
        let last = change.frequency_hz.partition_point(|&f| f < hz * half_cell);
        if last > first {
            #[expect(clippy::cast_precision_loss, reason = "a count of points")]
            let count = (last - first) as f64;
            thin.0.push((change.frequency_hz[first..last].iter().map(|f| f.ln()).sum::<f64>() / count).exp());
            thin.1.push(change.magnitude_db[first..last].iter().sum::<f64>() / count);
        }
    }
    thin
}
