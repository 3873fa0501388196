//! What is to be fitted, on an even log-frequency axis: the gain that is needed
//! at each point, how much the point counts, and how high the bands may go there.

use super::cancellation::{self, Dip};
use super::usable_range::{self, Reach};
use super::{FitError, FitInput, FitOptions, LeftAlone};
use crate::linear::dot;
use crate::{Band, Profile, Response, Target, average, log_axis};
use dsp::equalizer::curve::{Curve, warped};

/// Density of the axis: a peak of Q 10 is three points wide at half its gain.
pub(super) const POINTS_PER_OCTAVE: f64 = 48.0;
/// So many of its points are one while the bands are looked for.
const COARSE_POINTS: usize = 3;
/// At most this much is added in the lower half of a cancellation, unless what is beside it
/// asks for more and may have it. Less than the half decibel that is promised, because the
/// search may touch its limits.
const CANCELLATION_CEILING_DB: f64 = 0.3;

/// How much a point inside a cancellation counts against one beside it.
const BRIDGE_SHARE: f64 = 0.05;
/// The same in a stretch that is left alone: so little that no band is spent on it, not even
/// to undo there what the skirts of others do.
const LEFT_SHARE: f64 = 0.005;
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

/// What acts on the sum of the bands at each point (see [`Problem::forces`]).
#[derive(Debug, Default)]
pub(super) struct Forces {
    pub(super) pull: Vec<f64>,
    pub(super) stiffness: Vec<f64>,
    pub(super) level_follows: bool,
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
        let too_little = FitError::Range { from_hz, to_hz, lowest_hz: lowest, highest_hz: highest };
        if !holds_a_band(bottom, top) {
            return Err(too_little);
        }
        let (bottom, top) = usable_range::asked_for(input.target, bottom, top);
        if !holds_a_band(bottom, top) {
            return Err(too_little);
        }
        let frequency_hz = log_axis::grid(bottom, top, POINTS_PER_OCTAVE);
        let deviation = Deviation::new(&response, input.target, &frequency_hz);
        let max_boost_db = input.options.max_boost(profile);
        let mut weight = certainty(&response, &frequency_hz);
        let mut left_alone = Vec::new();
        let mut ceiling_db = vec![profile.total_boost_db.max(max_boost_db); frequency_hz.len()];
        let mut bridged_db = deviation.mean_db.clone();
        let dips = cancellation::find(&deviation, &response, max_boost_db);
        for dip in &dips {
            bridge(&mut bridged_db, &mut weight, dip.from, dip.to);
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
                let inside = is_inside(i, first, last, frequency_hz.len());
                weight[i] *= LEFT_SHARE;
                let share = if inside { SKIRT_SHARE } else { 1.0 };
                ceiling_db[i] = ceiling_db[i].min(share * max_boost_db);
            }
        }
        hold_down(&mut ceiling_db, &dips, &bridged_db, level_db);
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

    /// The same problem with three neighbouring points made one: a third of the work, and
    /// still fine enough to tell bands apart.
    pub(super) fn coarse(&self) -> Self {
        let groups = |values: &[f64], join: &dyn Fn(&[f64]) -> f64| -> Vec<f64> {
            values.chunks(COARSE_POINTS).map(join).collect()
        };
        let frequency_hz = groups(&self.frequency_hz, &|group| (group[0] * group[group.len() - 1]).sqrt());
        let weight = groups(&self.weight, &|group| group.iter().sum());
        let need_db = self
            .need_db
            .chunks(COARSE_POINTS)
            .zip(self.weight.chunks(COARSE_POINTS))
            .map(|(need, weight)| {
                let total: f64 = weight.iter().sum();
                if total > 0.0 { dot(need, weight) / total } else { need[0] }
            })
            .collect();
        Self {
            axis: frequency_hz.iter().map(|&f| warped(f, self.sample_rate_hz)).collect(),
            frequency_hz,
            need_db,
            weight,
            ceiling_db: groups(&self.ceiling_db, &|group| {
                group.iter().copied().fold(f64::INFINITY, f64::min)
            }),
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
    /// and for much boost; and how far the bands exceed their ceiling, as a mean square
    /// in dB² times a weight.
    pub(super) fn cost(&self, sum_db: &[f64], ceiling_weight: f64) -> f64 {
        let [first, second, boost, excess] = self.tally(sum_db);
        let offset = self.drawn(-first);
        let pull = OFFSET_PULL * (offset - self.level_db).powi(2);
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = self.len() as f64;
        (second + offset * (2.0 * first + offset)).max(0.0)
            + pull
            + (BOOST_WEIGHT * boost + ceiling_weight * excess) / count
    }

    /// What draws the sum of the bands at each point, minus half the slope of the cost by
    /// it, and how stiff it is there, half the curvature; whether the level follows.
    pub(super) fn forces(&self, sum_db: &[f64], ceiling_weight: f64, forces: &mut Forces) {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = self.len() as f64;
        let (ceiling_weight, boost_weight) = (ceiling_weight / count, BOOST_WEIGHT / count);
        let offset = self.offset_for(sum_db);
        forces.level_follows = self.offset_follows(offset);
        forces.pull.clear();
        forces.stiffness.clear();
        for (i, &sum) in sum_db.iter().enumerate() {
            let weight = self.weight[i];
            // What lies over the ceiling pulls down, and is stiff, more than what lies over
            // the boost allowed for one band.
            let (excess, boost) = (sum - self.ceiling_db[i], sum - self.max_boost_db);
            let hard = if excess > 0.0 { ceiling_weight } else { 0.0 };
            let soft = if boost > 0.0 { boost_weight } else { 0.0 };
            forces.pull.push(weight * (self.need_db[i] + offset - sum) - hard * excess - soft * boost);
            forces.stiffness.push(weight + hard + soft);
        }
    }

    /// Sums over all points, in lanes that the compiler can vectorise: `Σ w r`, `Σ w r²`
    /// with `r` what is left, and the squares of what lies over the boost allowed for one
    /// band and over the ceiling.
    fn tally(&self, sum_db: &[f64]) -> [f64; 4] {
        let mut lanes = [[0.0f64; 4]; 4];
        let mut add = |lane: usize, weight: f64, need: f64, sum: f64, ceiling: f64| {
            let left = need - sum;
            let weighted = weight * left;
            lanes[0][lane] += weighted;
            lanes[1][lane] += weighted * left;
            let boost = (sum - self.max_boost_db).max(0.0);
            lanes[2][lane] += boost * boost;
            let excess = (sum - ceiling).max(0.0);
            lanes[3][lane] += excess * excess;
        };
        let (weight, last_weight) = self.weight.as_chunks::<4>();
        let (need, last_need) = self.need_db.as_chunks::<4>();
        let (sum, last_sum) = sum_db.as_chunks::<4>();
        let (ceiling, last_ceiling) = self.ceiling_db.as_chunks::<4>();
        for (((weight, need), sum), ceiling) in weight.iter().zip(need).zip(sum).zip(ceiling) {
            for lane in 0..4 {
                add(lane, weight[lane], need[lane], sum[lane], ceiling[lane]);
            }
        }
        for (((weight, need), sum), ceiling) in
            last_weight.iter().zip(last_need).zip(last_sum).zip(last_ceiling)
        {
            add(0, *weight, *need, *sum, *ceiling);
        }
        lanes.map(|lane| lane.iter().sum())
    }
}

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

/// Whether a range is a third of an octave wide: less cannot hold one band.
fn holds_a_band(from_hz: f64, to_hz: f64) -> bool {
    from_hz > 0.0 && to_hz > from_hz * 1.25
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

/// Lowers the ceiling in the cores of cancellations.
fn hold_down(ceiling_db: &mut [f64], dips: &[Dip], bridged_db: &[f64], level_db: f64) {
    for dip in dips {
        for i in dip.core_from..=dip.core_to {
            let asked = if dip.is_never_filled() { 0.0 } else { level_db - bridged_db[i] };
            ceiling_db[i] = ceiling_db[i].min(asked.max(CANCELLATION_CEILING_DB));
        }
    }
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
/// counts: 6 dB more over an octave of ten costs as much as an error of 0.08 dB. It only
/// settles what is as good either way.
const BOOST_WEIGHT: f64 = 2e-3;

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
