//! Where the next band helps most: a dictionary of shapes, tried on what is left.

use super::problem::Problem;
use super::solver::FreeBand;
use crate::linear::dot;
use crate::{BandKind, BandLayout, Profile};
use dsp::equalizer::curve::Curve;

/// A peak's shape counts as far as it is above this share of its height.
const SHAPE_ENDS: f64 = 0.01;

/// Above this no band is placed: hardly anyone hears what it does (our choice, no published source).
pub(super) const HIGHEST_BAND_HZ: f64 = 16_000.0;
/// Shelves stay within this share of the range (in octaves), counted from their end.
const SHELF_SHARE: f64 = 0.65;

/// One shape: a band with everything but its gain settled, drawn for a small gain, with
/// which a band's shape changes little.
struct Shape {
    band: FreeBand,
    /// The point where it acts most.
    centre: usize,
    /// The first point that it acts on.
    first: usize,
    /// `w s` at the points that it acts on.
    weighted: Vec<f64>,
    /// `Σ w s`.
    mean: f64,
    /// `Σ w s²`.
    power: f64,
}

/// The shapes that a profile can take, and how far its bands may go in the end.
pub(super) struct Dictionary {
    shapes: Vec<Shape>,
    widest: Vec<(BandKind, Bounds)>,
}

/// The least and the greatest of a band's free values.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Bounds {
    low: [f64; 3],
    high: [f64; 3],
}

impl Dictionary {
    pub(super) fn new(problem: &Problem, profile: &Profile, max_boost_db: f64) -> Self {
        // Fixed bands are not placed.
        let kinds = match &profile.bands {
            BandLayout::Parametric { kinds, .. } => &kinds[..],
            BandLayout::Fixed(_) => &[],
        };
        let (from_hz, to_hz) = problem.played_hz;
        let played_hz = (from_hz, to_hz.min(HIGHEST_BAND_HZ.max(from_hz)));
        let widest: Vec<(BandKind, Bounds)> = kinds
            .iter()
            .map(|&kind| (kind, Bounds::widest(profile, kind, played_hz, max_boost_db)))
            .collect();
        let bands = widest.iter().flat_map(|&(kind, bounds)| grid_of(kind, bounds.usual(kind)));
        let mut buffer = vec![0.0; 3 * problem.len()];
        Self { shapes: bands.filter_map(|band| Shape::new(problem, band, &mut buffer)).collect(), widest }
    }

    /// The bands with all the room that the profile gives them; nothing where none of them is held by less.
    pub(super) fn widened(&self, bands: &[FreeBand]) -> Option<Vec<FreeBand>> {
        let widest = |band: &FreeBand| self.widest.iter().find(|(kind, _)| *kind == band.kind);
        let held = |band: &FreeBand| {
            widest(band).is_some_and(|(_, widest)| {
                (0..3).any(|which| {
                    (band.value[which] <= band.low[which] && widest.low[which] < band.low[which])
                        || (band.value[which] >= band.high[which] && widest.high[which] > band.high[which])
                })
            })
        };
        bands.iter().any(held).then(|| {
            let wider = |band: &FreeBand| match widest(band) {
                Some((_, Bounds { low, high })) => FreeBand { low: *low, high: *high, ..*band },
                None => *band,
            };
            bands.iter().map(wider).collect()
        })
    }

    /// The band that lowers the error most when it is added to these sums, with its
    /// gain; `None` when no band lowers it.
    pub(super) fn best(&self, problem: &Problem, sum_db: &[f64]) -> Option<FreeBand> {
        self.best_where(problem, sum_db, |_| true)
    }

    /// The best bands, the best first, no two of them alike.
    pub(super) fn ranked(&self, problem: &Problem, sum_db: &[f64], count: usize) -> Vec<FreeBand> {
        let mut ranked: Vec<FreeBand> = Vec::new();
        while ranked.len() < count {
            let alike = |other: &FreeBand, band: &FreeBand| {
                other.kind == band.kind && (other.value[0] - band.value[0]).abs() < 0.4
            };
            let next =
                self.best_where(problem, sum_db, |band| !ranked.iter().any(|other| alike(other, band)));
            let Some(next) = next else { break };
            ranked.push(next);
        }
        ranked
    }

    /// The best band of one kind.
    pub(super) fn best_of(&self, problem: &Problem, sum_db: &[f64], kind: BandKind) -> Option<FreeBand> {
        self.best_where(problem, sum_db, |band| band.kind == kind)
    }

