//! What two captures of the same thing differ by, and how to look past it.
//!
//! The difference of two captures is not white. A microphone that stood elsewhere changes it in
//! wide waves, smoothing spreads what was white, and a short window does as well. A wide wave of
//! a few tenths of a decibel would look like a band to a test that takes every point for an
//! independent witness. So the noise is modelled as a stationary process over log frequency, and
//! everything is compared after a filter that makes that process white.

use crate::linear::dot;

/// Noise that cannot be less: rounding in files, and what filters differ by from processor to
/// processor (our choice, no published source).
const FLOOR_DB: f64 = 0.08;
/// So much of the noise, as a share of its amplitude, is independent from point to point at
/// least; with less, a model would promise more than captures hold (our choice).
const INDEPENDENT: f64 = 0.1;
/// The distances in points over which noise is looked at.
const LAGS: [usize; 9] = [1, 2, 3, 4, 6, 9, 13, 19, 28];
/// A point is predicted from so many before it: an octave.
const ORDER: usize = 24;
/// This share of the points counts as free of mistakes, even where mistakes are wide.
const CLEAN: f64 = 0.4;
/// The standard normal number that is exceeded, up or down, by all but that share.
const CLEAN_DEVIATIONS: f64 = 0.5244;

/// How points are alike at a distance.
#[derive(Debug, Clone, Copy)]
enum Likeness {
    /// Not at all.
    White,
    /// What a rectangle of so many points leaves of white noise.
    Rectangle(f64),
    /// Waves about so many points wide.
    Waves(f64),
}

/// What noise is mixed from.
const PARTS: [Likeness; 12] = [
    Likeness::White,
    Likeness::Rectangle(2.0),
    Likeness::Rectangle(3.0),
    Likeness::Rectangle(4.0),
    Likeness::Rectangle(6.0),
    Likeness::Rectangle(8.0),
    Likeness::Rectangle(12.0),
    Likeness::Waves(1.5),
    Likeness::Waves(3.0),
    Likeness::Waves(6.0),
    Likeness::Waves(12.0),
    Likeness::Waves(24.0),
];

impl Likeness {
    /// The correlation `ρ` at a distance in points.
    fn at(self, distance: f64) -> f64 {
        match self {
            Self::White => f64::from(distance == 0.0),
            Self::Rectangle(points) => (1.0 - distance / points).max(0.0),
            Self::Waves(points) => (-0.5 * (distance / points).powi(2)).exp(),
        }
    }

    /// The variance, with σ = 1, of what is left of a point when the straight line between two
    /// others, `k` points before and after it, is taken out: `3/2 − 2 ρ(k) + ρ(2k)/2`.
    fn roughness(self, lag: f64) -> f64 {
        1.5 - 2.0 * self.at(lag) + 0.5 * self.at(2.0 * lag)
    }
}

/// A stationary process over log frequency, and the filter that makes it white.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Noise {
    /// The standard deviation of one point.
    pub(super) scatter_db: f64,
    /// How each point is predicted from those before it, by how many there are: the newest first.
    predictors: Vec<Vec<f64>>,
    /// What a prediction is off by, as a standard deviation.
    surprise_db: Vec<f64>,
}

impl Noise {
    /// Models the noise in a difference from which the bands were taken out.
    ///
    /// `V(k)` of [`Likeness::roughness`] is measured at several distances by a low quantile,
    /// which a few bands that do what they should not hardly move, and mixed from kinds of
    /// noise whose parts are found by least squares, none below zero. The prediction follows by
    /// the recursion of Levinson and Durbin.
    ///
    /// References: N. Levinson, J. Math. Phys. 25 (1947) 261; J. Durbin, Rev. Inst. Int. Stat. 28
    /// (1960) 233 (from memory); kinds of noise and quantile are our choice.
    pub(super) fn of(difference_db: &[f64]) -> Self {
        let measured: Vec<[f64; 3]> = LAGS
            .iter()
            .filter(|&&lag| difference_db.len() > 4 * lag)
            .map(|&lag| {
                #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
                let (distance, count) = (lag as f64, difference_db.len() as f64);
                // The farther apart, the fewer of them say something new.
                [distance, roughness_db(difference_db, lag).powi(2).max(1e-8), (count / distance).sqrt()]
            })
            .collect();
        let shares = mixed(&measured);
        let variance: f64 = shares.iter().sum();
        let independent = (FLOOR_DB * FLOOR_DB).max(INDEPENDENT * INDEPENDENT * variance);
        let alike = |distance: usize| -> f64 {
            #[expect(clippy::cast_precision_loss, reason = "a few dozen points")]
            let distance = distance as f64;
            let mixed: f64 = PARTS.iter().zip(shares).map(|(part, share)| share * part.at(distance)).sum();
            mixed + independent * Likeness::White.at(distance)
        };
        let covariance: Vec<f64> = (0..=ORDER).map(alike).collect();
        Self::predicting(&covariance)
    }

