//! What one driver says of itself: the range that it plays.

use crate::{Response, log_axis};

/// Below the level at which it plays by so much, a driver has stopped playing (common
/// practice, no source).
const STOPS_DB: f64 = 10.0;
/// What lies so far below the loudest octave is no part of the level at which a driver plays: the
/// slopes of its own limits and the noise of the measurement (our choice, no source).
const PLAYS_DB: f64 = 18.0;
/// Below this a closed cabin lifts what its speakers do by 12 dB per octave: smaller than half a
/// wavelength (`c/2L` of some 2.1 m), it is a pressure chamber, in which the pressure follows the
/// cone's excursion and not its acceleration. The slope is analytic, the corner common practice.
const CABIN_HZ: f64 = 80.0;
const CABIN_DB_PER_OCTAVE: f64 = 12.0;
/// A gap that is narrower does not end a range (our choice, no source).
const GAP_OCTAVES: f64 = 0.5;
const POINTS_PER_OCTAVE: f64 = 24.0;

/// Where a driver plays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Usable {
    /// From where it plays by itself: the lift of a closed cabin must not send the bass to a
    /// driver that has none.
    pub(super) from_hz: f64,
    /// From where it is heard, that lift included.
    pub(super) lifted_from_hz: f64,
    /// Up to where.
    pub(super) to_hz: f64,
}

/// The range in which a driver stays within 10 dB of its level.
///
/// The level is what three quarters, in octaves, of all that lies within 10 dB of it or above stay
/// below: neither a resonance nor a noise floor shifts it, and slopes shift it little. It is judged over thirds of an octave without the lift that a closed
/// cabin gives to the bass. The range ends where the driver falls for good: a gap narrower than
/// half an octave, with as much beyond it as it is wide, does not end it. Of several stretches the
/// longest is taken.
///
/// References: common practice, no source.
/// Accuracy: `a_range_ends_where_the_driver_does`.
pub(super) fn usable_range(response: &Response) -> Usable {
    let grid = log_axis::grid(response.range_hz().0, response.range_hz().1, POINTS_PER_OCTAVE);
    let heard: Vec<f64> = grid.iter().filter_map(|&hz| response.db_at(hz)).collect();
    let grid = &grid[..heard.len()];
    let lift = |hz: f64| CABIN_DB_PER_OCTAVE * (CABIN_HZ / hz).log2().max(0.0);
    let own: Vec<f64> = heard.iter().zip(grid).map(|(db, &hz)| db - lift(hz)).collect();
    let smooth = |fraction: u32, values: &[f64]| log_axis::smooth_power_db(grid, values, fraction);
    let (heard, octaves, own) = (smooth(3, &heard), smooth(1, &own), smooth(3, &own));
    let mut floor = octaves.iter().copied().fold(f64::NEG_INFINITY, f64::max) - PLAYS_DB;
    // The floor settles after a few rounds; where it swings between two values, both will do.
    for _ in 0..20 {
        let mut playing: Vec<f64> = own.iter().copied().filter(|&db| db >= floor).collect();
        playing.sort_by(f64::total_cmp);
        let Some(level) = playing.get(playing.len() * 3 / 4) else { break };
        floor = level - STOPS_DB;
    }
    let (first, last) = longest_stretch(&own, floor);
    let down = heard[..first].iter().rev().take_while(|&&db| db >= floor).count();
    Usable { from_hz: grid[first], lifted_from_hz: grid[first - down], to_hz: grid[last] }
}

/// The first and the last point of the longest stretch above a floor, narrow gaps bridged.
fn longest_stretch(db: &[f64], floor: f64) -> (usize, usize) {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small positive constant")]
    let widest_gap = (GAP_OCTAVES * POINTS_PER_OCTAVE) as usize;
    let mut stretches: Vec<(usize, usize)> = Vec::new();
    let mut from = 0;
    for run in db.chunk_by(|a, b| (*a >= floor) == (*b >= floor)) {
        if run[0] >= floor {
            stretches.push((from, from + run.len() - 1));
        }
        from += run.len();
    }
    let mut whole: Vec<(usize, usize)> = Vec::new();
    for (first, last) in stretches {
        match whole.last_mut() {
            Some(before) if bridged(*before, (first, last), widest_gap) => before.1 = last,
            _ => whole.push((first, last)),
        }
    }
    whole.into_iter().max_by_key(|(first, last)| last - first).unwrap_or((0, db.len().saturating_sub(1)))
}

fn bridged(before: (usize, usize), after: (usize, usize), widest_gap: usize) -> bool {
    let gap = after.0 - before.1 - 1;
    gap <= widest_gap && gap <= (before.1 - before.0).min(after.1 - after.0) + 1
}
