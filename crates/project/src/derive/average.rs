//! Averages over the positions of a set.

use job::Set;
use tuning::Response;

use crate::Project;

/// The two sides of a car, which may be measured and tuned by themselves.
pub const SIDES: [&str; 2] = ["left", "right"];

/// The power average of a set, of one processor channel (empty for the whole car), each
/// capture over 1/N octave (0 for as measured). Nothing where nothing was measured.
#[must_use]
pub fn average(project: &Project, set: &Set, channel: &str, fraction: u32) -> Option<Response> {
    let smoothed: Vec<Response> =
        project.responses(set, channel).map(|(_, response)| response.smoothed(fraction)).collect();
    tuning::average(&smoothed).ok()
}

/// The response of the whole car, or of its sides together where they were measured by
/// themselves.
#[must_use]
pub fn whole_car(of: impl Fn(&str) -> Option<Response>) -> Option<Response> {
    of("").or_else(|| tuning::average(&SIDES.into_iter().filter_map(of).collect::<Vec<_>>()).ok())
}
