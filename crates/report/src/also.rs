//! What was measured beside the usual: one line for each reading that has no
//! place of its own on the page.

use job::{Capture, Job};

use crate::numbers::plain;

/// These have their own places: the volume mark, the drivers, the picture.
const ELSEWHERE: [&str; 3] = ["headroom", "spectrum", "sweep"];

/// The most values that a line gives.
const SHOWN: usize = 8;

/// The newest reading of each such measurement, under each label.
pub(crate) fn lines(job: &Job) -> Vec<String> {
    let captures = job.captures();
    let measured = captures.iter().enumerate().filter(|(index, capture)| {
        let same = |later: &Capture| {
            later.meta.measurement == capture.meta.measurement && later.meta.label == capture.meta.label
        };
        !ELSEWHERE.contains(&capture.meta.measurement.as_str()) && !captures[index + 1..].iter().any(same)
    });
    let spoken = |name: &str| name.replace('_', " ");
    measured
        .filter_map(|(_, capture)| {
            let reading = job.reading(capture.id).ok()??;
            if reading.stopped().is_some() {
                return None;
            }
            let labels = reading.labels.iter().map(|(name, word)| format!("{} {word}", spoken(name)));
            let values = reading.values.iter();
            let values = values.map(|(name, value)| format!("{} {}", spoken(name), plain(*value, 3)));
            let found: Vec<String> = labels.chain(values).take(SHOWN).collect();
            let meta = &capture.meta;
            let label = if meta.label.is_empty() { &meta.measurement } else { &meta.label };
            (!found.is_empty()).then(|| format!("{label}: {}", found.join(", ")))
        })
        .collect()
}
