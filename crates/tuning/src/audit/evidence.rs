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
    pub(super) noise: Noise,
    /// The power before, and its mean over as many points as the captures are smoothed over.
    power: Vec<f64>,
    smeared_power: Vec<f64>,
    sample_rate_hz: f64,
}

impl Evidence {
    /// The bands, with the cookbook's Q, say what the captures should differ by.
    pub(super) fn new(
        before: &Response,
        after: &Response,
        bands: &[Band],
        sample_rate_hz: f64,
    ) -> Result<Self, AuditError> {
        for (name, response) in [("before", before), ("after", after)] {
            response.check().map_err(|error| AuditError::Response { name, error })?;
        }
        let highest_hz = 0.49 * sample_rate_hz;
        let change = difference(before, after, 0.0, highest_hz).ok_or(AuditError::NothingInCommon)?;
        let (frequency_hz, change_db) = thinned(&change);
        if frequency_hz.len() < 12 {
            return Err(AuditError::TooFewPoints(frequency_hz.len()));
        }
        let axis = frequency_hz.iter().map(|&f| warped(f, sample_rate_hz)).collect();
        let power = frequency_hz
            .iter()
            .map(|&hz| 10f64.powf(before.db_at(hz).unwrap_or_default() / 10.0))
            .collect::<Vec<f64>>();
        let mut left = change_db.clone();
        let (noise, smeared_power) = (Noise::white(&change_db), power.clone());
        let mut evidence =
            Self { frequency_hz, axis, change_db, noise, power, smeared_power, sample_rate_hz };
        // Less is left when the bands are taken out, unless the processor does not play them.
        for band in bands {
            left.iter_mut().zip(evidence.curve(band)).for_each(|(left, does)| *left -= does);
        }
        let left = Noise::white(&left);
        if left.variance() < evidence.noise.variance() {
            evidence.take_noise(left);
        }
        Ok(evidence)
    }

    /// What a band (Q of the cookbook) does at each point, smoothed as the captures are.
    pub(super) fn curve(&self, band: &Band) -> Vec<f64> {
        let curve = Curve::new(band.kind, band.frequency_hz, band.gain_db, band.q, self.sample_rate_hz);
        let exact: Vec<f64> = self.axis.iter().map(|&u| curve.db(u)).collect();
        if self.noise.points > 1.0 { self.smoothed(&exact) } else { exact }
    }

    /// What smoothing leaves of a band: the mean of the power that it makes of the power before,
    /// over the mean of the power before.
    fn smoothed(&self, curve_db: &[f64]) -> Vec<f64> {
        let after: Vec<f64> =
            self.power.iter().zip(curve_db).map(|(power, db)| power * 10f64.powf(db / 10.0)).collect();
        smeared(&after, self.noise.points)
            .into_iter()
            .zip(&self.smeared_power)
            .map(|(after, before)| 10.0 * (after / before).log10())
            .collect()
    }

    /// Takes the noise and the smoothing from what is left of the change.
    pub(super) fn take_noise(&mut self, noise: Noise) {
        self.noise = noise;
        self.smeared_power = smeared(&self.power, noise.points);
    }

    /// The squared error of a curve against what remains, its level left free, in
    /// units of the noise's variance (see [`Noise::variance`]).
    pub(super) fn misfit(&self, remains_db: &[f64], curve_db: impl Iterator<Item = f64>) -> f64 {
        let (mut first, mut second) = (0.0, 0.0);
        for (r, c) in remains_db.iter().zip(curve_db) {
            first += r - c;
            second += (r - c) * (r - c);
        }
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = remains_db.len() as f64;
        (second - first * first / count).max(0.0) / self.noise.variance()
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
        let pull = 4.0 * self.noise.variance();
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

/// What two captures of the same thing differ by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Noise {
    /// The standard deviation of one point.
    pub(super) scatter_db: f64,
    /// Over so many points the captures are smoothed: so many say no more than one.
    points: f64,
}

/// The widths of smoothing that are told apart, in points of 1/24 octave: up to 1/2 octave.
const WIDTHS: [f64; 12] = [1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0];
/// The distances in points over which noise is looked at.
const LAGS: [usize; 6] = [1, 2, 3, 4, 6, 9];
/// Smoothing is believed when it explains the noise better by so much, in variances: a band that
/// does what it should not reaches half of it, smoothing over two points four times as much.
const CLEARLY_SMOOTHED: f64 = 15.0;

impl Noise {
    /// Measures it in a difference that is otherwise smooth, as if its points were independent.
    pub(super) fn white(difference_db: &[f64]) -> Self {
        Self {
            scatter_db: (roughness_db(difference_db, 1) / structure(1.0, 1.0).sqrt()).max(0.02),
            points: 1.0,
        }
    }

