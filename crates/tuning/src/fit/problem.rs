//! What is to be fitted, on an even log-frequency axis: the gain that is needed
//! at each point, how much the point counts, and how high the bands may go there.

use super::cancellation;
use super::usable_range::{self, Reach};
use super::{FitError, FitInput, FitOptions, LeftAlone};
use crate::curve::{Curve, warped};
use crate::{Band, Profile, Response, Target, average, log_axis};

/// Density of the axis: a peak of Q 10 is three points wide at half its gain.
pub(super) const POINTS_PER_OCTAVE: f64 = 48.0;
/// At most this much is added at the bottom of a deep cancellation. Less than
/// the half decibel that is promised, because the search may touch its limits.
const CANCELLATION_CEILING_DB: f64 = 0.3;

/// How much a point inside a cancellation counts against one beside it.
const BRIDGE_SHARE: f64 = 0.05;
/// Where a stretch is left alone, the skirts of bands beside it may lift it by this
/// share of the boost allowed.
const SKIRT_SHARE: f64 = 0.5;

/// How far the target may be laid below and above the level of what plays. Laid lower,
/// everything would be cut for the sake of a few dips; laid higher, everything would
/// be boosted. (Our choice, no published source.)
const OFFSET_BELOW_DB: f64 = 6.0;
const OFFSET_ABOVE_DB: f64 = 6.0;

/// How strongly the constant is drawn to the level of what plays: 6 dB away costs as
/// much as an error of 0.06 dB. It only settles what is as good either way.
const OFFSET_PULL: f64 = 2e-4;

/// A weighted least-squares problem: bring the sum of the bands to `need`
/// plus a constant.
#[derive(Debug, Clone)]
pub(super) struct Problem {
    pub(super) frequency_hz: Vec<f64>,
    /// The frequencies on the bands' axis (see [`warped`]).
    pub(super) axis: Vec<f64>,
    /// Target minus response minus locked bands.
    pub(super) need_db: Vec<f64>,
    /// Weights; their sum is 1.
    pub(super) weight: Vec<f64>,
    /// What the fitted bands may add at most at each point.
    pub(super) ceiling_db: Vec<f64>,
    /// From where to where the constant may be chosen; a fixed one has both ends equal.
    pub(super) offset_db: (f64, f64),
    /// The level of what plays.
    pub(super) level_db: f64,
    /// The boost allowed for one band.
    pub(super) max_boost_db: f64,
    pub(super) sample_rate_hz: f64,
}

/// A problem and what was found out while it was set up.
pub(super) struct Setup {
    pub(super) problem: Problem,
    /// The one response that stands for all.
    pub(super) response: Response,
    pub(super) left_alone: Vec<LeftAlone>,
    /// The range that was fitted.
    pub(super) from_hz: f64,
    pub(super) to_hz: f64,
}

