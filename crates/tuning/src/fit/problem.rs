//! What is to be fitted, on an even log-frequency axis: the gain that is needed
//! at each point, how much the point counts, and how high the bands may go there.

use std::ops::Range;

use super::cancellation;
use super::deviation::{Deviation, POINTS_PER_OCTAVE};
use super::notch::Notch;
use super::usable_range::{self, Reach};
use super::{FitError, FitInput, FitOptions, LeftAlone};
use crate::{Band, Profile, Response, average, log_axis};
use dsp::equalizer::curve::{Curve, warped};

/// So many of its points are one while the bands are looked for.
const COARSE_POINTS: usize = 3;
/// How much a point inside a cancellation counts against one beside it.
const BRIDGE_SHARE: f64 = 0.05;
/// The same in a stretch that is left alone: so little that no band is spent on it, not even
/// to undo there what the skirts of others do.
const LEFT_SHARE: f64 = 0.005;
/// Beside the range nothing is fitted, but what the bands do there keeps the ceiling, too: from
/// here on, at so many points an octave.
const LOWEST_HZ: f64 = 10.0;
const BESIDE_POINTS_PER_OCTAVE: f64 = 24.0;
/// A point that counts for less of the mean than this does not play: more than a stretch that is left
/// alone, less than a cancellation.
const LEAST_WEIGHT: f64 = 0.01;
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
    /// What the fitted bands may add at most at each point beside the locked ones, counted from
    /// the level of the whole where all bands together lower that.
    pub(super) ceiling_db: Vec<f64>,
    /// The points of the range; those beside it have no weight and only keep the ceiling.
    inside: Range<usize>,
    /// What the locked bands add on average over the range.
    held_mean_db: f64,
    /// Cancellations, to which no more is added than beside them.
    notches: Vec<Notch>,
    /// How much of what all bands lower the whole by lowers the ceiling: all of it where something
    /// is fitted, nothing elsewhere.
    follows: Vec<f64>,
    /// From where to where the car plays.
    pub(super) played_hz: (f64, f64),
    /// From where to where the constant may be chosen; a fixed one has both ends equal.
    pub(super) offset_db: (f64, f64),
    /// The level of what plays.
    pub(super) level_db: f64,
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
        let mut ceiling_db = vec![max_boost_db; frequency_hz.len()];
        let mut follows = vec![1.0; frequency_hz.len()];
        let mut bridged_db = deviation.mean_db.clone();
        let dips = cancellation::find(&deviation, &response, max_boost_db);
        for dip in &dips {
            bridge(&mut bridged_db, &mut weight, dip.shape.from, dip.shape.to);
            left_alone.push(dip.left_alone(&deviation.frequency_hz, response.phase_deg.is_some()));
        }
        let reach = Reach::new(&frequency_hz, &bridged_db, max_boost_db);
        let level_db = reach.level_db;
        // What no fit could meet would only draw the level down.
        let lowest_db = level_db - max_boost_db - usable_range::BEYOND_BOOST_DB;
        bridged_db.iter_mut().for_each(|db| *db = db.max(lowest_db));
        for (first, last) in reach.slopes {
            bridged_db[first..=last].iter_mut().for_each(|db| *db = db.max(level_db - max_boost_db));
        }
        let (mut first_played, mut last_played) = (0, frequency_hz.len() - 1);
        for (first, last) in reach.stretches {
            let (from_hz, to_hz) = (frequency_hz[first], frequency_hz[last]);
            // What is wrong with the whole stretch explains the dips in it.
            left_alone.retain(|place: &LeftAlone| !(from_hz..=to_hz).contains(&place.frequency_hz));
            left_alone.push(usable_range::left_alone(&deviation, first, last, level_db));
            leave(&mut bridged_db, first, last, level_db);
            for i in first..=last {
                let inside = is_inside(i, first, last, frequency_hz.len());
                weight[i] *= LEFT_SHARE;
                follows[i] = 0.0;
                let share = if inside { SKIRT_SHARE } else { 1.0 };
                ceiling_db[i] = ceiling_db[i].min(share * max_boost_db);
            }
            if first == 0 {
                first_played = last.min(last_played);
            } else if last + 1 == frequency_hz.len() {
                last_played = first.max(first_played);
            }
        }
        left_alone.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        let total: f64 = weight.iter().sum();
        if total <= 1e-9 {
            return Err(FitError::NothingCertain { from_hz: bottom, to_hz: top });
        }
        weight.iter_mut().for_each(|w| *w /= total);
        let below = beside(LOWEST_HZ, bottom, |hz| hz < bottom);
        let above = beside(top, 0.49 * profile.sample_rate_hz, |hz| hz > top);
        let with_ends = |values: Vec<f64>, end: f64| -> Vec<f64> {
            let ends = |count: usize| std::iter::repeat_n(end, count);
            ends(below.len()).chain(values).chain(ends(above.len())).collect()
        };
        let inside = below.len()..below.len() + frequency_hz.len();
        let asked_db: Vec<f64> = with_ends(bridged_db.iter().map(|db| -db).collect(), 0.0);
        let whole_hz: Vec<f64> = below.iter().chain(&frequency_hz).chain(&above).copied().collect();
        let axis: Vec<f64> = whole_hz.iter().map(|&f| warped(f, profile.sample_rate_hz)).collect();
        let held = sum_db(locked, &axis, profile);
        let notches = dips.iter().map(|dip| Notch::new(dip, &asked_db, &held, &inside)).collect();
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let held_mean_db = held[inside.clone()].iter().sum::<f64>() / inside.len() as f64;
        let lowered_db = held_mean_db.min(0.0);
        let mut ceiling_db = with_ends(ceiling_db, max_boost_db);
        let follows = with_ends(follows, 0.0);
        for ((ceiling, held), follows) in ceiling_db.iter_mut().zip(&held).zip(&follows) {
            // What is locked stays, even where it is more than is allowed.
            *ceiling = ceiling.max(held - follows * lowered_db) - held;
        }
        let problem = Self {
            axis,
            need_db: asked_db.iter().zip(&held).map(|(asked, held)| asked - held).collect(),
            weight: with_ends(weight, 0.0),
            ceiling_db,
            inside,
            held_mean_db,
            notches,
            follows,
            played_hz: (frequency_hz[first_played], frequency_hz[last_played]),
            offset_db: match offset_db {
                Some(fixed) => (fixed, fixed),
                None => (level_db - OFFSET_BELOW_DB, level_db + OFFSET_ABOVE_DB),
            },
            level_db: offset_db.unwrap_or(level_db),
            sample_rate_hz: profile.sample_rate_hz,
            frequency_hz: whole_hz,
        };
        Ok(Setup { problem, response, left_alone, from_hz: bottom, to_hz: top })
    }

    pub(super) fn len(&self) -> usize {
        self.axis.len()
    }

    /// The same problem with three neighbouring points made one: a third of the work, and
    /// still fine enough to tell bands apart.
    pub(super) fn coarse(&self) -> Self {
        let (start, end) = (self.inside.start, self.inside.end);
        let groups = |values: &[f64], join: &dyn Fn(&[f64]) -> f64| -> Vec<f64> {
            let (below, above) = (values[..start].iter().copied(), values[end..].iter().copied());
            below.chain(values[start..end].chunks(COARSE_POINTS).map(join)).chain(above).collect()
        };
        let frequency_hz = groups(&self.frequency_hz, &|group| (group[0] * group[group.len() - 1]).sqrt());
        let weighted: Vec<f64> = self.need_db.iter().zip(&self.weight).map(|(need, w)| need * w).collect();
        let sum = |group: &[f64]| group.iter().sum::<f64>();
        #[expect(clippy::cast_precision_loss, reason = "three points")]
        let mean = |group: &[f64]| sum(group) / group.len() as f64;
        let weight = groups(&self.weight, &sum);
        let need_db = groups(&weighted, &sum)
            .into_iter()
            .zip(&weight)
            .zip(groups(&self.need_db, &mean))
            .map(|((need, weight), mean)| if *weight > 0.0 { need / weight } else { mean })
            .collect();
        let least = |group: &[f64]| group.iter().copied().fold(f64::INFINITY, f64::min);
        let coarse_point = |point: usize| start + (point - start) / COARSE_POINTS;
        Self {
            axis: frequency_hz.iter().map(|&f| warped(f, self.sample_rate_hz)).collect(),
            inside: start..coarse_point(end - 1) + 1,
            frequency_hz,
            need_db,
            weight,
            ceiling_db: groups(&self.ceiling_db, &least),
            held_mean_db: self.held_mean_db,
            notches: self.notches.iter().map(|notch| notch.coarse(&coarse_point)).collect(),
            follows: groups(&self.follows, &least),
            played_hz: self.played_hz,
            offset_db: self.offset_db,
            level_db: self.level_db,
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

    /// Whether something plays at a frequency that is not left alone as a whole.
    pub(super) fn plays_at(&self, frequency_hz: f64) -> bool {
        let point = self.frequency_hz.partition_point(|&hz| hz < frequency_hz);
        self.weight.get(point).is_some_and(|weight| *weight * self.points_inside() >= LEAST_WEIGHT)
    }

    /// How many points the range has.
    pub(super) fn points_inside(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = self.inside.len() as f64;
        count
    }

    /// How far all bands, the locked ones too, lower the whole on average; 0 where they raise it.
    fn lowered_db(&self, sum_db: &[f64]) -> f64 {
        let total: f64 = sum_db[self.inside.clone()].iter().sum();
        (self.held_mean_db + total / self.points_inside()).min(0.0)
    }

    /// How much more may be added at each point.
    pub(super) fn room_db(&self, sum_db: &[f64]) -> Vec<f64> {
        let mut room_db = self.room_below_ceiling_db(sum_db);
        self.notches.iter().for_each(|notch| notch.limit(sum_db, &mut room_db));
        room_db
    }

    /// The same, whatever is allowed in cancellations.
    pub(super) fn room_below_ceiling_db(&self, sum_db: &[f64]) -> Vec<f64> {
        let lowered_db = self.lowered_db(sum_db);
        let ceilings = self.ceiling_db.iter().zip(&self.follows);
        ceilings.zip(sum_db).map(|((ceiling, follows), sum)| ceiling + follows * lowered_db - sum).collect()
    }

    /// The weighted mean square of what is left, in dB², and traces for a level far off
    /// and for boost; and how far the bands exceed what they may add, as a mean square
    /// in dB² times a weight.
    pub(super) fn cost(&self, sum_db: &[f64], ceiling_weight: f64) -> f64 {
        let [first, second, boost, excess] = self.tally(sum_db, self.lowered_db(sum_db));
        let offset = self.drawn(-first);
        let pull = OFFSET_PULL * (offset - self.level_db).powi(2);
        (second + offset * (2.0 * first + offset)).max(0.0)
            + pull
            + (BOOST_WEIGHT * boost + ceiling_weight * (excess + self.filled(sum_db))) / self.points()
    }

    /// The weighted root mean square of what is left, and nothing else.
    pub(super) fn error_db(&self, sum_db: &[f64]) -> f64 {
        self.held_error_db(sum_db, 0.0)
    }

    /// The same with how far the bands exceed what they may add, as in the cost.
    pub(super) fn held_error_db(&self, sum_db: &[f64], ceiling_weight: f64) -> f64 {
        let [first, second, _, excess] = self.tally(sum_db, self.lowered_db(sum_db));
        let offset = self.drawn(-first);
        let beyond = ceiling_weight * (excess + self.filled(sum_db)) / self.points();
        ((second + offset * (2.0 * first + offset)).max(0.0) + beyond).sqrt()
    }

    /// The squares, summed, of what is added to cancellations beyond what is added beside them.
    fn filled(&self, sum_db: &[f64]) -> f64 {
        self.notches.iter().map(|notch| notch.filled(sum_db)).sum()
    }

    /// How many points there are, those beside the range too.
    fn points(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let count = self.len() as f64;
        count
    }

    /// What draws the sum of the bands at each point, minus half the slope of the cost by
    /// it, and how stiff it is there, half the curvature; whether the level follows.
    pub(super) fn forces(&self, sum_db: &[f64], ceiling_weight: f64, forces: &mut Forces) {
        let (ceiling_weight, boost_weight) = (ceiling_weight / self.points(), BOOST_WEIGHT / self.points());
        let offset = self.offset_for(sum_db);
        let lowered_db = self.lowered_db(sum_db);
        forces.level_follows = self.offset_follows(offset);
        forces.pull.clear();
        forces.stiffness.clear();
        let mut total_excess = 0.0;
        for (i, &sum) in sum_db.iter().enumerate() {
            let weight = self.weight[i];
            // What lies over the ceiling pulls down, and is stiff, more than boost as such.
            let ceiling = self.ceiling_db[i] + self.follows[i] * lowered_db;
            let (excess, boost) = ((sum - ceiling).max(0.0), sum.max(0.0));
            let hard = if excess > 0.0 { ceiling_weight } else { 0.0 };
            let soft = if boost > 0.0 { boost_weight } else { 0.0 };
            total_excess += self.follows[i] * excess;
            forces.pull.push(weight * (self.need_db[i] + offset - sum) - hard * excess - soft * boost);
            forces.stiffness.push(weight + hard + soft);
        }
        if lowered_db < 0.0 && total_excess > 0.0 {
            // Whatever raises the whole raises the ceiling.
            let raise = ceiling_weight * total_excess / self.points_inside();
            forces.pull[self.inside.clone()].iter_mut().for_each(|pull| *pull += raise);
        }
        for notch in &self.notches {
            notch.add_forces(sum_db, ceiling_weight, &mut forces.pull, &mut forces.stiffness);
        }
    }

    /// Sums over all points, in lanes that the compiler can vectorise: `Σ w r`, `Σ w r²`
    /// with `r` what is left, and the squares of boost and of what lies over the ceiling.
    fn tally(&self, sum_db: &[f64], lowered_db: f64) -> [f64; 4] {
        let mut lanes = [[0.0f64; 4]; 4];
        let mut add = |lane: usize, weight: f64, need: f64, sum: f64, ceiling: f64, follows: f64| {
            let left = need - sum;
            let weighted = weight * left;
            lanes[0][lane] += weighted;
            lanes[1][lane] += weighted * left;
            let boost = sum.max(0.0);
            lanes[2][lane] += boost * boost;
            let excess = (sum - ceiling - follows * lowered_db).max(0.0);
            lanes[3][lane] += excess * excess;
        };
        let (weight, last_weight) = self.weight.as_chunks::<4>();
        let (need, last_need) = self.need_db.as_chunks::<4>();
        let (sum, last_sum) = sum_db.as_chunks::<4>();
        let (ceiling, last_ceiling) = self.ceiling_db.as_chunks::<4>();
        let (follows, last_follows) = self.follows.as_chunks::<4>();
        for ((((weight, need), sum), ceiling), follows) in
            weight.iter().zip(need).zip(sum).zip(ceiling).zip(follows)
        {
            for lane in 0..4 {
                add(lane, weight[lane], need[lane], sum[lane], ceiling[lane], follows[lane]);
            }
        }
        for ((((weight, need), sum), ceiling), follows) in
            last_weight.iter().zip(last_need).zip(last_sum).zip(last_ceiling).zip(last_follows)
        {
            add(0, *weight, *need, *sum, *ceiling, *follows);
        }
        lanes.map(|lane| lane.iter().sum())
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

/// Frequencies beside the range, at which only the ceiling is kept.
fn beside(from_hz: f64, to_hz: f64, is_beside: impl Fn(f64) -> bool) -> Vec<f64> {
    if to_hz <= from_hz {
        return Vec::new();
    }
    log_axis::grid(from_hz, to_hz, BESIDE_POINTS_PER_OCTAVE).into_iter().filter(|&hz| is_beside(hz)).collect()
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

/// How much the square of what all bands boost together counts: 6 dB over an octave of ten cost
/// as much as an error of 0.08 dB. It only settles what is as good either way.
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
