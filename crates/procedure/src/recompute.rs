//! A capture's reading, made again from its recording.

use std::collections::BTreeSet;

use host::Run;
use job::{CaptureId, Job};
use library::{Error, Result};
use measure::Reading;
use serde::Serialize;

use crate::capture_run::remark;
use crate::excerpt::start;
use crate::feed::feed_recording;
use crate::{Change, plugins};

/// A reading that was made again, against the one that the job holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recomputed {
    /// The capture's number.
    pub capture: u32,
    /// What it is called.
    pub label: String,
    /// What it was measured with.
    pub measurement: String,
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
pub fn recompute(job: &Job, id: CaptureId) -> Result<Recomputed> {
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
        same: changed.is_empty() && before.as_ref() == Some(&reading),
        changed,
        reading,
    })
}

/// What one reading says otherwise than another.
fn differences(before: &Reading, after: &Reading) -> Vec<String> {
    let mut lines = Vec::new();
    let names: BTreeSet<&String> = before.values.keys().chain(after.values.keys()).collect();
    for name in names {
        match (before.values.get(name), after.values.get(name)) {
            (Some(was), Some(is)) if was.to_bits() == is.to_bits() => {}
            (Some(was), Some(is)) => lines.push(format!("{name}: {was} became {is}")),
            (Some(was), None) => lines.push(format!("{name}: {was} is absent now")),
            (None, Some(is)) => lines.push(format!("{name}: {is} is new")),
            (None, None) => {}
        }
    }
    if before.labels != after.labels {
        lines.push(format!("labels: {:?} became {:?}", before.labels, after.labels));
    }
    let names: BTreeSet<&String> = before.curves.keys().chain(after.curves.keys()).collect();
    for name in names {
        match (before.curves.get(name), after.curves.get(name)) {
            (Some(was), Some(is)) if was == is => {}
            (Some(_), Some(_)) => lines.push(format!("curve {name}: changed")),
            (Some(_), None) => lines.push(format!("curve {name}: absent now")),
            (None, _) => lines.push(format!("curve {name}: new")),
        }
    }
    if before.tables != after.tables {
        lines.push("tables: changed".to_owned());
    }
    let codes = |reading: &Reading| -> Vec<String> {
        reading.findings.iter().map(|finding| finding.code.clone()).collect()
    };
    if before.findings != after.findings {
        lines.push(format!("findings: {} became {}", codes(before).join(", "), codes(after).join(", ")));
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
            again.changed.iter().any(|line| line.starts_with("rms_dbfs: -3 became")),
            "{:?}",
            again.changed
        );
        job.apply(again.change().unwrap()).unwrap();
        assert!(recompute(job.job(), ids[0]).unwrap().same);
        assert!(recompute(job.job(), CaptureId(99)).unwrap_err().to_string().contains("no capture 99"));
    }
}
