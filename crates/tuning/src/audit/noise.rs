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
/// No point counts for more variances than this when the size of noise is looked for.
const MOST_OF_ONE: f64 = 16.0;
/// So many points, half an octave, have one width of waves.
const POINTS_OF_A_PROCESS: usize = 12;
/// The distances in points over which noise is looked at.
const LAGS: [usize; 9] = [1, 2, 3, 4, 6, 9, 13, 19, 28];
/// A point is predicted from so many before it: an octave.
const ORDER: usize = 24;
/// So many points are predicted with one factor where the covariance is given, and so far it has
/// to be known.
const TOGETHER: usize = 12;
pub(super) const REACH: usize = ORDER + TOGETHER - 1;
/// This share of the points counts as free of mistakes, even where mistakes are wide.
const CLEAN: f64 = 0.4;
/// The standard normal number that is exceeded, up or down, by all but that share.
const CLEAN_DEVIATIONS: f64 = 0.5244;

/// Beyond so many deviations a value counts by its size and no longer by its square: notches that
/// moved are no witnesses. (P. J. Huber, *Robust Estimation of a Location Parameter*, Ann. Math. Stat.
/// 35, 1964, from memory.)
const SQUARED_UP_TO: f64 = 3.0;

/// What a value that stands so far out of the noise counts, in variances.
pub(super) fn counted(clear: f64) -> f64 {
    let size = clear.abs();
    if size <= SQUARED_UP_TO { size * size } else { SQUARED_UP_TO * (2.0 * size - SQUARED_UP_TO) }
}

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
struct Process {
    /// How each point is predicted from those before it, by how many there are: the newest last.
    predictors: Vec<Vec<f64>>,
    /// What a prediction is off by, as a standard deviation.
    surprise_db: Vec<f64>,
}

/// What captures differ by at each point: noise of a size and a width of waves that may change
/// with frequency.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Noise {
    /// The standard deviation of each point.
    pub(super) deviation_db: Vec<f64>,
    /// How each point is predicted from those before it, the newest last.
    predictors: Vec<Vec<f64>>,
    /// What each prediction is off by, as a standard deviation.
    surprise_db: Vec<f64>,
    /// Whether it is that of a microphone that stood elsewhere, whose shape is a rough one.
    pub(super) is_moved: bool,
}

