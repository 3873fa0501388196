//! What was heard: the difference of two captures, and how certain it is.

use std::cell::RefCell;
use std::f64::consts::LN_10;
use std::rc::Rc;

use super::AuditError;
use super::echoes::{Echoes, FLOORS_DB, MOVED_S, Shared, rippled};
use super::noise::{Noise, counted};
use super::smear::smeared;
use crate::average::median;
use crate::linear::{dot, solve_in_place};
use crate::{Band, Response, difference, log_axis};
use dsp::equalizer::curve::{Curve, warped};

/// Beyond this density, points are averaged: more say nothing about bands.
const MOST_POINTS_PER_OCTAVE: f64 = 24.0;
/// The widths of smoothing that are told apart, in points of 1/24 octave: up to 1/2 octave.
const WIDTHS: [f64; 9] = [1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0];
/// Smoothing is believed when the bands fit so much better with it, in variances of the noise;
/// by chance it is a few.
const CLEARLY_SMOOTHED: f64 = 15.0;
/// Noise in waves is believed when it makes what is left likelier by so much; what is free in it
/// has to be paid for.
const CLEARLY_WAVES: f64 = 12.0;
/// The same for noise that grows with frequency, whose values are tried.
const CLEARLY_MOVED: f64 = 16.0;
/// And for noise that follows from the reflections, which is hardly free.
const CLEARLY_ECHOES: f64 = 10.0;
/// So dense points tell of reflections.
const FINE_POINTS_PER_OCTAVE: f64 = 96.0;
/// What a point is fainter than, the mean over so many points around it; and by how much at most
/// that is believed.
const AROUND_POINTS: f64 = 8.0;
const MOST_FAINT: f64 = 6.0;
/// Air between two captures differs by no more than 10 degrees, 1.7 % of the speed of sound; so
/// finely that is looked for, half a degree.
const AIR_STEP: f64 = 0.00085;
const AIR_STEPS: i32 = 20;
/// The air is believed to differ where the difference is then smoother by this ratio than with the opposite
/// shift (what is read between points is smoother than the points, whichever way), and rough as it stands.
const CLEARLY_SMOOTHER: f64 = 0.8;
const ROUGH_DB: f64 = 0.02;
/// No point counts for more variances than this when smoothing is looked for.
const MOST_OF_ONE: f64 = 9.0;

/// What near points share, by the points that captures are smoothed over.
type BySmoothing = Vec<(f64, Option<Rc<Shared>>)>;

/// After minus before on the bands' axis.
pub(super) struct Evidence {
    pub(super) frequency_hz: Vec<f64>,
    axis: Vec<f64>,
    pub(super) change_db: Vec<f64>,
    pub(super) noise: Noise,
    /// A level, as it stands out of the noise, of length 1.
    level: Vec<f64>,
    /// By how much each point is fainter than what is around it, before or after.
    faint: Vec<f64>,
    /// The power before, and its mean over as many points as the captures are smoothed over.
    power: Vec<f64>,
    smeared_power: Vec<f64>,
    /// Over so many points the captures are smoothed.
    smoothing: f64,
    sample_rate_hz: f64,
    /// Frequencies and power before over what it would be without reflections, finer than the points.
    fine: Rc<(Vec<f64>, Vec<f64>)>,
    /// So many points were averaged for each.
    counts: Rc<Vec<f64>>,
    /// What near points share by the reflections, for each smoothing that was asked for.
    shared: Rc<RefCell<BySmoothing>>,
}

/// What something changes at each point.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Change {
    /// In dB.
    pub(super) db: Vec<f64>,
    /// As it stands out of the noise, whatever the level: squares are in units of its variance.
    pub(super) clear: Vec<f64>,
}

impl Change {
    /// Takes another change out of this one.
    pub(super) fn without(&mut self, other: &Self) {
        self.db.iter_mut().zip(&other.db).for_each(|(left, does)| *left -= does);
        self.clear.iter_mut().zip(&other.clear).for_each(|(left, does)| *left -= does);
    }

    /// Puts another change into this one.
    pub(super) fn with(&mut self, other: &Self) {
        self.db.iter_mut().zip(&other.db).for_each(|(left, does)| *left += does);
        self.clear.iter_mut().zip(&other.clear).for_each(|(left, does)| *left += does);
    }

