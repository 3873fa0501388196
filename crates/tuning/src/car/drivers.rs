//! What one driver says of itself: its side, the range that it plays, when it arrives.

use crate::{CarDriver, log_axis};

/// Below the loud part of its range by so much, a driver has stopped playing (common
/// practice, no source).
const STOPS_DB: f64 = 10.0;

/// Which side a driver plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    /// The left one.
    Left,
    /// The right one.
    Right,
    /// Both.
    Both,
}

pub(super) fn side(name: &str) -> Side {
    let name = name.to_lowercase();
    match (name.contains("left"), name.contains("right")) {
        (true, false) => Side::Left,
        (false, true) => Side::Right,
        _ => Side::Both,
    }
}

/// The range about its loudest third of an octave in which a driver stays within 10 dB
/// of the level that it reaches over the louder half.
pub(super) fn usable_range(driver: &CarDriver) -> (f64, f64) {
    let response = &driver.response;
    let grid = log_axis::grid(response.range_hz().0, response.range_hz().1, 24.0);
    let level: Vec<f64> = grid.iter().filter_map(|&hz| response.db_at(hz)).collect();
    let smooth = log_axis::smooth_power_db(&grid[..level.len()], &level, 3);
    let mut ascending = smooth.clone();
    ascending.sort_by(f64::total_cmp);
    let loudest = ascending.len() - 1;
    // One resonance is not the level.
    let floor = ascending[loudest - loudest / 8] - STOPS_DB;
    let top = (0..smooth.len()).max_by(|&a, &b| smooth[a].total_cmp(&smooth[b])).unwrap_or(0);
    let from = top - smooth[..top].iter().rev().take_while(|&&db| db >= floor).count();
    let to = top + smooth[top + 1..].iter().take_while(|&&db| db >= floor).count();
    (grid[from], grid[to])
}

/// Above this, the phase of a sound that arrives after 10 ms turns by more than half a
/// circle between points of 1/96 octave.
const HIGHEST_HZ: f64 = 6_000.0;

/// When the sound arrives by the slope of its phase over the upper octave of its range:
/// `−dφ/dω`, least squares. A driver's own filters add their delay to it.
pub(super) fn arrival_by_phase_s(driver: &CarDriver, (from_hz, to_hz): (f64, f64)) -> f64 {
    let to_hz = to_hz.min(HIGHEST_HZ.max(1.5 * from_hz));
    let low_hz = from_hz.max(to_hz / 2.0);
    let response = &driver.response;
    let inside: Vec<f64> =
        response.frequency_hz.iter().copied().filter(|hz| (low_hz..=to_hz).contains(hz)).collect();
    let mut turned = 0.0;
    let mut last: Option<f64> = None;
    let points: Vec<(f64, f64)> = inside
        .iter()
        .filter_map(|&hz| {
            let phase = response.phase_at(hz)?;
            turned += last.map_or(0.0, |last| {
                let turn: f64 = phase - last;
                turn - 360.0 * (turn / 360.0).round()
            });
            last = Some(phase);
            Some((hz, turned))
        })
        .collect();
    #[expect(clippy::cast_precision_loss, reason = "a count of points")]
    let count = points.len().max(1) as f64;
    let mean_hz = points.iter().map(|point| point.0).sum::<f64>() / count;
    let mean_deg = points.iter().map(|point| point.1).sum::<f64>() / count;
    let (mut pull, mut power) = (0.0, 1e-9);
    for (hz, deg) in points {
        pull += (hz - mean_hz) * (deg - mean_deg);
        power += (hz - mean_hz) * (hz - mean_hz);
    }
    -pull / power / 360.0
}
