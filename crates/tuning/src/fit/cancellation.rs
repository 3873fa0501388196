//! Dips that are cancellations: two sounds that meet in opposite phase.
//!
//! Boosting such a dip boosts both sounds and fills nothing, so it is left alone. Dips are
//! looked for in what the positions show at the least, their average less their spread, because
//! a notch of one position among several hardly shows in their average.

use super::deviation::{Deviation, POINTS_PER_OCTAVE};
use super::excess_phase::ExcessPhase;
use super::{LeftAlone, LeftAloneReason};
use crate::average::median;
use crate::{Response, log_axis};

/// A dip this deep at all positions is never filled, not even as a by-product.
const DEEP_DB: f64 = 8.0;
/// The least depth at which the spread between positions or the excess phase of
/// a dip is looked at.
const SHALLOW_DB: f64 = 1.5;
/// Positions that scatter by this much in a dip do not share it, if some of them have it
/// this deep.
const SPREAD_DB: f64 = 3.5;
const DIFFERENT_DB: f64 = 5.0;
/// The turn of excess phase through a dip that tells a cancellation, as a share of what
/// one with its zeros outside the unit circle makes; a minimum-phase one makes none.
const TURN: f64 = 0.5;
/// The widest dip whose phase is looked at, at half its depth.
const WIDEST_OCTAVES: f64 = 1.0;

/// A straight edge laid over a dip may rest further from its bottom by a width at half its
/// depth for so many decibels of it, up to an octave: there the flanks of a resonance's dip have
/// risen to half a decibel or less.
const DB_PER_WIDTH: f64 = 5.0;
/// So many of its widths at half its depth a dip reaches on either side of its bottom: there a
/// resonance's has risen to a seventh of its depth. Further where the positions differ: what each
/// of them shows of it lies elsewhere.
const WIDTHS_BRIDGED: f64 = 1.5;
const WIDTHS_BRIDGED_APART: f64 = 2.5;
/// So much of its depth a dip must keep when the edge is laid nearer.
const OWN_DEPTH: f64 = 0.7;
/// Where the curve falls again by so much, on the way out of a dip, was its shoulder.
const SHOULDER_DB: f64 = 1.0;
/// What of a dip is deeper than this share of its depth is its core: its lower half, and a
/// little more, since its depth is rather too small where its flanks are long.
const CORE_SHARE: f64 = 0.4;

/// One dip, by the points of the axis.
#[derive(Debug, Clone)]
pub(super) struct Dip {
    /// Where it is deepest.
    pub(super) bottom: usize,
    pub(super) shape: Shape,
    /// How far it lies below its surroundings.
    below_db: f64,
    sign: Sign,
}

/// A dip below a straight edge laid over it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    /// The points that do not count for the fit.
    pub(super) from: usize,
    pub(super) to: usize,
    /// Its core.
    pub(super) core_from: usize,
    pub(super) core_to: usize,
    /// Its depth, and its width at half of that.
    depth_db: f64,
    width_octaves: f64,
}

/// What gave a dip away.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Sign {
    NarrowAndDeep,
    PositionsDiffer { spread_db: f64 },
    ExcessPhase { turn_deg: f64 },
}

impl Dip {
    /// Whether it is never filled, not even by what its surroundings ask for. Where only
    /// some positions have it, the others may get what they ask for.
    pub(super) fn is_never_filled(&self) -> bool {
        self.below_db >= DEEP_DB && self.is_everywhere()
    }

    /// Leaves what is far beyond its own width to the fit.
    fn keep_to_its_width(&mut self) {
        let widths = if self.is_everywhere() { WIDTHS_BRIDGED } else { WIDTHS_BRIDGED_APART };
        let own = own_points(widths, self.shape.width_octaves);
        let shape = &mut self.shape;
        shape.from = shape.from.max(self.bottom.saturating_sub(own)).min(shape.core_from);
        shape.to = shape.to.min(self.bottom + own).max(shape.core_to);
    }

