//! The handles of a target: what of it can be moved, where it lies, and how far it goes.
//!
//! Everything moves along values that a person would write, so that a target that was edited
//! reads well as a file. The limits are our choice (no published source).

use crate::{BandKind, Grid, Target, TargetPoint, TargetShelf, log_axis};

/// One thing of a target that can be moved, counted from 0 among its kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TargetHandle {
    /// A shelf.
    Shelf(usize),
    /// A point.
    Point(usize),
}

/// Where a handle lies: on the curve of the whole target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TargetPlace {
    /// Its frequency.
    pub frequency_hz: f64,
    /// The level of the whole target there.
    pub db: f64,
    /// The least frequency and level to which it can be dragged.
    pub least: (f64, f64),
    /// The greatest ones.
    pub greatest: (f64, f64),
}

/// The audible frequencies, where handles lie.
const AUDIBLE_HZ: (f64, f64) = (20.0, 20_000.0);
/// A handle moves along these frequencies and their tenfolds: about 24 to the octave, as people
/// write them.
///
/// References: ISO 3:1973, series R80 of preferred numbers (from memory; a test holds each beside
/// `10^(k/80)`).
#[rustfmt::skip]
const PREFERRED: [f64; 80] = [
    1.00, 1.03, 1.06, 1.09, 1.12, 1.15, 1.18, 1.22, 1.25, 1.28, 1.32, 1.36, 1.40, 1.45, 1.50, 1.55,
    1.60, 1.65, 1.70, 1.75, 1.80, 1.85, 1.90, 1.95, 2.00, 2.06, 2.12, 2.18, 2.24, 2.30, 2.36, 2.43,
    2.50, 2.58, 2.65, 2.72, 2.80, 2.90, 3.00, 3.07, 3.15, 3.25, 3.35, 3.45, 3.55, 3.65, 3.75, 3.87,
    4.00, 4.12, 4.25, 4.37, 4.50, 4.62, 4.75, 4.87, 5.00, 5.15, 5.30, 5.45, 5.60, 5.80, 6.00, 6.15,
    6.30, 6.50, 6.70, 6.90, 7.10, 7.30, 7.50, 7.75, 8.00, 8.25, 8.50, 8.75, 9.00, 9.25, 9.50, 9.75,
];
/// Neighbouring points come no nearer to each other than this ratio: half a step.
const APART: f64 = 1.014;
/// No shelf lifts or lowers by more.
const MOST_SHELF_DB: f64 = 24.0;
/// Where a point can lie. What is lower is not heard.
const POINT_DB: (f64, f64) = (-60.0, 24.0);
/// Levels move in steps of this.
const STEP_DB: f64 = 0.1;
/// Beyond this a shelf is a peak beside a slope.
const SHELF_Q: (f64, f64) = (0.3, 2.0);
/// The greatest Q without overshoot, as it is written.
#[expect(clippy::approx_constant, reason = "what a person types, as in the presets")]
const PLAIN_Q: f64 = 0.7071;
/// More handles than this cannot be told apart on a chart.
const MOST_POINTS: usize = 24;
/// The same for shelves.
const MOST_SHELVES: usize = 6;
/// How far a curve of fewer points may lie from the one that it stands for.
const SAME_DB: f64 = 0.1;

impl Target {
    /// The least and the greatest tilt in dB per octave that is set by hand, and its step.
    pub const TILTS: (f64, f64, f64) = (-6.0, 6.0, 0.1);
    /// The same for the tolerance, in dB.
    pub const TOLERANCES: (f64, f64, f64) = (0.5, 12.0, 0.5);

    /// Everything that can be moved: the shelves, then the points.
    pub fn handles(&self) -> impl Iterator<Item = TargetHandle> {
        let shelves = (0..self.shelves.len()).map(TargetHandle::Shelf);
        shelves.chain((0..self.points.len()).map(TargetHandle::Point))
    }