    /// Measures it, and how smoothed it is, in what is left when all is explained.
    ///
    /// What is left of a point when the straight line between two others, `k` points before
    /// and after it, is taken out has the variance
    /// `V(k) = σ² (3/2 − 2 ρ(k) + ρ(2k)/2)`.
    /// White noise that was smoothed over a rectangle of `W` points has `ρ(k) = 1 − k/W` up to
    /// `k = W`, so that `V` grows with `k`, and says `W`. The medians of `V` are not moved by a
    /// narrow band that does what it should not. (The triangle: convolution of two rectangles.)
    pub(super) fn of(difference_db: &[f64]) -> Self {
        let measured: Vec<(f64, f64, f64)> = LAGS
            .iter()
            .filter(|&&lag| difference_db.len() > 4 * lag)
            .map(|&lag| {
                let log_variance = 2.0 * roughness_db(difference_db, lag).max(1e-3).ln();
                #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
                let (lag, count) = (lag as f64, difference_db.len() as f64);
                // The median of n squares of normal numbers scatters by 1.17 √(2/n) of itself.
                (lag, log_variance, count / (2.0 * 1.17 * 1.17 * lag))
            })
            .collect();
        let total: f64 = measured.iter().map(|m| m.2).sum();
        let explained = |width: f64| {
            let left = |&(lag, log_variance, _): &(f64, f64, f64)| log_variance - structure(lag, width).ln();
            let mean = measured.iter().map(|m| m.2 * left(m)).sum::<f64>() / total;
            let misfit: f64 = measured.iter().map(|m| m.2 * (left(m) - mean).powi(2)).sum();
            (misfit, Self { scatter_db: (0.5 * mean).exp().max(0.02), points: width })
        };
        let white = explained(1.0);
        WIDTHS
            .iter()
            .map(|&width| explained(width))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|best| white.0 - best.0 > CLEARLY_SMOOTHED)
            .map_or_else(|| Self::white(difference_db), |best| best.1)
    }

    /// Whether nothing else would be found with the other.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        self.points == other.points && (self.scatter_db / other.scatter_db).ln().abs() < 0.1
    }

    /// The variance that a point has when all of them count as independent: where `W` points say
    /// no more than one, `W` times its own.
    pub(super) fn variance(&self) -> f64 {
        self.scatter_db * self.scatter_db * self.points
    }
}

/// The standard deviation of what is left of points when the straight line between two
/// others, so many points before and after, is taken out; by its median.
fn roughness_db(difference_db: &[f64], lag: usize) -> f64 {
    let middle = |i: usize| 0.5 * (difference_db[i - lag] + difference_db[i + lag]);
    1.4826 * median((lag..difference_db.len() - lag).map(|i| (difference_db[i] - middle(i)).abs()).collect())
}

/// `V(k)/σ²` of noise smoothed over a rectangle (see [`Noise::of`]).
fn structure(lag: f64, width: f64) -> f64 {
    let alike = |lag: f64| (1.0 - lag / width).max(0.0);
    1.5 - 2.0 * alike(lag) + 0.5 * alike(2.0 * lag)
}

/// The mean over a rectangle of so many points around each; the rectangle is cut by the ends.
fn smeared(values: &[f64], points: f64) -> Vec<f64> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    for value in values {
        sums.push(sums[sums.len() - 1] + value);
    }
    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    let end = values.len() as f64;
    let integral = |at: f64| {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside of the points")]
        let whole = (at as usize).min(values.len() - 1);
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let part = at - whole as f64;
        sums[whole] + part * values[whole]
    };
    (0..values.len())
        .map(|i| {
            #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
            let centre = i as f64 + 0.5;
            let (low, high) = ((centre - 0.5 * points).max(0.0), (centre + 0.5 * points).min(end));
            (integral(high) - integral(low)) / (high - low)
        })
        .collect()
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