    fn is_everywhere(&self) -> bool {
        !matches!(self.sign, Sign::PositionsDiffer { .. })
    }

    /// What is said of it, and how surely: magnitude alone can only suggest it.
    pub(super) fn left_alone(&self, frequency_hz: &[f64], has_phase: bool) -> LeftAlone {
        let hz = frequency_hz[self.bottom];
        let at = if self.is_everywhere() { "" } else { " at some positions" };
        let Shape { depth_db, width_octaves, .. } = self.shape;
        let shape = format!("{depth_db:.0} dB deep{at} and {width_octaves:.2} octaves wide");
        let sign = match self.sign {
            Sign::NarrowAndDeep => "it is narrow and deep".to_owned(),
            Sign::PositionsDiffer { spread_db } => format!("the positions differ there by {spread_db:.1} dB"),
            Sign::ExcessPhase { turn_deg } => {
                format!("the phase turns by {turn_deg:.0}° more than a resonance would turn it")
            }
        };
        let (is, to_be_sure) = match self.sign {
            Sign::NarrowAndDeep if !has_phase => {
                ("is probably", " To be sure, measure with phase or at more positions.")
            }
            Sign::NarrowAndDeep => ("is probably", ""),
            Sign::PositionsDiffer { .. } | Sign::ExcessPhase { .. } => ("is", ""),
        };
        LeftAlone {
            frequency_hz: hz,
            why: LeftAloneReason::Cancellation,
            text: format!(
                "The dip at {hz:.0} Hz ({shape}) {is} a cancellation: {sign}. A boost would not fill it; \
                 move the microphone or change delay and polarity instead.{to_be_sure}"
            ),
        }
    }
}

/// So many widths, in points.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few dozen points")]
fn own_points(widths: f64, width_octaves: f64) -> usize {
    (widths * width_octaves * POINTS_PER_OCTAVE) as usize
}

/// All dips that are cancellations, the deepest first among those that overlap.
pub(super) fn find(deviation: &Deviation, response: &Response, max_boost_db: f64) -> Vec<Dip> {
    let landscape = Landscape::new(&deviation.least_db);
    let phase = ExcessPhase::new(response);
    let mut dips: Vec<Dip> = Vec::new();
    let mut candidates: Vec<Dip> = (0..deviation.least_db.len()).filter_map(|i| landscape.dip(i)).collect();
    candidates.sort_by(|a, b| b.below_db.total_cmp(&a.below_db));
    for mut dip in candidates {
        if dips.iter().any(|other| other.shape.from <= dip.bottom && dip.bottom <= other.shape.to) {
            continue;
        }
        let hz = deviation.frequency_hz[dip.bottom];
        let Shape { depth_db, width_octaves, .. } = dip.shape;
        let narrow = width_octaves <= narrow_enough(dip.below_db);
        let apart = SpreadApart::at(response, hz);
        let shared_db = dip.below_db.min(depth_db) - apart.beyond_db;
        let sign = if narrow && dip.below_db >= DIFFERENT_DB && apart.explains(dip.below_db) {
            Some(Sign::PositionsDiffer { spread_db: apart.here_db })
        } else if narrow && shared_db >= deep_enough(width_octaves, max_boost_db) {
            Some(Sign::NarrowAndDeep)
        } else if width_octaves <= WIDEST_OCTAVES {
            phase
                .as_ref()
                .and_then(|phase| phase.turn(hz, depth_db, width_octaves))
                .filter(|&turn| turn >= TURN)
                .map(|turn| Sign::ExcessPhase { turn_deg: 360.0 * turn })
        } else {
            None
        };
        if let Some(sign) = sign {
            dip.sign = sign;
            if dip.is_everywhere() {
                landscape.narrowed(&mut dip);
            }
            dip.keep_to_its_width();
            dips.push(dip);
        }
    }
    dips
}

