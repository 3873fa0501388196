//! A capture's reading, made again from its recording.

use std::collections::BTreeSet;

use host::Run;
use job::{CaptureId, Job};
use library::{Error, Result};
use measure::{Curve, Reading};
use serde::Serialize;
use units::quantity::{Spoken, sentence, spoken};

use crate::capture_run::remark;
use crate::excerpt::start;
use crate::feed::feed_recording;
use crate::{Change, plugins, side_by_side};

/// A reading that was made again, against the one that the job holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recomputed {
    /// The capture's number.
    pub capture: u32,
    /// What it is called.
    pub label: String,
    /// What it was measured with.
    pub measurement: String,
    /// The version of the program that made the reading in the job; empty where that is not known.
    pub was_made_by: String,
    /// Whether nothing changed, to the bit.
    pub same: bool,
    /// What changed, a line each.
    pub changed: Vec<String>,
    /// The reading.
    #[serde(skip)]
    pub reading: Reading,
}

impl Recomputed {
    /// What the project notes of it; nothing where nothing changed.
    #[must_use]
    pub fn change(&self) -> Option<Change> {
        let id = CaptureId(self.capture);
        let program = crate::program_version::PROGRAM.to_owned();
        (!self.same).then(|| Change::Recomputed { id, reading: self.reading.clone(), program })
    }
}

/// Makes a capture's reading again from its recording, as it was measured: with its parameters, its calibration,
/// its stimulus. With the same program on the same machine it is the same, to the bit.
///
/// # Errors
/// When there is no such capture, its recording cannot be read, or what measured it is not known or not there.
pub(crate) fn recompute(job: &Job, id: CaptureId) -> Result<Recomputed> {
    let place = || format!("{}: capture {id}", job.dir().display());
    let capture = job
        .capture(id)
        .ok_or_else(|| Error::input(format!("{}: there is no capture {}", job.dir().display(), id.0)))?;
    let meta = &capture.meta;
    if meta.measurement.is_empty() {
        let text = "it is not known what it was measured with; analyze its recording with `headrest analyze`";
        return Err(Error::input(format!("{}: {text}", place())));
    }
    let registry = plugins::registry(&meta.measurement);
    let measurement = registry
        .measurement(&meta.measurement)
        .map_err(|unknown| Error::input(format!("{}: {}", place(), plugins::unknown(&registry, &unknown))))?;
    let mut audio = recording::Reader::open(job.audio_path(id))?;
    let mut reading = feed_recording(Run::start(measurement, &start(meta, &audio)), &mut audio)?;
    remark(&mut reading, &meta.findings);
    let before = job.reading(id)?;
    let changed = before
        .as_ref()
        .map_or_else(|| vec!["there was no reading".to_owned()], |before| differences(before, &reading));
    Ok(Recomputed {
        capture: id.0,
        label: meta.label.clone(),
        measurement: meta.measurement.clone(),
        was_made_by: meta.program.clone(),
        same: changed.is_empty() && before.as_ref() == Some(&reading),
        changed,
        reading,
    })
}

/// The same for many captures, several at a time; each is handed over with its number, in their order.
pub fn recompute_all(job: &Job, ids: &[CaptureId], mut each: impl FnMut(CaptureId, Result<Recomputed>)) {
    let take = |index: usize, again| -> std::result::Result<(), std::convert::Infallible> {
        each(ids[index], again);
        Ok(())
    };
    let Ok(()) = side_by_side::in_order(ids, |id| recompute(job, *id), take);
}

/// A value that became another one, so that the difference is seen.
fn became(name: &str, was: f64, is: f64) -> String {
    let (before, after) = (spoken(name, was), spoken(name, is));
    if before.value == after.value {
        return format!("{}: {}, changed by {:.1e}", after.label, after.value, is - was);
    }
    format!("{}: {} became {}", after.label, before.value, after.value)
}

fn words(name: &str) -> String {
    sentence(&name.replace('_', " "))
}

/// The greatest change of a curve at one of its points, of levels in decibels and where; or that its points are others.
fn curve_change(was: &Curve, is: &Curve) -> String {
    let axis = |curve: &Curve| ["frequency_hz", "time_s"].into_iter().find(|axis| curve.contains_key(*axis));
    let (Some(name), true) = (axis(is), axis(was) == axis(is)) else { return "changed".to_owned() };
    if was[name] != is[name] {
        return format!("other points, {} became {}", was[name].len(), is[name].len());
    }
    let columns =
        is.keys().filter(|column| *column != name && was.get(*column).is_some_and(|old| *old != is[*column]));
    let greatest = |column: &String| {
        let changes = was[column].iter().zip(&is[column]).map(|(was, is)| (is - was).abs());
        let (at, change) = changes.enumerate().max_by(|(_, a), (_, b)| a.total_cmp(b))?;
        let amount = spoken(column, change).value;
        let amount = if change < 0.05 { format!("{change:.1e}") } else { amount };
        Some(format!(
            "{} by {amount} at most, at {}",
            column.replace('_', " "),
            spoken(name, is[name][at]).value
        ))
    };
    let changes: Vec<String> = columns.filter_map(greatest).collect();
    if changes.is_empty() { "changed".to_owned() } else { changes.join("; ") }
}