    fn best_where(
        &self,
        problem: &Problem,
        sum_db: &[f64],
        may_be: impl Fn(&FreeBand) -> bool,
    ) -> Option<FreeBand> {
        let offset = problem.offset_for(sum_db);
        let left: Vec<f64> =
            problem.need_db.iter().zip(sum_db).map(|(need, sum)| need + offset - sum).collect();
        // An offset that cannot follow leaves a mean for the bands to take away.
        let follows = if problem.offset_follows(offset) { 1.0 } else { 0.0 };
        let mean_left = dot(&problem.weight, &left);
        let room_db = problem.room_db(sum_db);
        let mut best: Option<(f64, FreeBand)> = None;
        for shape in &self.shapes {
            let own = &left[shape.first..shape.first + shape.weighted.len()];
            let pull = dot(&shape.weighted, own) - follows * shape.mean * mean_left;
            let power = shape.power - follows * shape.mean * shape.mean;
            // What the ceiling would take back again is no gain.
            let most = shape.band.high[1].min(room_db[shape.centre].max(0.0));
            let gain = (pull / power).clamp(shape.band.low[1].min(most), most);
            let gained = gain * (2.0 * pull - gain * power);
            if gained > best.as_ref().map_or(0.0, |best| best.0) && may_be(&shape.band) {
                let mut band = shape.band;
                band.value[1] = gain;
                best = Some((gained, band));
            }
        }
        best.map(|(_, band)| band)
    }
}

impl Shape {
    fn new(problem: &Problem, band: FreeBand, buffer: &mut [f64]) -> Option<Self> {
        let [log_f, _, log_q] = band.value;
        let curve = Curve::new(band.kind, log_f.exp(), 0.0, log_q.exp(), problem.sample_rate_hz);
        let (unused, shape) = buffer.split_at_mut(2 * problem.len());
        let (by_frequency, by_q) = unused.split_at_mut(problem.len());
        curve.write_slopes(&problem.axis, [by_frequency, shape, by_q]);
        let acts = |share: &f64| *share > SHAPE_ENDS || band.kind != BandKind::Peak;
        let first = shape.iter().position(acts)?;
        let last = shape.iter().rposition(acts)?;
        let centre = (first..=last).max_by(|&a, &b| shape[a].total_cmp(&shape[b]))?;
        // No band begins where nothing plays.
        if band.kind == BandKind::Peak && !problem.plays_at(problem.frequency_hz[centre]) {
            return None;
        }
        let (mut mean, mut power) = (0.0, 0.0);
        let weighted: Vec<f64> = shape[first..=last]
            .iter()
            .zip(&problem.weight[first..=last])
            .map(|(share, weight)| {
                mean += weight * share;
                power += weight * share * share;
                weight * share
            })
            .collect();
        // A shape of next to no effect within the weights would ask for endless gain.
        (power - mean * mean > 1e-5).then_some(Self { band, centre, first, weighted, mean, power })
    }
}

/// What most processors offer. Bands are looked for within it, so that a freer profile begins where a poorer one
/// ends, and the rest of its room is used from there on: a wider search alone finds other answers, and now and then
/// worse ones. (Common practice, no source.)
const USUAL_Q: (f64, f64) = (0.5, 10.0);
const USUAL_CUT_DB: f64 = -15.0;

impl Bounds {
    /// Those of a profile's grids, in the cookbook's Q.
    fn widest(profile: &Profile, kind: BandKind, (from_hz, to_hz): (f64, f64), max_boost_db: f64) -> Self {
        let gain_low = profile.gain_db.min();
        let gain_high = profile.gain_db.max().min(max_boost_db);
        let (mut low, mut high) = ([0.0, gain_low, 0.0], [0.0, gain_high.max(gain_low), 0.0]);
        if let BandLayout::Parametric { frequency_hz, q, shelf_q, .. } = &profile.bands {
            let q = if kind == BandKind::Peak { q } else { shelf_q };
            low[0] = frequency_hz.min().max(from_hz).min(frequency_hz.max()).ln();
            high[0] = frequency_hz.max().min(to_hz).max(frequency_hz.min()).ln().max(low[0]);
            // A high shelf at the bottom of the range, or a low shelf at its top, is nothing
            // but a change of level.
            let middle = |share: f64| low[0] + share * (high[0] - low[0]);
            match kind {
                BandKind::LowShelf => high[0] = middle(SHELF_SHARE),
                BandKind::HighShelf => low[0] = middle(1.0 - SHELF_SHARE),
                BandKind::Peak => {}
            }
            low[2] = q.min().ln();
            high[2] = q.max().ln();
        }
        Self { low, high }
    }