/// The widest dip, at half its depth, that counts as narrow. A first notch of two
/// sounds of nearly equal level is 0.45 octaves wide there (from `|1 + 0.9 e^jθ|`).
fn narrow_enough(depth_db: f64) -> f64 {
    0.6 + 0.4 * ((depth_db - 12.0) / 8.0).clamp(0.0, 1.0)
}

/// The depth from which shape alone tells a cancellation, the less the narrower. A dip that
/// the allowed boost could fill is filled; one as wide as a band may be two resonances on top
/// of each other, so it must be deeper than two boosts; and one that is narrower than a
/// resonance may be deeper than its points show (our choice, no published source).
fn deep_enough(width_octaves: f64, max_boost_db: f64) -> f64 {
    let narrow = (max_boost_db + 3.0).clamp(6.0, 14.0);
    let wide = (2.0 * max_boost_db + 2.0).clamp(8.0, 14.0);
    if width_octaves < 0.25 {
        return (narrow - 25.0 * (0.25 - width_octaves)).max(4.0);
    }
    narrow + (wide - narrow) * ((width_octaves - 0.25) / 0.2).min(1.0)
}

/// The spread at a frequency and how far it stands out from its surroundings.
struct SpreadApart {
    here_db: f64,
    beyond_db: f64,
}

impl SpreadApart {
    fn at(response: &Response, hz: f64) -> Self {
        let spread = response.spread_db.as_deref().unwrap_or_default();
        let Some(here_db) = log_axis::interpolate(&response.frequency_hz, spread, hz) else {
            return Self { here_db: 0.0, beyond_db: 0.0 };
        };
        let first = response.frequency_hz.partition_point(|&f| f < hz / 2.0);
        let last = response.frequency_hz.partition_point(|&f| f < hz * 2.0);
        let around = median(spread[first..last].to_vec());
        Self { here_db, beyond_db: (here_db - around).max(0.0) }
    }

    /// Whether a dip in what positions show at the least is one that they do not share: at
    /// least half of its depth is that they differ.
    fn explains(&self, depth_db: f64) -> bool {
        self.here_db >= SPREAD_DB && self.beyond_db >= 0.5 * depth_db
    }
}

/// A curve with what is needed to measure its dips.
struct Landscape<'a> {
    db: &'a [f64],
    octave: usize,
}

