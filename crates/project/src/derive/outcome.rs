//! What was measured of a set, and how far it lies from the target.

use job::{CaptureId, Outcome, Set};
use tuning::{Response, Target};

use super::{SIDES, average};
use crate::Project;

/// 1/N octave: how finely a response is looked at when it is fitted and judged.
pub const SMOOTHING: u32 = 12;

/// The points an octave on which a target is compared.
const POINTS: f64 = 48.0;

/// The channels of which a set holds responses of what sounds together: an empty name for the whole
/// car, else the sides, where there is something of each.
#[must_use]
pub fn measured_channels(project: &Project, set: &Set) -> Vec<&'static str> {
    let is_there = |channel: &str| together(project, set, channel).next().is_some();
    match SIDES.iter().all(|side| is_there(side)) {
        true => SIDES.to_vec(),
        false if is_there("") => vec![""],
        false => SIDES.into_iter().filter(|side| is_there(side)).collect(),
    }
}

/// The captures of a set in which a channel, and no driver alone, was heard, with their responses.
pub fn together<'a>(
    project: &'a Project,
    set: &'a Set,
    channel: &'a str,
) -> impl Iterator<Item = (CaptureId, &'a str, &'a Response)> {
    project
        .responses(set, channel)
        .map(|(capture, response)| (capture.id, capture.meta.position.as_str(), response.as_ref()))
}

/// How far before and after lie from the target, each at the level where it fits best; of several channels
/// that which is farther counts. Nothing when there is no *before*.
#[must_use]
pub fn outcome(project: &Project, target: &Target, range_hz: (f64, f64)) -> Option<Outcome> {
    let channels = measured_channels(project, &Set::Before);
    let of = |set: &Set| {
        let far = channels.iter().map(|channel| {
            let response = average(project, set, channel, SMOOTHING)?;
            deviation(&response, target, range_hz)
        });
        let all: Vec<(f64, f64)> = far.collect::<Option<_>>()?;
        all.into_iter().reduce(|one, other| (one.0.max(other.0), one.1.max(other.1)))
    };
    let before = of(&Set::Before)?;
    let after = of(&Set::After);
    Some(Outcome {
        before_rms_db: before.0,
        after_rms_db: after.map(|after| after.0),
        before_max_db: before.1,
        after_max_db: after.map(|after| after.1),
        from_hz: range_hz.0,
        to_hz: range_hz.1,
    })
}

/// Root mean square and greatest deviation of a response from a target at the same level.
fn deviation(response: &Response, target: &Target, (from_hz, to_hz): (f64, f64)) -> Option<(f64, f64)> {
    let goal = target.response(from_hz, to_hz, POINTS);
    let level_db = tuning::compare(&goal, response, from_hz, to_hz, 0).ok()?.level_db;
    let left = tuning::compare(&goal, &response.raised(-level_db), from_hz, to_hz, 0).ok()?;
    Some((left.rms_db, left.max_db))
}