impl Noise {
    /// Models the noise in a difference from which the bands were taken out.
    ///
    /// `V(k)` of [`Likeness::roughness`] is measured at several distances by a low quantile,
    /// which a few bands that do what they should not hardly move, and mixed from kinds of
    /// noise whose parts are found by least squares, none below zero.
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
        Self::stationary(difference_db.len(), &covariance)
    }

    /// The same everywhere, with a covariance at distances from 0 on.
    fn stationary(count: usize, covariance: &[f64]) -> Self {
        let mut noise = Self::empty(count, false);
        let process = Process::predicting(covariance);
        (0..count).for_each(|_| noise.push(&process, 1.0, covariance[0].sqrt()));
        noise
    }

    fn empty(count: usize, is_moved: bool) -> Self {
        Self {
            deviation_db: Vec::with_capacity(count),
            predictors: Vec::with_capacity(count),
            surprise_db: Vec::with_capacity(count),
            is_moved,
        }
    }

    /// One point more, of a process that is there so many times as large as it is by itself.
    fn push(&mut self, process: &Process, size: f64, deviation_db: f64) {
        let at = self.predictors.len();
        let order = at.min(process.predictors.len() - 1);
        self.predictors.push(process.predictors[order].clone());
        self.surprise_db.push(size * process.surprise_db[order]);
        self.deviation_db.push(deviation_db);
    }

    /// Of the covariance of each point with itself and at most [`REACH`] before it, the newest last.
    ///
    /// So many points at a time are predicted from each other and from those before, which
    /// costs one factor `L Lᵀ` of their covariance: what whitens is the inverse of `L`.
    pub(super) fn of_covariance(rows: &[Vec<f64>]) -> Self {
        let mut noise = Self::empty(rows.len(), true);
        for first in (0..rows.len()).step_by(TOGETHER) {
            let from = first.saturating_sub(ORDER);
            let size = (first + TOGETHER).min(rows.len()) - from;
            let mut lower: Vec<Vec<f64>> = Vec::with_capacity(size);
            for row in 0..size {
                let shared = &rows[from + row];
                let shared = &shared[shared.len() - 1 - row..];
                let mut next = Vec::with_capacity(row + 1);
                for (column, done) in lower.iter().enumerate() {
                    next.push((shared[column] - dot(&next, &done[..column])) / done[column]);
                }
                // What is left cannot be less than what is independent.
                next.push((shared[row] - dot(&next, &next)).max(FLOOR_DB * FLOOR_DB).sqrt());
                lower.push(next);
            }
            for row in first - from..size {
                let surprise_db = lower[row][row];
                // A row of the inverse, from its end.
                let mut whitening = vec![0.0; row + 1];
                whitening[row] = 1.0 / surprise_db;
                for column in (0..=row).rev() {
                    if column < row {
                        whitening[column] /= lower[column][column];
                    }
                    let share = whitening[column];
                    whitening[..column]
                        .iter_mut()
                        .zip(&lower[column])
                        .for_each(|(left, lower)| *left -= share * lower);
                }
                let own = rows[from + row][rows[from + row].len() - 1];
                whitening.truncate(row);
                whitening.iter_mut().for_each(|share| *share *= -surprise_db);
                noise.predictors.push(whitening);
                noise.surprise_db.push(surprise_db);
                noise.deviation_db.push(own.sqrt());
            }
        }
        noise
    }

    /// How unlikely values are beside a level, where a few may be mistakes.
    pub(super) fn unlikely(&self, left: &[f64]) -> f64 {
        let clear = self.whitened(left);
        clear.iter().map(|value| (value * value).min(MOST_OF_ONE)).sum::<f64>() + 2.0 * self.volume()
    }

    /// White noise of the same small steps: as if there were no wide waves in it.
    pub(super) fn white(difference_db: &[f64]) -> Self {
        let scatter_db = roughness_db(difference_db, 1) / Likeness::White.roughness(1.0).sqrt();
        Self::stationary(difference_db.len(), &[scatter_db.hypot(FLOOR_DB).powi(2)])
    }

    /// Noise as a microphone makes it that stood elsewhere, or air that was warmer (see
    /// [`Moved`]): the likeliest for a difference from which the bands were taken out.
    ///
    /// `faint` says of each point by how much it is fainter than what is around it: there the
    /// same change of pressure is more decibels.
    pub(super) fn moved(difference_db: &[f64], frequency_hz: &[f64], faint: &[f64]) -> Self {
        let mut level = difference_db.to_vec();
        level.sort_by(f64::total_cmp);
        let middle = level[level.len() / 2];
        let left: Vec<f64> = difference_db.iter().map(|db| db - middle).collect();
        let unlikeliness = |moved: &Moved| -> (f64, Self) {
            let noise = moved.noise(frequency_hz, faint);
            let clear = noise.whitened(&left);
            let squares: f64 = clear.iter().map(|value| (value * value).min(MOST_OF_ONE)).sum();
            (squares + 2.0 * noise.volume(), noise)
        };
        let mut place = Moved::MIDDLE;
        let (mut least, mut best) = unlikeliness(&Moved::of(place));
        loop {
            let before = least;
            for which in 0..place.len() {
                for at in 0..Moved::VALUES[which].len() {
                    let mut trial = place;
                    trial[which] = at;
                    let (value, noise) = unlikeliness(&Moved::of(trial));
                    if value < least - 1e-9 {
                        (least, best, place) = (value, noise, trial);
                    }
                }
            }
            if least > before - 0.5 {
                return best;
            }
        }
    }

    /// Values as they stand out of the noise: independent, each with a variance of 1.
    pub(super) fn whitened(&self, values: &[f64]) -> Vec<f64> {
        let each = self.predictors.iter().zip(&self.surprise_db).enumerate();
        each.map(|(i, (predictor, surprise_db))| {
            (values[i] - dot(&values[i - predictor.len()..i], predictor)) / surprise_db
        })
        .collect()
    }

    /// Whether nothing else would be found with the other.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        let near = |one: f64, other: f64| (one / other).ln().abs() < 0.1;
        let each = |one: &[f64], other: &[f64]| {
            one.iter().zip(other).step_by(8).all(|(&one, &other)| near(one, other))
        };
        each(&self.deviation_db, &other.deviation_db) && each(&self.surprise_db, &other.surprise_db)
    }

    /// How unlikely so many values that were not explained are, as twice the negative logarithm of
    /// their density, less a constant; they are given as they stand out of the noise.
    pub(super) fn unlikeliness(&self, clear: &[f64]) -> f64 {
        clear.iter().map(|&value| counted(value)).sum::<f64>() + 2.0 * self.volume()
    }

    /// The logarithm of how much room the noise leaves to the values.
    fn volume(&self) -> f64 {
        self.surprise_db.iter().map(|db| db.ln()).sum()
    }

    /// The standard deviation of a point, on average over those between two frequencies; none
    /// where there are none.
    pub(super) fn scatter_db(&self, frequency_hz: &[f64], from_hz: f64, to_hz: f64) -> Option<f64> {
        let inside = frequency_hz.iter().zip(&self.deviation_db);
        let squares: Vec<f64> =
            inside.filter(|(hz, _)| (from_hz..to_hz).contains(*hz)).map(|(_, db)| db * db).collect();
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = squares.len() as f64;
        (count > 0.0).then(|| (squares.iter().sum::<f64>() / count).sqrt())
    }

    /// What the bands leave unexplained would be surprising from here on.
    pub(super) fn usual_rest_db(&self) -> f64 {
        let squares: f64 = self.deviation_db.iter().map(|db| db * db).sum();
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = self.deviation_db.len() as f64;
        (squares / count).sqrt()
    }
}