    /// How much of it there is in another, both as they stand out of the noise.
    pub(super) fn dot(&self, other: &Self) -> f64 {
        dot(&self.clear, &other.clear)
    }

    /// How far it stands out of the noise, in variances.
    pub(super) fn power(&self) -> f64 {
        dot(&self.clear, &self.clear)
    }

    /// How badly it is explained by nothing but noise and a level.
    pub(super) fn misfit(&self) -> f64 {
        self.clear.iter().map(|&heard| counted(heard)).sum()
    }

    /// How badly it is explained by another.
    pub(super) fn misfit_of(&self, other: &Self) -> f64 {
        self.clear.iter().zip(&other.clear).map(|(heard, does)| counted(heard - does)).sum()
    }

    /// The most that the two differ by anywhere.
    pub(super) fn farthest_db(&self, other: &Self) -> f64 {
        self.db.iter().zip(&other.db).map(|(one, other)| (one - other).abs()).fold(0.0, f64::max)
    }
}

impl Evidence {
    /// What was heard, before anything is said about its noise but how it scatters from point
    /// to point.
    pub(super) fn new(before: &Response, after: &Response, sample_rate_hz: f64) -> Result<Self, AuditError> {
        for (name, response) in [("before", before), ("after", after)] {
            response.check().map_err(|error| AuditError::Response { name, error })?;
        }
        let highest_hz = 0.49 * sample_rate_hz;
        let before = &in_same_air(before, after, highest_hz);
        let change = difference(before, after, 0.0, highest_hz).ok_or(AuditError::NothingInCommon)?;
        let (frequency_hz, change_db) = thinned(&change, MOST_POINTS_PER_OCTAVE);
        if frequency_hz.len() < 12 {
            return Err(AuditError::TooFewPoints(frequency_hz.len()));
        }
        let axis = frequency_hz.iter().map(|&f| warped(f, sample_rate_hz)).collect();
        let power = frequency_hz
            .iter()
            .map(|&hz| 10f64.powf(before.db_at(hz).unwrap_or_default() / 10.0))
            .collect::<Vec<f64>>();
        let noise = Noise::white(&change_db);
        let after: Vec<f64> =
            power.iter().zip(&change_db).map(|(power, db)| power * 10f64.powf(db / 10.0)).collect();
        let faint = faint(&power).into_iter().zip(faint(&after)).map(|(one, other)| one.max(other)).collect();
        let half_cell = (0.5 / MOST_POINTS_PER_OCTAVE).exp2();
        let inside = |hz: &f64| {
            let below = |edge: f64| change.frequency_hz.partition_point(|&f| f < edge);
            #[expect(clippy::cast_precision_loss, reason = "a count of points")]
            let count = (below(hz * half_cell) - below(hz / half_cell)) as f64;
            count.max(1.0)
        };
        let counts = Rc::new(frequency_hz.iter().map(inside).collect());
        let (fine_hz, fine_db) = thinned(before, FINE_POINTS_PER_OCTAVE);
        let fine_power: Vec<f64> = fine_db.iter().map(|db| 10f64.powf(db / 10.0)).collect();
        let fine = Rc::new((fine_hz, rippled(&fine_power, FINE_POINTS_PER_OCTAVE)));
        let mut evidence = Self {
            fine,
            counts,
            shared: Rc::default(),
            frequency_hz,
            axis,
            change_db,
            noise,
            level: Vec::new(),
            faint,
            smeared_power: power.clone(),
            power,
            smoothing: 1.0,
            sample_rate_hz,
        };
        evidence.level_out();
        Ok(evidence)
    }