    /// The predictors for a covariance at distances from 0 on.
    fn predicting(covariance: &[f64]) -> Self {
        let mut noise = Self {
            scatter_db: covariance[0].sqrt(),
            predictors: vec![Vec::new()],
            surprise_db: vec![covariance[0].sqrt()],
        };
        let (mut predictor, mut left) = (Vec::new(), covariance[0]);
        for order in 1..covariance.len() {
            let known: f64 =
                predictor.iter().zip(covariance[1..order].iter().rev()).map(|(a, r)| a * r).sum();
            let reflection = (covariance[order] - known) / left;
            let mirrored: Vec<f64> = predictor.iter().rev().map(|a| reflection * a).collect();
            predictor.iter_mut().zip(mirrored).for_each(|(a, mirrored): (&mut f64, f64)| *a -= mirrored);
            predictor.push(reflection);
            left *= 1.0 - reflection * reflection;
            noise.predictors.push(predictor.clone());
            noise.surprise_db.push(left.sqrt());
        }
        // What came before is read forwards.
        noise.predictors.iter_mut().for_each(|predictor| predictor.reverse());
        noise
    }

    /// Values as they stand out of the noise: independent, each with a variance of 1.
    pub(super) fn whitened(&self, values: &[f64]) -> Vec<f64> {
        (0..values.len())
            .map(|i| {
                let order = i.min(self.predictors.len() - 1);
                let expected = dot(&values[i - order..i], &self.predictors[order]);
                (values[i] - expected) / self.surprise_db[order]
            })
            .collect()
    }

    /// Whether nothing else would be found with the other.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        let near = |one: f64, other: f64| (one / other).ln().abs() < 0.1;
        let last = |noise: &Self| noise.surprise_db[noise.surprise_db.len() - 1];
        near(self.scatter_db, other.scatter_db) && near(last(self), last(other))
    }

    /// White noise of the same small steps: as if there were no wide waves in it.
    pub(super) fn white(difference_db: &[f64]) -> Self {
        let scatter_db = roughness_db(difference_db, 1) / Likeness::White.roughness(1.0).sqrt();
        Self::predicting(&[scatter_db.hypot(FLOOR_DB).powi(2)])
    }

    /// How unlikely so many values that were not explained are, as twice the negative logarithm of
    /// their density, less a constant; they are given as they stand out of the noise.
    pub(super) fn unlikeliness(&self, clear: &[f64]) -> f64 {
        let last = self.surprise_db.len() - 1;
        let volume: f64 = (0..clear.len()).map(|i| self.surprise_db[i.min(last)].ln()).sum();
        dot(clear, clear) + 2.0 * volume
    }

    /// What a point differs by from what those before it promise: how much of the noise is not
    /// in wide waves.
    pub(super) fn surprise_db(&self) -> f64 {
        self.surprise_db[self.surprise_db.len() - 1]
    }
}

/// The standard deviation of what is left of points when the straight line between two
/// others, so many points before and after, is taken out, by a low quantile.
fn roughness_db(difference_db: &[f64], lag: usize) -> f64 {
    let middle = |i: usize| 0.5 * (difference_db[i - lag] + difference_db[i + lag]);
    let mut left: Vec<f64> =
        (lag..difference_db.len() - lag).map(|i| (difference_db[i] - middle(i)).abs()).collect();
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a few hundred points"
    )]
    let place = (CLEAN * left.len() as f64) as usize;
    let (_, value, _) = left.select_nth_unstable_by(place, f64::total_cmp);
    *value / CLEAN_DEVIATIONS
}

/// The variance of each part, which together explain what was measured (distance, variance and
/// weight), in relative terms: least squares with none below zero, one part after the other.
fn mixed(measured: &[[f64; 3]]) -> [f64; PARTS.len()] {
    let columns = PARTS.map(|part| -> Vec<f64> {
        measured.iter().map(|&[lag, variance, weight]| weight * part.roughness(lag) / variance).collect()
    });
    let mut shares = [0.0; PARTS.len()];
    let mut left: Vec<f64> = measured.iter().map(|&[_, _, weight]| weight).collect();
    for _ in 0..400 {
        for (share, column) in shares.iter_mut().zip(&columns) {
            let pull = dot(column, &left);
            let power = dot(column, column).max(1e-300);
            let next = (*share + pull / power).max(0.0);
            let by = next - *share;
            *share = next;
            left.iter_mut().zip(column).for_each(|(left, c)| *left -= by * c);
        }
    }
    shares
}
