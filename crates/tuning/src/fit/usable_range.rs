//! Where a car plays at all, and is meant to: the level that counts as its own, the stretches
//! that lie so far below it that no boost allowed could mend them, and the ends beyond which
//! the target asks for nothing.

use super::deviation::{Deviation, POINTS_PER_OCTAVE};
use super::{LeftAlone, LeftAloneReason};
use crate::average::median;
use crate::{Target, log_axis};

/// Below its level by the boost allowed plus this, a stretch is out of reach: even
/// the full boost would leave it audibly short (our choice, no published source).
pub(super) const BEYOND_BOOST_DB: f64 = 6.0;
/// What lies so far below the loudest tenth of the range is not playing; it has no
/// say in what the level is (our choice, no published source).
const PLAYING_SPAN_DB: f64 = 30.0;
/// A stretch of less than this is a notch, not a hole.
const NARROWEST_HOLE_OCTAVES: f64 = 0.25;

/// What a target asks for at its ends so far below its highest level is not meant to play
/// (our choice, no published source): one octave beyond a crossover of fourth order.
const NOT_ASKED_FOR_DB: f64 = 24.0;

/// The part of a range over which a target asks for anything: without what lies beyond the
/// crossovers of one driver, where neither the driver nor the measurement follows it.
pub(super) fn asked_for(target: &Target, from_hz: f64, to_hz: f64) -> (f64, f64) {
    let hz = log_axis::grid(from_hz, to_hz, POINTS_PER_OCTAVE);
    let db: Vec<f64> = hz.iter().map(|&f| target.db_at(f)).collect();
    let least = db.iter().copied().fold(f64::NEG_INFINITY, f64::max) - NOT_ASKED_FOR_DB;
    let first = db.iter().position(|&level| level >= least);
    let last = db.iter().rposition(|&level| level >= least);
    match first.zip(last) {
        Some((first, last)) => (
            if first == 0 { from_hz } else { hz[first] },
            if last + 1 == hz.len() { to_hz } else { hz[last] },
        ),
        None => (from_hz, to_hz),
    }
}

/// How the car's own level lies against the target, and what is out of reach of it.
pub(super) struct Reach {
    /// The median of what plays.
    pub(super) level_db: f64,
    /// The stretches out of reach, as first and last point.
    pub(super) stretches: Vec<(usize, usize)>,
    /// The same with the slopes that lead to them: boost helps there, but all that is
    /// allowed.
    pub(super) slopes: Vec<(usize, usize)>,
}

impl Reach {
    /// Finds the level and the stretches in a deviation whose narrow dips were
    /// bridged, smoothed to a third of an octave.
    ///
    /// The median of what plays is taken again without what it puts out of reach,
    /// so that a wide hole does not draw the level down to itself.
    pub(super) fn new(frequency_hz: &[f64], deviation_db: &[f64], max_boost_db: f64) -> Self {
        let smooth = log_axis::smooth_power_db(frequency_hz, deviation_db, 3);
        let mut ascending = smooth.clone();
        ascending.sort_by(f64::total_cmp);
        let loud = ascending[ascending.len() - 1 - ascending.len() / 10];
        let mut floor = loud - PLAYING_SPAN_DB;
        let mut level_db = loud;
        for _ in 0..8 {
            level_db = median(smooth.iter().copied().filter(|&db| db >= floor).collect());
            let next = floor.max(level_db - max_boost_db - BEYOND_BOOST_DB);
            if next <= floor {
                break;
            }
            floor = next;
        }
        let (stretches, slopes) = stretches(frequency_hz, &smooth, deviation_db, level_db - max_boost_db);
        Self { level_db, stretches, slopes }
    }
}

/// First and last points of stretches.
type Stretches = Vec<(usize, usize)>;