    /// The same evidence in the light of the bands (Q of the cookbook) that are believed to be
    /// heard: what they leave is noise.
    pub(super) fn judged(&self, heard: &[Band]) -> Self {
        let (smoothing, left) = self.left(heard);
        let noises = [
            (0.0, Noise::white(&left)),
            (CLEARLY_WAVES, Noise::of(&left)),
            (CLEARLY_MOVED, Noise::moved(&left, &self.frequency_hz, &self.faint)),
        ];
        let judged = noises.map(|(burden, noise)| (burden, self.with(smoothing, noise)));
        let echoing =
            self.echoing(smoothing, &left).map(|noise| (CLEARLY_ECHOES, self.with(smoothing, noise)));
        let unlikely =
            |(burden, judged): &(f64, Self)| burden + judged.noise.unlikeliness(&judged.clear(&left));
        let [white, waves, moved] = judged;
        let likelier = |one: (f64, Self), other: (f64, Self)| {
            if unlikely(&other) < unlikely(&one) { other } else { one }
        };
        let best = likelier(likelier(white, waves), moved);
        match echoing {
            Some(echoing) => likelier(best, echoing).1,
            None => best.1,
        }
    }

    /// Noise of reflections whose delays moved, of the likeliest size; none where the response before
    /// does not tell of reflections.
    fn echoing(&self, smoothing: f64, left: &[f64]) -> Option<Noise> {
        let octaves = if smoothing > 1.0 { smoothing / MOST_POINTS_PER_OCTAVE } else { 0.0 };
        let known =
            self.shared.borrow().iter().find(|(at, _)| *at == smoothing).map(|(_, shared)| shared.clone());
        let shared = known.unwrap_or_else(|| {
            let (hz, rippled) = &*self.fine;
            let shared = Echoes::of(hz, rippled, octaves)
                .map(|echoes| Rc::new(echoes.shared(&self.frequency_hz, &self.counts, octaves)));
            self.shared.borrow_mut().push((smoothing, shared.clone()));
            shared
        })?;
        let middle = median(left.to_vec());
        let left: Vec<f64> = left.iter().map(|db| db - middle).collect();
        let power = rippled(&self.power, MOST_POINTS_PER_OCTAVE);
        // Where it is a notch after, it is as uncertain as where it is one before; what changed over a wide range is a mistake,
        // and says nothing of notches.
        let around = smeared(&left, AROUND_POINTS);
        let size: Vec<f64> = power
            .iter()
            .zip(left.iter().zip(around))
            .map(|(power, (left, around))| {
                let ln = (left - around) * LN_10 / 10.0;
                if ln.abs() < 1e-6 { *power } else { power * (ln.exp() - 1.0) / ln }
            })
            .collect();
        let unlikely = |place: [usize; 2]| {
            let noise = shared.noise(&size, MOVED_S[place[0]], FLOORS_DB[place[1]]);
            (noise.unlikely(&left), noise)
        };
        let mut place = [MOVED_S.len() / 2, 0];
        let mut best = unlikely(place);
        loop {
            let before = place;
            for (which, count) in [(0, MOVED_S.len()), (1, FLOORS_DB.len())] {
                for up in [true, false] {
                    loop {
                        let mut trial = place;
                        trial[which] = if up {
                            (place[which] + 1).min(count - 1)
                        } else {
                            place[which].saturating_sub(1)
                        };
                        if trial == place {
                            break;
                        }
                        let found = unlikely(trial);
                        if found.0 > best.0 - 1e-9 {
                            break;
                        }
                        (best, place) = (found, trial);
                    }
                }
            }
            if place == before {
                return Some(best.1);
            }
        }
    }

    /// The same, with noise of reflections whose delays moved.
    pub(super) fn echoing_as(&self, heard: &[Band]) -> Option<Self> {
        let (smoothing, left) = self.left(heard);
        self.echoing(smoothing, &left).map(|noise| self.with(smoothing, noise))
    }

    /// The same, with noise that grows with frequency.
    pub(super) fn moved_as(&self, heard: &[Band]) -> Self {
        let (smoothing, left) = self.left(heard);
        self.with(smoothing, Noise::moved(&left, &self.frequency_hz, &self.faint))
    }

    /// The same, with no more noise than shows from point to point.
    pub(super) fn smoothed_as(&self, heard: &[Band]) -> Self {
        let (smoothing, left) = self.left(heard);
        self.with(smoothing, Noise::white(&left))
    }

    /// The same, and not smoothed.
    pub(super) fn sharp_as(&self, heard: &[Band]) -> Self {
        self.with(1.0, Noise::white(&self.left_with(heard, 1.0)))
    }

