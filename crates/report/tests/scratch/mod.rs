//! A job that lives as long as its test.

use std::fs;

use job::{CaptureMeta, Head, Job, JobData};
use measure::Reading;

/// The job, and the folder that goes with it.
pub(crate) struct Scratch {
    _dir: tempfile::TempDir,
    pub(crate) job: Job,
}

/// A job in which `fill` was noted.
pub(crate) fn job(fill: impl FnOnce(&mut JobData)) -> Scratch {
    let dir = tempfile::tempdir().unwrap();
    let created = "2026-03-04T23:30:00Z".parse().unwrap();
    let mut job =
        Job::create(dir.path().join("car"), Head { name: "Blue estate".to_owned(), created }).unwrap();
    job.edit(fill).unwrap();
    Scratch { _dir: dir, job }
}

/// Records a capture with this response: frequencies in Hz, levels in dB.
pub(crate) fn kept(job: &mut Job, meta: CaptureMeta, response: &[(f64, f64)]) {
    let pending = job.begin_capture(&meta).unwrap();
    fs::write(&pending.audio_path, b"").unwrap();
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    let (frequency_hz, magnitude_db) = response.iter().copied().unzip();
    reading.curve("response", [("frequency_hz", frequency_hz), ("magnitude_db", magnitude_db)]);
    job.finish_capture(&pending, &reading, meta).unwrap();
}
