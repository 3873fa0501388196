//! The ends of the range where a driver does not play: nothing is to be filled there.

use super::problem::Deviation;
use super::{LeftAlone, LeftAloneReason};
use crate::average::median;
use crate::log_axis;

/// Below the median by the allowed boost plus this, an end has rolled off: even
/// the full boost would leave it audibly short (our choice, no published source).
const BEYOND_BOOST_DB: f64 = 6.0;

/// Takes the weight from both ends up to where the response, smoothed to a third
/// octave, comes within reach of the target.
pub(super) fn leave_ends(deviation: &Deviation, max_boost_db: f64, weight: &mut [f64]) -> Vec<LeftAlone> {
    let smooth = log_axis::smooth_power_db(&deviation.frequency_hz, &deviation.mean_db, 3);
    let floor = median(smooth.clone()) - max_boost_db - BEYOND_BOOST_DB;
    let count = smooth.len();
    let low = smooth.iter().take_while(|&&d| d < floor).count();
    let high = smooth.iter().rev().take_while(|&&d| d < floor).count();
    let mut left_alone = Vec::new();
    if low + high >= count {
        return left_alone;
    }
    let mut leave = |from: usize, to: usize, edge: usize, side: &str| {
        weight[from..to].fill(0.0);
        let frequency_hz = deviation.frequency_hz[edge];
        left_alone.push(LeftAlone {
            frequency_hz,
            why: LeftAloneReason::RollOff,
            text: format!(
                "{side} {frequency_hz:.0} Hz the response has fallen further than the allowed boost could lift it; \
                 that is the end of the drivers' range, and it was left alone."
            ),
        });
    };
    if low > 0 {
        leave(0, low, low, "Below");
    }
    if high > 0 {
        leave(count - high, count, count - high - 1, "Above");
    }
    left_alone
}