impl<'a> Landscape<'a> {
    fn new(db: &'a [f64]) -> Self {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small positive constant"
        )]
        let octave = POINTS_PER_OCTAVE as usize;
        Self { db, octave }
    }

    /// The dip whose bottom is at a point, if there is one of any depth to speak of.
    ///
    /// Its depth is measured from the lower of the two shoulders within an octave,
    /// but not from higher than 2 dB over the median of three octaves around it: the
    /// valley between two humps is no dip.
    fn dip(&self, bottom: usize) -> Option<Dip> {
        let near = self.octave / 12;
        let last = self.db.len() - 1;
        if bottom < near || bottom + near > last {
            return None;
        }
        let level = self.db[bottom];
        let neighbours = &self.db[bottom - near..=bottom + near];
        if neighbours.iter().any(|&d| d < level) {
            return None;
        }
        let low = bottom.saturating_sub(self.octave);
        let high = (bottom + self.octave).min(last);
        let top = |range: &[f64]| range.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let shoulder = top(&self.db[low..bottom]).min(top(&self.db[bottom + 1..=high]));
        let wide_low = bottom.saturating_sub(3 * self.octave / 2);
        let wide_high = (bottom + 3 * self.octave / 2).min(last);
        let base = shoulder.min(median(self.db[wide_low..=wide_high].to_vec()) + 2.0);
        let below_db = base - level;
        if below_db < SHALLOW_DB {
            return None;
        }
        let (half_from, half_to) = self.extent(bottom, |i| self.db[i] < base - 0.5 * below_db);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            clippy::cast_precision_loss,
            reason = "a few hundred points"
        )]
        let reach = ((half_to - half_from + 1) as f64 * (1.0 + below_db / DB_PER_WIDTH)) as usize;
        let sign = Sign::NarrowAndDeep;
        Some(Dip { bottom, below_db, sign, shape: self.shape(bottom, reach.min(self.octave)) })
    }

    /// A dip's shape below a straight edge that rests within reach of its bottom.
    fn shape(&self, bottom: usize, reach: usize) -> Shape {
        let edge = self.straight_edge(bottom, reach);
        let depth_db = edge.db(bottom) - self.db[bottom];
        let (width_from, width_to) = self.extent(bottom, |i| self.db[i] < edge.db(i) - 0.5 * depth_db);
        let (core_from, core_to) = self.extent(bottom, |i| self.db[i] < edge.db(i) - CORE_SHARE * depth_db);
        // It begins and ends between points.
        let (core_from, core_to) = (core_from.saturating_sub(1), (core_to + 1).min(self.db.len() - 1));
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let width_octaves = (width_to - width_from + 1) as f64 / POINTS_PER_OCTAVE;
        // Beside where the edge rests nothing belongs to the dip.
        let (from, to) = (edge.from.min(core_from), edge.to.max(core_to));
        Shape { from, to, core_from, core_to, depth_db, width_octaves }
    }

    /// The points about a dip's bottom, the bottom among them, that are inside without a gap.
    fn extent(&self, bottom: usize, inside: impl Fn(usize) -> bool) -> (usize, usize) {
        let from = bottom - (0..bottom).rev().take_while(|&i| inside(i)).count();
        let to = bottom + (bottom + 1..self.db.len()).take_while(|&i| inside(i)).count();
        (from, to)
    }

    /// Lets a narrow dip in a wide one be no more than itself: the edge is laid within its own width as long as that
    /// leaves most of its depth. What the wide one asks for is for the fit.
    fn narrowed(&self, dip: &mut Dip) {
        let least_db = OWN_DEPTH * dip.shape.depth_db;
        loop {
            let was = dip.shape.width_octaves;
            let shape = self.shape(dip.bottom, own_points(WIDTHS_BRIDGED, was));
            if shape.depth_db < least_db || shape.width_octaves > was {
                return;
            }
            dip.shape = shape;
            if shape.width_octaves == was {
                return;
            }
        }
    }

    /// Lays a straight edge over a dip: of those that rest on a point within reach on either
    /// side, no further than its shoulder, the one that passes highest over the bottom.
    fn straight_edge(&self, bottom: usize, reach: usize) -> Edge {
        let ends = |from: usize, to: usize| Edge { from, to, ends_db: (self.db[from], self.db[to]) };
        let below = self.rise((bottom.saturating_sub(reach)..bottom).rev());
        let above = self.rise(bottom + 1..=(bottom + reach).min(self.db.len() - 1));
        (bottom - below..bottom)
            .flat_map(|from| (bottom + 1..=bottom + above).map(move |to| (from, to)))
            .map(|(from, to)| ends(from, to))
            .max_by(|a, b| a.db(bottom).total_cmp(&b.db(bottom)))
            .unwrap_or_else(|| ends(bottom, bottom))
    }

    /// How many points it rises on the way out of a dip, before it falls again.
    fn rise(&self, outwards: impl Iterator<Item = usize>) -> usize {
        let (mut top, mut count) = (f64::NEG_INFINITY, 0);
        for (index, point) in outwards.enumerate() {
            if self.db[point] > top {
                (top, count) = (self.db[point], index + 1);
            } else if self.db[point] < top - SHOULDER_DB {
                break;
            }
        }
        count
    }
}

/// A straight line from one point to another.
struct Edge {
    from: usize,
    to: usize,
    ends_db: (f64, f64),
}

impl Edge {
    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    fn db(&self, point: usize) -> f64 {
        let part = (point as f64 - self.from as f64) / (self.to - self.from).max(1) as f64;
        self.ends_db.0 + part * (self.ends_db.1 - self.ends_db.0)
    }
}