impl Process {
    /// The predictors for a covariance at distances from 0 on, by the recursion of Levinson and
    /// Durbin.
    fn predicting(covariance: &[f64]) -> Self {
        let mut process = Self { predictors: vec![Vec::new()], surprise_db: vec![covariance[0].sqrt()] };
        let (mut predictor, mut left) = (Vec::new(), covariance[0]);
        for order in 1..covariance.len() {
            let known: f64 =
                predictor.iter().zip(covariance[1..order].iter().rev()).map(|(a, r)| a * r).sum();
            let reflection = (covariance[order] - known) / left;
            let mirrored: Vec<f64> = predictor.iter().rev().map(|a| reflection * a).collect();
            predictor.iter_mut().zip(mirrored).for_each(|(a, mirrored): (&mut f64, f64)| *a -= mirrored);
            predictor.push(reflection);
            left *= 1.0 - reflection * reflection;
            process.predictors.push(predictor.clone());
            process.surprise_db.push(left.sqrt());
        }
        // What came before is read forwards.
        process.predictors.iter_mut().for_each(|predictor| predictor.reverse());
        process
    }
}

/// What a captured response changes by when the microphone stands elsewhere, or the speed of
/// sound is another: the phase between direct sound and reflections changes in proportion to
/// frequency, until it may be any; and a pattern of so many hertz is narrower in octaves the
/// higher it lies.
///
/// Sizes and widths are free, the shape is not: so a mistake in one place cannot pass for noise.
/// The shape follows from `|1 + Σ a e^(−jωτ)|` with small changes of `τ`; the values tried are
/// our choice.
struct Moved {
    /// The standard deviation where the phases may be any.
    most_db: f64,
    /// From here on they may.
    corner_hz: f64,
    /// How wide the pattern is.
    spread_hz: f64,
    /// What was smoothed away, in points of width that are left at least.
    least_points: f64,
    /// What is independent from point to point, everywhere.
    floor_db: f64,
}