/// What one reading says otherwise than another.
fn differences(before: &Reading, after: &Reading) -> Vec<String> {
    let mut lines = Vec::new();
    let names: BTreeSet<&String> = before.values.keys().chain(after.values.keys()).collect();
    for name in names {
        match (before.values.get(name), after.values.get(name)) {
            (Some(was), Some(is)) if was.to_bits() == is.to_bits() => {}
            (Some(was), Some(is)) => lines.push(became(name, *was, *is)),
            (Some(was), None) => {
                let Spoken { label, value } = spoken(name, *was);
                lines.push(format!("{label}: {value} is absent now"));
            }
            (None, Some(is)) => {
                let Spoken { label, value } = spoken(name, *is);
                lines.push(format!("{label}: {value} is new"));
            }
            (None, None) => {}
        }
    }
    let names: BTreeSet<&String> = before.labels.keys().chain(after.labels.keys()).collect();
    for name in names {
        let (was, is) = (before.labels.get(name), after.labels.get(name));
        if was != is {
            let word = |label: Option<&String>| label.map_or("nothing", String::as_str).to_owned();
            lines.push(format!("{}: {} became {}", words(name), word(was), word(is)));
        }
    }
    let names: BTreeSet<&String> = before.curves.keys().chain(after.curves.keys()).collect();
    for name in names {
        match (before.curves.get(name), after.curves.get(name)) {
            (Some(was), Some(is)) if was == is => {}
            (Some(was), Some(is)) => lines.push(format!("{} curve: {}", words(name), curve_change(was, is))),
            (Some(_), None) => lines.push(format!("{} curve: absent now", words(name))),
            (None, _) => lines.push(format!("{} curve: new", words(name))),
        }
    }
    if before.tables != after.tables {
        lines.push("tables: changed".to_owned());
    }
    if before.findings != after.findings {
        let lacks =
            |reading: &Reading, code: &str| reading.findings.iter().all(|finding| finding.code != code);
        let gone = before.findings.iter().filter(|finding| lacks(after, &finding.code));
        let new = after.findings.iter().filter(|finding| lacks(before, &finding.code));
        let changes: Vec<String> = gone
            .map(|finding| format!("`{}` is gone", finding.code))
            .chain(new.map(|finding| format!("`{}` is new", finding.code)))
            .collect();
        let changes = if changes.is_empty() { "in other words".to_owned() } else { changes.join(", ") };
        lines.push(format!("findings: {changes}"));
    }
    if before.version != after.version {
        lines.push(format!("version {} of the measurement became {}", before.version, after.version));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Trial;
    use crate::{MeasureOrder, OpenJob, Store, measure};

    /// Live and from the recording: the same to the bit, for measurements of every kind; and a reading
    /// that says otherwise is noticed and made right.
    #[test]
    fn a_reading_is_made_again_to_the_bit() {
        let folder = tempfile::tempdir().unwrap();
        let mut job = OpenJob::open_or_create(&folder.path().join("job")).unwrap();
        for id in ["level", "sweep", "spectrum", "tone", "noise", "arrival"] {
            let mut trial = Trial::car("");
            trial.store = Store::Job(job.store().unwrap());
            let order = MeasureOrder { id: id.to_owned(), ..MeasureOrder::default() };
            trial.run(|session| measure(session, &order)).unwrap();
            trial.changes().for_each(|change| job.apply(change.clone()).unwrap());
        }
        let ids: Vec<CaptureId> = job.job().captures().iter().map(|capture| capture.id).collect();
        assert_eq!(ids.len(), 6);
        for &id in &ids {
            let again = recompute(job.job(), id).unwrap();
            assert!(again.same, "{}: {:?}", again.measurement, again.changed);
            assert!(again.change().is_none());
        }
        let mut wrong = job.job().reading(ids[0]).unwrap().unwrap();
        wrong.value("rms_dbfs", -3.0);
        let program = "0.0".to_owned();
        job.apply(Change::Recomputed { id: ids[0], reading: wrong, program }).unwrap();
        let again = recompute(job.job(), ids[0]).unwrap();
        assert!(
            again.changed.iter().any(|line| line.starts_with("RMS level: −3.0 dBFS became")),
            "{:?}",
            again.changed
        );
        job.apply(again.change().unwrap()).unwrap();
        assert!(recompute(job.job(), ids[0]).unwrap().same);
        assert!(recompute(job.job(), CaptureId(99)).unwrap_err().to_string().contains("no capture 99"));
    }
}