impl Problem {
    /// Sets the problem up: averages the responses, weighs the points, and finds
    /// what must be left alone.
    pub(super) fn set_up(input: &FitInput<'_>, locked: &[Band]) -> Result<Setup, FitError> {
        let &FitOptions { from_hz, to_hz, offset_db, .. } = input.options;
        let profile = input.profile;
        let response = one_response(input)?;
        let (lowest, highest) = response.range_hz();
        let top = to_hz.min(highest).min(0.49 * profile.sample_rate_hz);
        let bottom = from_hz.max(lowest);
        // A third of an octave: less cannot hold one band.
        if !(bottom > 0.0 && top > bottom * 1.25) {
            return Err(FitError::Range { from_hz, to_hz, lowest_hz: lowest, highest_hz: highest });
        }
        let frequency_hz = log_axis::grid(bottom, top, POINTS_PER_OCTAVE);
        let deviation = Deviation::new(&response, input.target, &frequency_hz);
        let max_boost_db = input.options.max_boost(profile);
        let mut weight = certainty(&response, &frequency_hz);
        let mut left_alone = Vec::new();
        let mut ceiling_db = vec![profile.total_boost_db.max(max_boost_db); frequency_hz.len()];
        let mut bridged_db = deviation.mean_db.clone();
        for dip in cancellation::find(&deviation, &response, max_boost_db) {
            bridge(&mut bridged_db, &mut weight, dip.from, dip.to);
            if dip.is_deep() {
                ceiling_db[dip.core_from..=dip.core_to].fill(CANCELLATION_CEILING_DB);
            }
            left_alone.push(dip.left_alone(&deviation.frequency_hz));
        }
        let reach = Reach::new(&frequency_hz, &bridged_db, max_boost_db);
        let level_db = reach.level_db;
        // What no fit could meet would only draw the level down.
        let lowest_db = level_db - max_boost_db - usable_range::BEYOND_BOOST_DB;
        bridged_db.iter_mut().for_each(|db| *db = db.max(lowest_db));
        for (first, last) in reach.slopes {
            bridged_db[first..=last].iter_mut().for_each(|db| *db = db.max(level_db - max_boost_db));
        }
        for (first, last) in reach.stretches {
            let (from_hz, to_hz) = (frequency_hz[first], frequency_hz[last]);
            // What is wrong with the whole stretch explains the dips in it.
            left_alone.retain(|place: &LeftAlone| !(from_hz..=to_hz).contains(&place.frequency_hz));
            left_alone.push(usable_range::left_alone(&deviation, first, last, level_db));
            leave(&mut bridged_db, first, last, level_db);
            for i in first..=last {
                weight[i] *= BRIDGE_SHARE;
                let share = if is_inside(i, first, last, frequency_hz.len()) { SKIRT_SHARE } else { 1.0 };
                ceiling_db[i] = ceiling_db[i].min(share * max_boost_db);
            }
        }
        left_alone.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        let total: f64 = weight.iter().sum();
        if total <= 1e-9 {
            return Err(FitError::NothingCertain { from_hz: bottom, to_hz: top });
        }
        weight.iter_mut().for_each(|w| *w /= total);
        let axis: Vec<f64> = frequency_hz.iter().map(|&f| warped(f, profile.sample_rate_hz)).collect();
        let held = sum_db(locked, &axis, profile);
        let need_db = bridged_db.iter().zip(&held).map(|(d, h)| -d - h).collect();
        for (ceiling, held) in ceiling_db.iter_mut().zip(&held) {
            *ceiling -= held.max(0.0);
        }
        let problem = Self {
            axis,
            need_db,
            weight,
            ceiling_db,
            offset_db: match offset_db {
                Some(fixed) => (fixed, fixed),
                None => (level_db - OFFSET_BELOW_DB, level_db + OFFSET_ABOVE_DB),
            },
            level_db: offset_db.unwrap_or(level_db),
            max_boost_db,
            sample_rate_hz: profile.sample_rate_hz,
            frequency_hz,
        };
        Ok(Setup { problem, response, left_alone, from_hz: bottom, to_hz: top })
    }

    pub(super) fn len(&self) -> usize {
        self.axis.len()
    }

    /// The same problem with two neighbouring points made one: half the work, and
    /// still fine enough to tell bands apart.
    pub(super) fn coarse(&self) -> Self {
        let pairs = |values: &[f64], join: &dyn Fn(f64, f64) -> f64| -> Vec<f64> {
            values.chunks(2).map(|pair| join(pair[0], pair[pair.len() - 1])).collect()
        };
        let frequency_hz = pairs(&self.frequency_hz, &|a, b| (a * b).sqrt());
        // The last point may be alone; its pair is itself.
        let weight: Vec<f64> = self.weight.chunks(2).map(|pair| pair.iter().sum()).collect();
        let need_db = self
            .need_db
            .chunks(2)
            .zip(self.weight.chunks(2))
            .map(|(need, weight)| {
                let total: f64 = weight.iter().sum();
                if total > 0.0 {
                    need.iter().zip(weight).map(|(n, w)| n * w).sum::<f64>() / total
                } else {
                    need[0]
                }
            })
            .collect();
        Self {
            axis: frequency_hz.iter().map(|&f| warped(f, self.sample_rate_hz)).collect(),
            frequency_hz,
            need_db,
            weight,
            ceiling_db: pairs(&self.ceiling_db, &f64::min),
            offset_db: self.offset_db,
            level_db: self.level_db,
            max_boost_db: self.max_boost_db,
            sample_rate_hz: self.sample_rate_hz,
        }
    }