impl Moved {
    /// The values that are tried.
    const VALUES: [&[f64]; 5] = [
        &[0.1, 0.2, 0.3, 0.45, 0.7, 1.0, 1.4, 2.0, 3.0, 4.5, 6.5],
        &[300.0, 600.0, 1_200.0, 2_400.0, 4_800.0, 9_600.0],
        &[20.0, 40.0, 80.0, 160.0, 320.0, 640.0],
        &[0.5, 1.0, 2.0, 4.0, 8.0],
        &[0.02, 0.08, 0.15, 0.3, 0.6, 1.0],
    ];
    /// Where among them the search begins.
    const MIDDLE: [usize; 5] = [5, 3, 3, 0, 1];

    fn of(place: [usize; 5]) -> Self {
        let value = |which: usize| Self::VALUES[which][place[which]];
        Self {
            most_db: value(0),
            corner_hz: value(1),
            spread_hz: value(2),
            least_points: value(3),
            floor_db: value(4).max(FLOOR_DB),
        }
    }

    fn noise(&self, frequency_hz: &[f64], faint: &[f64]) -> Noise {
        let mut noise = Noise::empty(faint.len(), true);
        let mut sizes: Vec<f64> = Vec::with_capacity(faint.len());
        let mut process = Process::predicting(&[1.0]);
        for (i, (&hz, &faint)) in frequency_hz.iter().zip(faint).enumerate() {
            let ratio = hz / self.corner_hz;
            let own_points = 24.0 * std::f64::consts::LOG2_E * self.spread_hz / hz;
            let points = own_points.clamp(self.least_points, 48.0);
            // Smoothing takes size where it adds width.
            let share = (own_points / points).min(1.0).sqrt();
            let waves_db = self.most_db * share * ratio / (1.0 + ratio * ratio).sqrt();
            if i % POINTS_OF_A_PROCESS == 0 {
                let independent = (self.floor_db / waves_db).powi(2).max(INDEPENDENT * INDEPENDENT);
                let covariance: Vec<f64> = (0..=ORDER)
                    .map(|distance| {
                        #[expect(clippy::cast_precision_loss, reason = "a few dozen points")]
                        let distance = distance as f64;
                        Likeness::Waves(points).at(distance) + independent * Likeness::White.at(distance)
                    })
                    .collect();
                process = Process::predicting(&covariance);
            }
            let size = faint * waves_db;
            noise.push(&process, size, faint * waves_db.hypot(self.floor_db));
            // The process predicts points that were divided by their sizes.
            let predictor = &mut noise.predictors[i];
            let before = &sizes[i - predictor.len()..];
            predictor.iter_mut().zip(before).for_each(|(share, before)| *share *= size / before);
            sizes.push(size);
        }
        noise
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

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::all_near;

    /// Source: a process whose next value depends on the last alone, `ρ(k) = e^(−k/5)`: every way to
    /// predict it, from one before or from many, is the same.
    #[test]
    fn a_covariance_of_pairs_whitens_as_that_of_distances_does() {
        let alike = |distance: usize| 2.0 * (-(distance as f64) / 5.0).exp();
        let values: Vec<f64> = (0..70).map(|i| ((7 * i + 3) % 11) as f64 - 5.0).collect();
        let stationary = Noise::stationary(70, &(0..=ORDER).map(alike).collect::<Vec<f64>>());
        let rows: Vec<Vec<f64>> =
            (0..70usize).map(|i| (0..=i.min(REACH)).rev().map(alike).collect()).collect();
        let paired = Noise::of_covariance(&rows);
        all_near("values", &paired.whitened(&values), &stationary.whitened(&values), 1e-9);
        all_near("volume", &[paired.volume()], &[stationary.volume()], 1e-9);
    }
}