    /// The part of them that most processors offer, or what is nearest to it.
    fn usual(self, kind: BandKind) -> Self {
        let Self { mut low, mut high } = self;
        let highest_q = if kind == BandKind::Peak { USUAL_Q.1 } else { 1.0 };
        low[1] = low[1].max(USUAL_CUT_DB).min(high[1]);
        low[2] = self.low[2].max(USUAL_Q.0.ln()).min(self.high[2]);
        high[2] = self.high[2].min(highest_q.ln()).max(low[2]);
        Self { low, high }
    }
}

/// Peaks spaced by a third of their width, shelves by half an octave.
fn grid_of(kind: BandKind, Bounds { low, high }: Bounds) -> Vec<FreeBand> {
    let qs: &[f64] = if kind == BandKind::Peak {
        &[0.5, 0.8, 1.2, 1.8, 2.7, 4.0, 6.0, 9.0, 14.0]
    } else {
        &[0.5, 0.75, 1.0]
    };
    let mut log_qs: Vec<f64> = qs.iter().map(|q| q.ln().clamp(low[2], high[2])).collect();
    log_qs.dedup();
    let mut bands = Vec::new();
    for log_q in log_qs {
        let step = if kind == BandKind::Peak { 0.33 / log_q.exp() } else { 0.35 };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some dozens")]
        let count = ((high[0] - low[0]) / step).ceil() as usize;
        for i in 0..=count {
            #[expect(clippy::cast_precision_loss, reason = "some dozens")]
            let part = if count == 0 { 0.0 } else { i as f64 / count as f64 };
            bands.push(FreeBand { kind, value: [low[0] + part * (high[0] - low[0]), 0.0, log_q], low, high });
        }
    }
    bands
}

/// The bands of a profile whose bands are fixed, flat, with only the gain free: those that are
/// not locked and act on what is played.
pub(super) fn fixed_bands(
    problem: &Problem,
    profile: &Profile,
    locked: &[crate::Band],
    max_boost_db: f64,
) -> Vec<FreeBand> {
    let BandLayout::Fixed(fixed) = &profile.bands else { return Vec::new() };
    let Bounds { low, high } = Bounds::widest(profile, BandKind::Peak, (0.0, f64::INFINITY), max_boost_db);
    let (from_hz, to_hz) = problem.played_hz;
    let is_heard = |band: &&crate::FixedBand| match band.kind {
        BandKind::Peak => {
            // A peak is an octave wide at half its gain when its Q is 1.4.
            let half_width = (0.7 / band.q).exp();
            band.frequency_hz * half_width > from_hz && band.frequency_hz / half_width < to_hz
        }
        BandKind::LowShelf => band.frequency_hz > from_hz,
        BandKind::HighShelf => band.frequency_hz < to_hz,
    };
    let is_locked = |band: &&crate::FixedBand| {
        locked.iter().any(|locked| locked.kind == band.kind && locked.frequency_hz == band.frequency_hz)
    };
    fixed
        .iter()
        .filter(|band| is_heard(band) && !is_locked(band))
        .map(|band| {
            // The −3 dB definition would let Q follow the gain; half the greatest boost stands
            // for it during the search, and the grid search uses the true value.
            let typed =
                crate::Band { kind: band.kind, frequency_hz: band.frequency_hz, gain_db: 3.0, q: band.q };
            let (log_f, log_q) = (band.frequency_hz.ln(), profile.cookbook(&typed).q.ln());
            FreeBand {
                kind: band.kind,
                value: [log_f, 0.0, log_q],
                low: [log_f, low[1], log_q],
                high: [log_f, high[1], log_q],
            }
        })
        .collect()
}

/// Whether two bands act on the same frequencies to speak of.
pub(super) fn overlap(a: &FreeBand, b: &FreeBand) -> bool {
    if a.kind != BandKind::Peak || b.kind != BandKind::Peak {
        return true;
    }
    let half_width = |band: &FreeBand| 0.7 / band.value[2].exp();
    (a.value[0] - b.value[0]).abs() < 0.5 + half_width(a) + half_width(b)
}