    /// The constant that suits bands of this sum best.
    pub(super) fn offset_for(&self, sum_db: &[f64]) -> f64 {
        let free: f64 =
            self.weight.iter().zip(sum_db.iter().zip(&self.need_db)).map(|(w, (c, n))| w * (c - n)).sum();
        self.drawn(free)
    }

    fn drawn(&self, free_db: f64) -> f64 {
        ((free_db + OFFSET_PULL * self.level_db) / (1.0 + OFFSET_PULL))
            .clamp(self.offset_db.0, self.offset_db.1)
    }

    /// Whether the constant follows the bands: it does not where it is fixed, or
    /// stands at an end of where it may be.
    pub(super) fn offset_follows(&self, offset_db: f64) -> bool {
        self.offset_db.0 < offset_db && offset_db < self.offset_db.1
    }

    /// The weighted mean square of what is left, in dB², and traces for a level far off
    /// and for much boost.
    pub(super) fn mean_square(&self, sum_db: &[f64]) -> f64 {
        let (mut first, mut second) = (0.0, 0.0);
        for ((w, c), n) in self.weight.iter().zip(sum_db).zip(&self.need_db) {
            let left = n - c;
            first += w * left;
            second += w * left * left;
        }
        let offset = self.drawn(-first);
        let pull = OFFSET_PULL * (offset - self.level_db).powi(2);
        (second + offset * (2.0 * first + offset)).max(0.0)
            + pull
            + BOOST_WEIGHT * self.over(sum_db, |_| self.max_boost_db)
    }

    /// How far the bands exceed their ceiling, as a mean square in dB².
    pub(super) fn excess(&self, sum_db: &[f64]) -> f64 {
        self.over(sum_db, |i| self.ceiling_db[i])
    }

    /// The mean square of what lies over a limit.
    fn over(&self, sum_db: &[f64], limit_db: impl Fn(usize) -> f64) -> f64 {
        let square: f64 = sum_db.iter().enumerate().map(|(i, c)| (c - limit_db(i)).max(0.0).powi(2)).sum();
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = self.len() as f64;
        square / count
    }
}

/// How far a response lies above a target, on the axis of the problem.
pub(super) struct Deviation {
    pub(super) frequency_hz: Vec<f64>,
    /// Mean over the cell of each point.
    pub(super) mean_db: Vec<f64>,
    /// Least value in the cell of each point: narrow dips keep their depth.
    pub(super) least_db: Vec<f64>,
}

impl Deviation {
    pub(super) fn new(response: &Response, target: &Target, frequency_hz: &[f64]) -> Self {
        let half_cell = (0.5 / POINTS_PER_OCTAVE).exp2();
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
            least_db.push(inside.iter().copied().fold(between, f64::min) - level);
        }
        Self { frequency_hz: frequency_hz.to_vec(), mean_db, least_db }
    }
}

/// The average of all responses; a single one as it is.
fn one_response(input: &FitInput<'_>) -> Result<Response, FitError> {
    for (index, response) in input.responses.iter().enumerate() {
        response.check().map_err(|error| FitError::Response { number: index + 1, error })?;
    }
    match input.responses {
        [] => Err(FitError::NoResponse),
        [only] => Ok(only.clone()),
        several => average(&levelled(several)?).map_err(FitError::Average),
    }
}