    /// Where a handle lies; nothing when there is no such handle.
    #[must_use]
    pub fn place(&self, handle: TargetHandle) -> Option<TargetPlace> {
        let (frequency_hz, own_db) = self.own(handle)?;
        let db = self.db_at(frequency_hz);
        let (frequencies, levels) = (self.room(handle, frequency_hz), levels(handle, own_db));
        let share = share(handle);
        let at = |own: f64| db + share * (own - own_db);
        Some(TargetPlace {
            frequency_hz,
            db,
            least: (frequencies.min(), at(levels.min())),
            greatest: (frequencies.max(), at(levels.max())),
        })
    }

    /// Moves a handle so that the curve goes through this place, or as near as it can.
    pub fn drag(&mut self, handle: TargetHandle, frequency_hz: f64, db: f64) {
        let Some((own_hz, own_db)) = self.own(handle) else { return };
        let nearest_hz = self.room(handle, own_hz).nearest(frequency_hz);
        self.set(handle, nearest_hz, own_db);
        let rest_db = self.db_at(nearest_hz) - share(handle) * own_db;
        self.set(handle, nearest_hz, levels(handle, own_db).nearest((db - rest_db) / share(handle)));
    }

    /// Moves a handle by so many steps up or down in frequency.
    pub fn step_frequency(&mut self, handle: TargetHandle, by: isize) {
        if let Some((frequency_hz, db)) = self.own(handle) {
            self.set(handle, self.room(handle, frequency_hz).stepped(frequency_hz, by), db);
        }
    }

    /// The same for the gain of a shelf, or the level of a point.
    pub fn step_level(&mut self, handle: TargetHandle, by: isize) {
        if let Some((frequency_hz, db)) = self.own(handle) {
            self.set(handle, frequency_hz, levels(handle, db).stepped(db, by));
        }
    }

    /// The same for the Q of a shelf; a point has none.
    pub fn step_q(&mut self, handle: TargetHandle, by: isize) {
        let TargetHandle::Shelf(index) = handle else { return };
        if let Some(shelf) = self.shelves.get_mut(index) {
            shelf.q = shelf_qs().stepped(shelf.q, by);
        }
    }

    /// The tilt nearest to the wanted one that is set by hand.
    pub fn set_tilt(&mut self, db_per_octave: f64) {
        let (from, to, step) = Self::TILTS;
        self.tilt_db_per_octave = Grid::even(from, to, step).nearest(db_per_octave);
    }

    /// The same for the tolerance.
    pub fn set_tolerance(&mut self, db: f64) {
        let (from, to, step) = Self::TOLERANCES;
        self.tolerance_db = Grid::even(from, to, step).nearest(db);
    }

    /// Adds a point on the curve, which stays as it is: above the point `after`, or else in the
    /// widest gap. Says which it has become; nothing when there is no room for another.
    ///
    /// The first one brings an end at either side along: one point alone would only move the level,
    /// which is free.
    pub fn add_point(&mut self, after: Option<usize>) -> Option<usize> {
        if self.points.is_empty() {
            let flat = |frequency_hz| TargetPoint { frequency_hz, db: 0.0 };
            self.points = [AUDIBLE_HZ.0, Self::TILT_PIVOT_HZ, AUDIBLE_HZ.1].map(flat).to_vec();
            return Some(1);
        }
        if self.points.len() >= MOST_POINTS {
            return None;
        }
        let own = self.points.iter().map(|point| point.frequency_hz);
        let edges: Vec<f64> =
            std::iter::once(AUDIBLE_HZ.0 / APART).chain(own).chain([AUDIBLE_HZ.1 * APART]).collect();
        // The gap at `index` lies below the point `index`.
        let mut gaps: Vec<(usize, f64)> = edges.windows(2).map(|two| two[1] / two[0]).enumerate().collect();
        gaps.sort_by(|one, other| other.1.total_cmp(&one.1));
        let wanted = after.map(|after| after + 1);
        gaps.sort_by_key(|(index, _)| Some(*index) != wanted);
        let (index, frequency_hz) = gaps.into_iter().find_map(|(index, _)| {
            let (low, high) = (edges[index], edges[index + 1]);
            let room = frequencies().within(low * APART, high / APART)?;
            Some((index, room.nearest((low * high).sqrt())))
        })?;
        let db = self.points_at(frequency_hz);
        let db = levels(TargetHandle::Point(index), self.points[0].db).nearest(db);
        self.points.insert(index, TargetPoint { frequency_hz, db });
        Some(index)
    }

