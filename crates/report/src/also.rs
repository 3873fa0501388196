//! What was measured beside the usual: rattles, and one line for each reading that has no place
//! of its own on a paper.

use job::{Capture, Job};
use measure::{Cell, Reading};
use units::quantity::{sentence, spoken};

/// These have their own places: the volume mark, the noise, the rattles, the drivers, the picture.
const ELSEWHERE: [&str; 5] = ["headroom", "noise", "rattle", "spectrum", "sweep"];

/// The most values that a line gives.
const SHOWN: usize = 8;

/// The most spots at which something buzzes that are named.
const SPOTS: usize = 3;

/// What a search for rattles found.
#[derive(Debug, Clone, PartialEq)]
pub struct Rattle {
    /// What was searched.
    pub name: String,
    /// Where something buzzes, the worst first.
    pub spots_hz: Vec<f64>,
}

/// The newest reading of each measurement under each label.
fn newest(job: &Job) -> impl Iterator<Item = (&Capture, Reading)> {
    let captures = job.captures();
    let last = |(index, capture): &(usize, &Capture)| {
        let same = |later: &Capture| {
            later.meta.measurement == capture.meta.measurement && later.meta.label == capture.meta.label
        };
        !captures[index + 1..].iter().any(same)
    };
    captures.iter().enumerate().filter(last).filter_map(|(_, capture)| {
        let reading = job.reading(capture.id).ok()??;
        reading.stopped().is_none().then_some((capture, reading))
    })
}

fn name(capture: &Capture) -> String {
    let meta = &capture.meta;
    sentence(if meta.label.is_empty() { &meta.measurement } else { &meta.label })
}

/// The rattles.
pub(crate) fn rattles(job: &Job) -> Vec<Rattle> {
    newest(job)
        .filter(|(capture, _)| capture.meta.measurement == "rattle")
        .filter_map(|(capture, reading)| {
            let table = reading.tables.get("spots")?;
            let column = table.columns.iter().position(|column| column == "frequency_hz")?;
            let spots = table.rows.iter().filter_map(|row| match row.get(column) {
                Some(Cell::Number(hz)) => Some(*hz),
                _ => None,
            });
            Some(Rattle { name: name(capture), spots_hz: spots.take(SPOTS).collect() })
        })
        .collect()
}

/// The other readings, a third party's among them.
pub(crate) fn lines(job: &Job) -> Vec<String> {
    newest(job)
        .filter(|(capture, _)| !ELSEWHERE.contains(&capture.meta.measurement.as_str()))
        .filter_map(|(capture, reading)| {
            let labels =
                reading.labels.iter().map(|(name, word)| format!("{} {word}", name.replace('_', " ")));
            let values = reading.values.iter().map(|(name, value)| {
                let said = spoken(name, *value);
                let label =
                    if keeps_its_capitals(&said.label) { said.label } else { said.label.to_lowercase() };
                format!("{label} {}", said.value).trim_start().to_owned()
            });
            let found: Vec<String> = labels.chain(values).take(SHOWN).collect();
            (!found.is_empty()).then(|| format!("{}: {}", name(capture), found.join(", ")))
        })
        .collect()
}

/// Whether a label begins with an abbreviation, such as `THD` or `RMS level`.
fn keeps_its_capitals(label: &str) -> bool {
    label.chars().nth(1).is_some_and(char::is_uppercase) || label.contains("-weighted")
}