    /// How far the captures were smoothed, by the shapes of the bands that are believed to be
    /// heard, and what these leave.
    fn left(&self, heard: &[Band]) -> (f64, Vec<f64>) {
        let left_with = |smoothing: f64| self.left_with(heard, smoothing);
        // One band that does what it should not must not decide how all look.
        let misfit = |smoothing: f64| -> f64 {
            self.clear(&left_with(smoothing)).iter().map(|value| (value * value).min(MOST_OF_ONE)).sum()
        };
        let as_they_are = misfit(1.0);
        let smoothing = WIDTHS[1..]
            .iter()
            .map(|&width| (width, misfit(width)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|best| as_they_are - best.1 > CLEARLY_SMOOTHED)
            .map_or(1.0, |best| best.0);
        (smoothing, left_with(smoothing))
    }

    fn left_with(&self, heard: &[Band], smoothing: f64) -> Vec<f64> {
        let mut left = self.change_db.clone();
        let smeared_power = smeared(&self.power, smoothing);
        for band in heard {
            let does = self.smoothed(&self.curve(Some(band)), smoothing, &smeared_power);
            left.iter_mut().zip(does).for_each(|(left, does)| *left -= does);
        }
        left
    }

    fn with(&self, smoothing: f64, noise: Noise) -> Self {
        let mut evidence = Self {
            frequency_hz: self.frequency_hz.clone(),
            axis: self.axis.clone(),
            change_db: self.change_db.clone(),
            noise,
            level: Vec::new(),
            faint: self.faint.clone(),
            power: self.power.clone(),
            smeared_power: smeared(&self.power, smoothing),
            smoothing,
            sample_rate_hz: self.sample_rate_hz,
            fine: Rc::clone(&self.fine),
            counts: Rc::clone(&self.counts),
            shared: Rc::clone(&self.shared),
        };
        evidence.level_out();
        evidence
    }

    /// How unlikely it is that this was heard when these bands (Q of the cookbook) are there: twice
    /// the negative logarithm of its density, less a constant.
    pub(super) fn unlikeliness(&self, bands: &[Band]) -> f64 {
        let mut left = self.heard();
        bands.iter().for_each(|band| left.without(&self.change(Some(band))));
        self.noise.unlikeliness(&left.clear)
    }

    /// Whether nothing else would be found in the other.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        self.smoothing == other.smoothing && self.noise.is_like(&other.noise)
    }

    /// Whether the captures show that they were smoothed.
    pub(super) fn is_smoothed(&self) -> bool {
        self.smoothing > 1.0
    }

    fn level_out(&mut self) {
        let level = self.noise.whitened(&vec![1.0; self.change_db.len()]);
        let length = dot(&level, &level).sqrt();
        self.level = level.into_iter().map(|x| x / length).collect();
    }

    /// Values as they stand out of the noise, without their level.
    fn clear(&self, db: &[f64]) -> Vec<f64> {
        let mut clear = self.noise.whitened(db);
        let level = dot(&clear, &self.level);
        clear.iter_mut().zip(&self.level).for_each(|(value, of_level)| *value -= level * of_level);
        clear
    }

    /// What was heard.
    pub(super) fn heard(&self) -> Change {
        Change { db: self.change_db.clone(), clear: self.clear(&self.change_db) }
    }

    /// What a band (Q of the cookbook) does at each point, smoothed as the captures are; nothing
    /// for a band that is not there.
    pub(super) fn change(&self, band: Option<&Band>) -> Change {
        self.change_of(&self.curve(band))
    }

    /// The same from its curve.
    pub(super) fn change_of(&self, curve_db: &[f64]) -> Change {
        let db = self.smoothed(curve_db, self.smoothing, &self.smeared_power);
        Change { clear: self.clear(&db), db }
    }

    /// What a band (Q of the cookbook) does at each point, before anything is smoothed.
    pub(super) fn curve(&self, band: Option<&Band>) -> Vec<f64> {
        let mut curve_db = vec![0.0; self.axis.len()];
        if let Some(band) = band {
            Curve::new(band.kind, band.frequency_hz, band.gain_db, band.q, self.sample_rate_hz)
                .write_db(&self.axis, &mut curve_db);
        }
        curve_db
    }