    /// Adds a shelf that does nothing yet, away from what there is. Says which it has become; nothing
    /// when there is no room for another.
    pub fn add_shelf(&mut self, kind: BandKind) -> Option<usize> {
        if self.shelves.len() >= MOST_SHELVES {
            return None;
        }
        let places = if kind == BandKind::LowShelf {
            [100.0, 200.0, 50.0, 400.0]
        } else {
            [4_000.0, 8_000.0, 2_000.0, 10_000.0]
        };
        let taken: Vec<f64> =
            self.handles().filter_map(|handle| Some(self.place(handle)?.frequency_hz)).collect();
        let is_free = |hz: &f64| taken.iter().all(|taken| (hz / taken).log2().abs() > 0.4);
        let frequency_hz = places.into_iter().find(is_free).unwrap_or(places[0]);
        self.shelves.push(TargetShelf { kind, frequency_hz, gain_db: 0.0, q: PLAIN_Q });
        Some(self.shelves.len() - 1)
    }

    /// Takes a shelf or a point away.
    pub fn remove(&mut self, handle: TargetHandle) {
        match handle {
            TargetHandle::Shelf(index) if index < self.shelves.len() => _ = self.shelves.remove(index),
            TargetHandle::Point(index) if index < self.points.len() => _ = self.points.remove(index),
            TargetHandle::Shelf(_) | TargetHandle::Point(_) => {}
        }
    }

    /// The same curve with so few points that each can be a handle, and no level above what a point
    /// can have; nothing when it is so already. Says by how much it differs at its points at most,
    /// apart from the overall level, which is free.
    ///
    /// Points are taken where the lines between those taken are farthest off, until none is off by
    /// more than 0.1 dB or 24 are taken.
    #[must_use]
    pub fn with_few_points(&self) -> Option<(Self, f64)> {
        let too_loud = self.points.iter().any(|point| point.db > POINT_DB.1);
        if self.points.len() <= MOST_POINTS && !too_loud {
            return None;
        }
        let lower_db = if too_loud { self.points_at(Self::TILT_PIVOT_HZ) } else { 0.0 };
        let audible = AUDIBLE_HZ.0..=AUDIBLE_HZ.1;
        let inside = self.points.iter().map(|point| point.frequency_hz).filter(|hz| audible.contains(hz));
        let mut hz: Vec<f64> = std::iter::once(AUDIBLE_HZ.0).chain(inside).chain([AUDIBLE_HZ.1]).collect();
        hz.dedup();
        let db: Vec<f64> = hz.iter().map(|&hz| self.points_at(hz) - lower_db).collect();
        let mut taken = vec![0, hz.len() - 1];
        loop {
            let (few_hz, few_db): (Vec<f64>, Vec<f64>) = taken.iter().map(|&i| (hz[i], db[i])).unzip();
            let off = |i: usize| (db[i] - log_axis::interpolate_held(&few_hz, &few_db, hz[i])).abs();
            let is_apart = |i: &usize| few_hz.iter().all(|few| (hz[*i] / few).ln().abs() > APART.ln());
            let farthest = (0..hz.len()).filter(is_apart).map(|i| (i, off(i)));
            match farthest.max_by(|one, other| one.1.total_cmp(&other.1)) {
                Some((index, off_db)) if off_db > SAME_DB && taken.len() < MOST_POINTS => {
                    taken.insert(taken.partition_point(|&i| i < index), index);
                }
                _ => {
                    let off_db = (0..hz.len()).map(off).fold(0.0, f64::max);
                    let points = few_hz.into_iter().zip(few_db).map(TargetPoint::from).collect();
                    return Some((Self { points, ..self.clone() }, off_db));
                }
            }
        }
    }