/// Runs of points below the edge, from which the full boost would not reach the level,
/// that hold points further below than that: what of them is out of reach, and all of them.
fn stretches(
    frequency_hz: &[f64],
    smooth: &[f64],
    deviation_db: &[f64],
    edge_db: f64,
) -> (Stretches, Stretches) {
    let deep = |i: usize| smooth[i] < edge_db - BEYOND_BOOST_DB;
    let final_point = smooth.len() - 1;
    let (mut found, mut slopes) = (Vec::new(), Vec::new());
    let mut at = 0;
    while at < smooth.len() {
        let length = smooth[at..].iter().take_while(|&&db| db < edge_db).count();
        let run = at..at + length;
        at += length.max(1);
        let core = run.clone().find(|&i| deep(i)).zip(run.clone().rev().find(|&i| deep(i)));
        let Some((from, to)) = core else { continue };
        // A run that goes on to an end of the range without staying deep is a hole and
        // beside it a slope, which boost helps. At a roll-off, too, the slope is worth having.
        let mut first = if run.start == 0 && !deep(0) || to == final_point { from } else { run.start };
        let mut last =
            if run.end > final_point && !deep(final_point) || from == 0 { to } else { run.end - 1 };
        // Smoothing has drawn what is beside a steep edge over it.
        first -= deviation_db[..first].iter().rev().take_while(|&&db| db < edge_db - BEYOND_BOOST_DB).count();
        last += deviation_db[last + 1..].iter().take_while(|&&db| db < edge_db - BEYOND_BOOST_DB).count();
        let octaves = (frequency_hz[to] / frequency_hz[from]).log2();
        if first == 0 || last == final_point || octaves >= NARROWEST_HOLE_OCTAVES {
            found.push((first, last));
            slopes.push((first.min(run.start), last.max(run.end - 1)));
        }
    }
    (found, slopes)
}

/// What is said about a stretch.
pub(super) fn left_alone(deviation: &Deviation, first: usize, last: usize, level_db: f64) -> LeftAlone {
    let hz = &deviation.frequency_hz;
    let end = |frequency_hz: f64, side: &str| LeftAlone {
        frequency_hz,
        why: LeftAloneReason::RollOff,
        text: format!(
            "{side} {frequency_hz:.0} Hz the response has fallen further than the allowed boost could lift it; \
             that is the end of the drivers' range, and it was left alone."
        ),
    };
    if first == 0 {
        return end(hz[last], "Below");
    }
    if last + 1 == hz.len() {
        return end(hz[first], "Above");
    }
    let stretch = &deviation.mean_db[first..=last];
    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    let below_db = level_db - stretch.iter().sum::<f64>() / stretch.len() as f64;
    LeftAlone {
        frequency_hz: (hz[first] * hz[last]).sqrt(),
        why: LeftAloneReason::OutOfReach,
        text: format!(
            "From {:.0} to {:.0} Hz the response lies {below_db:.0} dB below the rest, further than the allowed boost \
             could lift it, and it was left alone. Look for a driver that does not play, for its wiring, or for \
             crossovers that leave a gap.",
            hz[first], hz[last]
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::near;

    fn reach(shape: impl Fn(f64) -> f64) -> (Vec<f64>, Reach) {
        let hz = log_axis::grid(20.0, 20_000.0, 48.0);
        let db: Vec<f64> = hz.iter().map(|&f| shape(f)).collect();
        let reach = Reach::new(&hz, &db, 6.0);
        (hz, reach)
    }

    #[test]
    fn a_hole_does_not_draw_the_level_down() {
        for depth in [15.0, 25.0, 40.0] {
            let (hz, reach) = reach(|f| if (60.0..600.0).contains(&f) { -depth } else { 0.0 });
            near("level", reach.level_db, 0.0, 0.01);
            let [(first, last)] = reach.stretches[..] else { panic!("{:?}", reach.stretches) };
            near("from", hz[first], 60.0, 8.0);
            near("to", hz[last], 600.0, 80.0);
        }
    }

    /// The bass is further below an in-car target than one boost reaches, but it plays.
    #[test]
    fn a_hole_beside_weak_bass_is_not_the_end_of_the_range() {
        let (hz, reach) = reach(|f| match f {
            60.0..250.0 => -25.0,
            0.0..60.0 => -6.6,
            _ => 0.0,
        });
        let [(first, last)] = reach.stretches[..] else { panic!("{:?}", reach.stretches) };
        near("from", hz[first], 60.0, 2.0);
        near("to", hz[last], 250.0, 10.0);
    }

    #[test]
    fn a_subwoofer_is_at_its_own_level() {
        let (hz, reach) = reach(|f| -24.0 * (f / 100.0).log2().clamp(0.0, 3.0));
        near("level", reach.level_db, 0.0, 0.5);
        let [(first, last)] = reach.stretches[..] else { panic!("{:?}", reach.stretches) };
        assert_eq!(last, hz.len() - 1);
        near("from", hz[first], 141.0, 10.0);
    }

    #[test]
    fn strong_bass_is_no_reason_to_give_up_the_rest() {
        let (_, reach) = reach(|f| if f < 70.0 { 22.0 } else { 0.0 });
        near("level", reach.level_db, 0.0, 0.01);
        assert!(reach.stretches.is_empty());
    }
}