/// The responses at their common mean level: a position that is louder as a whole
/// does not disagree about the shape.
fn levelled(responses: &[Response]) -> Result<Vec<Response>, FitError> {
    let common = average(responses).map_err(FitError::Average)?.frequency_hz;
    #[expect(clippy::cast_precision_loss, reason = "a count of points or positions")]
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len().max(1) as f64;
    let levels: Vec<f64> = responses.iter().map(|r| mean(&r.resampled(&common).magnitude_db)).collect();
    let middle = mean(&levels);
    Ok(responses.iter().zip(&levels).map(|(response, level)| response.raised(middle - level)).collect())
}

/// Draws a straight line over a dip and lets it count little: there the bands are to
/// do what they do beside it, not to fill it.
fn bridge(deviation_db: &mut [f64], weight: &mut [f64], from: usize, to: usize) {
    let (left, right) = (deviation_db[from], deviation_db[to]);
    for i in from..=to {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let part = (i - from) as f64 / (to - from).max(1) as f64;
        deviation_db[i] = left + part * (right - left);
        weight[i] *= BRIDGE_SHARE;
    }
}

/// How much the square of what all bands boost together beyond the boost allowed for one
/// counts: 6 dB more over an octave of ten costs as much as an error of 0.04 dB. It only
/// settles what is as good either way.
pub(super) const BOOST_WEIGHT: f64 = 5e-4;

/// How far, in points, the slope of the bands beside a stretch may reach into it.
const SKIRT_POINTS: usize = 24;

/// Whether a point of a stretch lies beyond the skirts of the bands beside it.
fn is_inside(point: usize, first: usize, last: usize, count: usize) -> bool {
    (first == 0 || point - first >= SKIRT_POINTS) && (last + 1 == count || last - point >= SKIRT_POINTS)
}

/// Puts a stretch at the level, so that the bands are to do nothing there, with half an
/// octave on each side to come down from what they do beside it.
fn leave(deviation_db: &mut [f64], first: usize, last: usize, level_db: f64) {
    let count = deviation_db.len();
    let left = if first == 0 { level_db } else { deviation_db[first - 1] };
    let right = if last + 1 == count { level_db } else { deviation_db[last + 1] };
    for i in first..=last {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let share = |points: usize| (1.0 - points as f64 / SKIRT_POINTS as f64).max(0.0);
        let (from_left, from_right) = (share(i - first), share(last - i));
        deviation_db[i] = level_db + from_left * (left - level_db) + from_right * (right - level_db);
    }
}

/// How much each point counts for its certainty, from 0 to 1.
///
/// Coherence γ²: 0 up to 0.3, full from 0.9, its square between. Spread s between
/// positions: `1 / (1 + (s/3 dB)²)`, so that a scatter of 3 dB halves the weight.
/// Both are our choice; no published source.
fn certainty(response: &Response, frequency_hz: &[f64]) -> Vec<f64> {
    let at = |column: &Option<Vec<f64>>, hz: f64| {
        column.as_ref().and_then(|values| log_axis::interpolate(&response.frequency_hz, values, hz))
    };
    frequency_hz
        .iter()
        .map(|&hz| {
            let coherent =
                at(&response.coherence, hz).map_or(1.0, |c| ((c - 0.3) / 0.6).clamp(0.0, 1.0).powi(2));
            let alike = at(&response.spread_db, hz).map_or(1.0, |s| 1.0 / (1.0 + (s / 3.0).powi(2)));
            coherent * alike
        })
        .collect()
}

/// What typed bands add up to on the axis.
pub(super) fn sum_db(typed: &[Band], axis: &[f64], profile: &Profile) -> Vec<f64> {
    let mut sum = vec![0.0; axis.len()];
    for band in typed {
        let band = profile.cookbook(band);
        let curve = Curve::new(band.kind, band.frequency_hz, band.gain_db, band.q, profile.sample_rate_hz);
        sum.iter_mut().zip(axis).for_each(|(total, &u)| *total += curve.db(u));
    }
    sum
}