    /// The frequency of a handle, and the gain or level that is its own.
    fn own(&self, handle: TargetHandle) -> Option<(f64, f64)> {
        match handle {
            TargetHandle::Shelf(index) => {
                self.shelves.get(index).map(|shelf| (shelf.frequency_hz, shelf.gain_db))
            }
            TargetHandle::Point(index) => self.points.get(index).map(|point| (point.frequency_hz, point.db)),
        }
    }

    fn set(&mut self, handle: TargetHandle, frequency_hz: f64, db: f64) {
        match handle {
            TargetHandle::Shelf(index) => {
                if let Some(shelf) = self.shelves.get_mut(index) {
                    (shelf.frequency_hz, shelf.gain_db) = (frequency_hz, db);
                }
            }
            TargetHandle::Point(index) => {
                if let Some(point) = self.points.get_mut(index) {
                    *point = TargetPoint { frequency_hz, db };
                }
            }
        }
    }

    /// The frequencies that a handle at `own_hz` can have: a point stays between its neighbours.
    fn room(&self, handle: TargetHandle, own_hz: f64) -> Grid {
        let TargetHandle::Point(index) = handle else { return frequencies().and(own_hz) };
        let neighbour = |index: Option<usize>| Some(self.points.get(index?)?.frequency_hz);
        let low = neighbour(index.checked_sub(1)).map_or(0.0, |hz| hz * APART);
        let high = neighbour(index.checked_add(1)).map_or(f64::INFINITY, |hz| hz / APART);
        let room = frequencies().within(low, high);
        room.map_or_else(|| Grid::even(own_hz, own_hz, 1.0), |room| room.and(own_hz))
    }
}

/// How much of its own number is seen where a handle lies: a shelf has half its gain at its corner.
fn share(handle: TargetHandle) -> f64 {
    match handle {
        TargetHandle::Shelf(_) => 0.5,
        TargetHandle::Point(_) => 1.0,
    }
}

fn frequencies() -> Grid {
    let tenfolds = [10.0, 100.0, 1_000.0, 10_000.0];
    // Rounded to tenths, so that 1.15 times ten is 11.5.
    let all = tenfolds.iter().flat_map(|ten| PREFERRED.map(|number| (number * ten * 10.0).round() / 10.0));
    let heard = all.filter(|hz| (AUDIBLE_HZ.0..=AUDIBLE_HZ.1).contains(hz)).collect();
    Grid::from_values(heard).unwrap_or_else(|| Grid::even(AUDIBLE_HZ.0, AUDIBLE_HZ.1, 1.0))
}

/// The levels that a handle at `own_db` can have.
fn levels(handle: TargetHandle, own_db: f64) -> Grid {
    let (from, to) = match handle {
        TargetHandle::Shelf(_) => (-MOST_SHELF_DB, MOST_SHELF_DB),
        TargetHandle::Point(_) => POINT_DB,
    };
    Grid::even(from, to, STEP_DB).and(own_db)
}