    /// What smoothing over so many points leaves of a curve: the mean of the power that it makes
    /// of the power before, over the mean of the power before.
    fn smoothed(&self, curve_db: &[f64], points: f64, smeared_power: &[f64]) -> Vec<f64> {
        if points <= 1.0 {
            return curve_db.to_vec();
        }
        let after: Vec<f64> =
            self.power.iter().zip(curve_db).map(|(power, db)| power * 10f64.powf(db / 10.0)).collect();
        smeared(&after, points)
            .into_iter()
            .zip(smeared_power)
            .map(|(after, before)| 10.0 * (after / before).log10())
            .collect()
    }

    /// How much of each change was heard, all chosen together by least squares with the level
    /// free; 1 is what was meant. A trace of pull towards 1 settles curves that can hardly be
    /// told apart.
    pub(super) fn shares(changes: &[Change], heard: &Change) -> Vec<f64> {
        const PULL: f64 = 4.0;
        let size = changes.len();
        let mut square = vec![0.0; size * size];
        let mut shares = vec![0.0; size];
        for (row, change) in changes.iter().enumerate() {
            for (other, second) in changes.iter().enumerate() {
                square[row * size + other] =
                    dot(&change.clear, &second.clear) + if row == other { PULL } else { 0.0 };
            }
            shares[row] = dot(&change.clear, &heard.clear) + PULL;
        }
        match solve_in_place(&mut square, &mut shares, size) {
            Some(()) => shares,
            None => vec![1.0; size],
        }
    }
}

/// The response before as it would have been in the air of the one after.
///
/// In warmer air sound is quicker, and every pattern that waves make stands at a higher frequency, all by
/// the same ratio. The ratio is the one that leaves the smoothest difference, if that is clearly
/// smoother than as they stand, and than by the opposite ratio. (`c ∝ √T`, ISO 9613-1; what is clear is our choice.)
fn in_same_air(before: &Response, after: &Response, highest_hz: f64) -> Response {
    let stretched = |ratio: f64| Response {
        frequency_hz: before.frequency_hz.iter().map(|hz| hz * ratio).collect(),
        ..before.clone()
    };
    let rough_db = |before: &Response| -> f64 {
        let Some(change) = difference(before, after, 0.0, highest_hz) else { return f64::INFINITY };
        let bends = change.magnitude_db.windows(3).map(|db| (db[0] - 2.0 * db[1] + db[2]).abs());
        let bends: Vec<f64> = bends.collect();
        if bends.is_empty() { f64::INFINITY } else { median(bends) }
    };
    let ratio = |step: i32| 1.0 + AIR_STEP * f64::from(step);
    let rough: Vec<f64> = (-AIR_STEPS..=AIR_STEPS).map(|step| rough_db(&stretched(ratio(step)))).collect();
    let best = (0..rough.len()).min_by(|&one, &other| rough[one].total_cmp(&rough[other]));
    let middle = rough.len() / 2;
    match best {
        Some(best)
            if best != middle
                && rough[middle] > ROUGH_DB
                && rough[best] < CLEARLY_SMOOTHER * rough[rough.len() - 1 - best].min(rough[middle]) =>
        {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_possible_wrap,
                reason = "a few dozen steps"
            )]
            let step = best as i32 - AIR_STEPS;
            stretched(ratio(step))
        }
        _ => before.clone(),
    }
}

/// By how much each point is fainter than the mean of the power around it, as a ratio of pressure.
fn faint(power: &[f64]) -> Vec<f64> {
    let around = smeared(power, AROUND_POINTS);
    around.iter().zip(power).map(|(around, power)| (around / power).sqrt().clamp(1.0, MOST_FAINT)).collect()
}

/// The mean within cells of so many to an octave, where the points are denser than that.
fn thinned(change: &Response, per_octave: f64) -> (Vec<f64>, Vec<f64>) {
    let (low, high) = change.range_hz();
    let grid = log_axis::grid(low, high, per_octave);
    let half_cell = (0.5 / per_octave).exp2();
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
