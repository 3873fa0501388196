//! A cancellation as a limit to what bands do: they add no more to it than beside it.

use std::ops::Range;

use super::cancellation::Dip;
use super::deviation::POINTS_PER_OCTAVE;

/// At most this much more is added to the core of a cancellation than around it. Less than the
/// half decibel that is promised, because the search may touch its limits.
const MORE_DB: f64 = 0.4;
/// What counts as around it reaches so far on either side of its bottom, in octaves.
const AROUND_OCTAVES: f64 = 0.5;
/// With fewer points than this around it, the dip itself is counted among them.
const FEWEST_AROUND: usize = 6;

/// The core of a cancellation, by the points of a problem, and what lies around it.
#[derive(Debug, Clone)]
pub(super) struct Notch {
    /// The first point of the core.
    first: usize,
    /// How much more than around it may be added at each point of the core.
    more_db: Vec<f64>,
    around: [Range<usize>; 2],
}

impl Notch {
    /// The limit that a dip sets, whose points count from the first inside; with what is asked
    /// for and what the locked bands add at each point.
    pub(super) fn new(dip: &Dip, asked_db: &[f64], held_db: &[f64], inside: &Range<usize>) -> Self {
        let at = |point: usize| inside.start + point;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small constant")]
        let reach = (AROUND_OCTAVES * POINTS_PER_OCTAVE) as usize;
        let low = at(dip.bottom.saturating_sub(reach));
        let high = (at(dip.bottom) + reach + 1).min(inside.end);
        let mut around = [low..at(dip.shape.from).max(low), (at(dip.shape.to) + 1).min(high)..high];
        if around[0].len() + around[1].len() < FEWEST_AROUND {
            around = [low..at(dip.bottom), at(dip.bottom)..high];
        }
        let [asked_around, held_around] = [asked_db, held_db].map(|values| mean_over(&around, values));
        let more_db = (at(dip.shape.core_from)..=at(dip.shape.core_to)).map(|i| {
            // Where only some positions have it, or it is shallow, it may have what is asked for
            // beside it; and what is locked stays.
            let asked = if dip.is_never_filled() { 0.0 } else { asked_db[i] - asked_around };
            let held = held_db[i] - held_around;
            asked.max(MORE_DB).max(held) - held
        });
        Self { first: at(dip.shape.core_from), more_db: more_db.collect(), around }
    }

    /// The same limit on a coarser axis.
    pub(super) fn coarse(&self, coarse_point: &impl Fn(usize) -> usize) -> Self {
        let first = coarse_point(self.first);
        let last = coarse_point(self.first + self.more_db.len() - 1);
        let mut more_db = vec![f64::INFINITY; last - first + 1];
        for (i, more) in self.more_db.iter().enumerate() {
            let least = &mut more_db[coarse_point(self.first + i) - first];
            *least = least.min(*more);
        }
        let around = self.around.clone().map(|range| {
            if range.is_empty() { 0..0 } else { coarse_point(range.start)..coarse_point(range.end - 1) + 1 }
        });
        Self { first, more_db, around }
    }

    /// Limits what may still be added to the core.
    pub(super) fn limit(&self, sum_db: &[f64], room_db: &mut [f64]) {
        let level = mean_over(&self.around, sum_db);
        for (i, more) in self.more_db.iter().enumerate() {
            let room = &mut room_db[self.first + i];
            *room = room.min(level + more - sum_db[self.first + i]);
        }
    }

    /// The squares, summed, of what is added too much.
    pub(super) fn filled(&self, sum_db: &[f64]) -> f64 {
        let level = mean_over(&self.around, sum_db);
        self.too_much(sum_db, level).map(|(_, excess)| excess * excess).sum()
    }

    /// Adds what draws the sum of the bands out of the notch, and up around it.
    pub(super) fn add_forces(&self, sum_db: &[f64], weight: f64, pull: &mut [f64], stiffness: &mut [f64]) {
        let level = mean_over(&self.around, sum_db);
        let mut total = 0.0;
        for (i, excess) in self.too_much(sum_db, level) {
            pull[i] -= weight * excess;
            stiffness[i] += weight;
            total += excess;
        }
        #[expect(clippy::cast_precision_loss, reason = "a few dozen points")]
        let count = self.around.iter().map(Range::len).sum::<usize>().max(1) as f64;
        for range in self.around.clone() {
            pull[range].iter_mut().for_each(|pull| *pull += weight * total / count);
        }
    }

    /// The points of the core at which too much is added, and how much.
    fn too_much<'a>(&'a self, sum_db: &'a [f64], level_db: f64) -> impl Iterator<Item = (usize, f64)> + 'a {
        let core = self.more_db.iter().enumerate().map(|(i, more)| (self.first + i, more));
        core.map(move |(i, more)| (i, sum_db[i] - level_db - more)).filter(|(_, excess)| *excess > 0.0)
    }
}

/// The mean over two ranges of points.
fn mean_over(ranges: &[Range<usize>; 2], values: &[f64]) -> f64 {
    let total: f64 = ranges.iter().flat_map(|range| &values[range.clone()]).sum();
    #[expect(clippy::cast_precision_loss, reason = "a few dozen points")]
    let count = ranges.iter().map(Range::len).sum::<usize>().max(1) as f64;
    total / count
}