/// Steps of 0.05, with the one that does not overshoot among them instead of its neighbour.
fn shelf_qs() -> Grid {
    let even = Grid::even(SHELF_Q.0, SHELF_Q.1, 0.05);
    let values = even.values().iter().map(|&q| if (q - PLAIN_Q).abs() < 0.01 { PLAIN_Q } else { q });
    Grid::from_values(values.collect()).unwrap_or(even)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use testkit::near;

    use super::TargetHandle::{Point, Shelf};
    use super::*;

    /// Half of the widest step, in octaves: from 2.8 to 2.9.
    const HALF_STEP: f64 = 0.0254;

    /// Source: preferred numbers are rounded values of a geometric series (ISO 3:1973); those of R80
    /// lie within 1.3 % of it, as rounding to two and a half digits leaves them.
    #[test]
    fn preferred_numbers_lie_beside_their_series() {
        for (k, number) in PREFERRED.into_iter().enumerate() {
            near("series", number / 10f64.powf(k as f64 / 80.0), 1.0, 0.013);
        }
        let grid = frequencies();
        assert_eq!((grid.min(), grid.max(), grid.values().len()), (20.0, 20_000.0, 241));
        let steps = grid.values().windows(2).map(|two| two[1] / two[0]);
        assert!(steps.fold(f64::INFINITY, f64::min) > APART);
    }

    fn points(points: &[(f64, f64)]) -> Target {
        Target { points: points.iter().copied().map(TargetPoint::from).collect(), ..Target::flat() }
    }

    fn ascends(target: &Target) -> bool {
        target.points.windows(2).all(|two| two[0].frequency_hz < two[1].frequency_hz)
    }

    /// Source: analytic: with a tilt, a shelf and a point over each other, the level of the whole
    /// where the hand lets go is the level of the hand, to half a step of what is moved.
    #[test]
    fn the_curve_goes_through_the_place_where_a_handle_is_let_go() {
        let mut target = Target::preset("car-medium").unwrap();
        target.set_tilt(-0.5);
        target.points = points(&[(50.0, 2.0), (500.0, 1.0), (5_000.0, -3.0)]).points;
        for (handle, hz, db) in [(Shelf(0), 200.0, 3.0), (Point(1), 300.0, -2.2), (Shelf(1), 9_000.0, -6.3)] {
            target.drag(handle, hz, db);
            let place = target.place(handle).unwrap();
            near("frequency in octaves", (place.frequency_hz / hz).log2(), 0.0, HALF_STEP);
            near("level", place.db, db, 0.5 * STEP_DB + 1e-9);
            near("on the curve", target.db_at(place.frequency_hz), place.db, 1e-9);
        }
    }

    #[test]
    fn handles_stop_at_their_limits_and_points_at_their_neighbours() {
        let mut target = points(&[(100.0, 0.0), (200.0, 0.0), (400.0, 0.0)]);
        for (hz, db) in [(1.0, -500.0), (90_000.0, 500.0)] {
            target.drag(Point(1), hz, db);
            assert!(ascends(&target), "{:?}", target.points);
            assert!((POINT_DB.0..=POINT_DB.1).contains(&target.points[1].db));
        }
        target.step_frequency(Point(1), 1_000);
        target.step_frequency(Point(2), -1_000);
        assert!(ascends(&target), "{:?}", target.points);
        target.drag(Point(2), f64::INFINITY, 0.0);
        near("the upper end", target.points[2].frequency_hz, 20_000.0, 0.0);
        // Nothing lies between these two, so they stay.
        let mut tight = points(&[(100.0, 0.0), (101.0, 0.0), (102.0, 0.0)]);
        tight.drag(Point(1), 150.0, 1.0);
        assert_eq!(tight, points(&[(100.0, 0.0), (101.0, 1.0), (102.0, 0.0)]));
    }

    #[test]
    fn steps_go_along_what_is_written() {
        let mut target = Target::preset("car-medium").unwrap();
        target.step_level(Shelf(0), 4);
        target.step_q(Shelf(0), 1);
        target.step_q(Shelf(1), -1);
        target.step_frequency(Shelf(1), 24);
        let [low, high] = &target.shelves[..] else { panic!("two shelves") };
        near("gain", low.gain_db, 7.0, 1e-9);
        assert_eq!((low.q, high.q), (0.75, 0.65));
        near("an octave up", high.frequency_hz, 5_000.0, 0.0);
        target.step_q(Shelf(0), -1);
        assert_eq!(target.shelves[0].q, PLAIN_Q);
        target.set_tilt(-0.44);
        target.set_tolerance(99.0);
        assert_eq!((target.tilt_db_per_octave, target.tolerance_db), (-0.4, 12.0));
    }

    #[test]
    fn what_is_added_changes_nothing_until_it_is_moved() {
        let mut target = Target::preset("car-medium").unwrap();
        let before: Vec<f64> = [30.0, 300.0, 3_000.0].map(|hz| target.db_at(hz)).to_vec();
        assert_eq!(target.add_point(None), Some(1), "with an end at either side");
        assert_eq!(target.add_point(Some(1)), Some(2));
        assert_eq!(target.add_shelf(BandKind::LowShelf), Some(2));
        assert_eq!(target.shelves[2].frequency_hz, 200.0, "not upon the one at 105 Hz");
        for (hz, db) in [30.0, 300.0, 3_000.0].into_iter().zip(before) {
            near("level", target.db_at(hz), db, 1e-9);
        }
        while target.add_point(Some(3)).is_some() || target.add_shelf(BandKind::HighShelf).is_some() {
            assert!(ascends(&target), "{:?}", target.points);
        }
        assert_eq!((target.points.len(), target.shelves.len()), (MOST_POINTS, MOST_SHELVES));
        for _ in 0..MOST_POINTS {
            target.remove(Point(0));
        }
        target.remove(Shelf(99));
        assert_eq!(target.handles().count(), MOST_SHELVES);
    }

    /// A hundred points of a smooth curve, at the level of a measurement.
    #[test]
    fn a_curve_of_many_points_becomes_one_of_few() {
        let shape = Target::preset("car-medium").unwrap();
        let many = log_axis::grid(10.0, 24_000.0, 12.0).into_iter().map(|hz| (hz, 75.0 + shape.db_at(hz)));
        let many = points(&many.collect::<Vec<_>>());
        let (few, off_db) = many.with_few_points().unwrap();
        assert!(few.points.len() <= MOST_POINTS && off_db <= SAME_DB, "{} {off_db}", few.points.len());
        for hz in [25.0, 80.0, 130.0, 900.0, 2_500.0, 15_000.0] {
            let wanted = shape.db_at(hz) - shape.db_at(1_000.0);
            // The points are off by 0.1 dB at most, and the lines between the many by less than that.
            near("level", few.db_at(hz), wanted, 2.0 * SAME_DB);
        }
        assert!(ascends(&few) && few.with_few_points().is_none());
        assert!(shape.with_few_points().is_none());
    }

    proptest! {
        #[test]
        fn no_edit_makes_a_target_that_cannot_be_read_again(
            edits in prop::collection::vec((0usize..9, 0usize..4, -2e4f64..4e4, -90f64..90.0), 1..30)
        ) {
            let mut target = Target::preset("car-gentle").unwrap();
            for (what, index, hz, db) in edits {
                let handle = if what % 2 == 0 { Point(index) } else { Shelf(index) };
                #[expect(clippy::cast_possible_truncation, reason = "a number of steps")]
                let by = db as isize;
                match what {
                    0 | 1 => target.drag(handle, hz, db),
                    2 | 3 => target.step_frequency(handle, by),
                    4 => target.step_level(handle, by),
                    5 => target.step_q(handle, by),
                    6 => _ = target.add_point(Some(index)),
                    7 => _ = target.add_shelf(BandKind::HighShelf),
                    _ => target.remove(handle),
                }
            }
            prop_assert_eq!(&Target::parse(&target.to_toml(), "again").unwrap(), &target);
            for handle in target.handles() {
                let place = target.place(handle).unwrap();
                prop_assert!(place.least.0 <= place.frequency_hz && place.frequency_hz <= place.greatest.0);
                prop_assert!(place.least.1 <= place.db && place.db <= place.greatest.1);
            }
        }
    }
}
