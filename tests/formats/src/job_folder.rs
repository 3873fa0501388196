//! The job folder and its sheets.

use std::fs;

use job::{CaptureId, CaptureState, Job, Set, Stage};
use report::Sheet;
use serde_json::Value;
use tempfile::TempDir;
use testkit::near;

use crate::page::example;

const FILES: [&str; 3] = ["job.json", "captures/0001/capture.json", "captures/0001/reading.json"];

/// The job of the page in a folder of its own.
fn job() -> (TempDir, Job) {
    let dir = tempfile::tempdir().unwrap();
    fs::create_dir_all(dir.path().join("captures/0001")).unwrap();
    for file in FILES {
        fs::write(dir.path().join(file), example(file)).unwrap();
    }
    let job = Job::open(dir.path()).unwrap();
    (dir, job)
}

#[test]
fn the_job_is_read_as_the_page_says() {
    let (_dir, job) = job();
    assert_eq!(job.problems(), []);
    assert_eq!(job.data().source.clean_step, Some(34));
    assert_eq!(job.data().stages[&Stage::Source].line, "clean to step 34 · 4.1 V");
    near("typed Q", job.data().bands[0].typed_q(), 2.47, 0.0);
    let [capture] = job.captures() else { panic!("one capture") };
    assert_eq!((capture.state, &capture.meta.set), (CaptureState::Done, &Some(Set::Before)));
    near("stimulus", capture.meta.stimulus.as_ref().unwrap().duration_s(), 5.0, 0.0);
    let reading = job.reading(CaptureId(1)).unwrap().unwrap();
    assert_eq!(reading.check(), Ok(()));
    near("snr", reading.values["snr_db"], 61.8, 0.0);
}

#[test]
fn saving_writes_the_files_as_they_stand_on_the_page() {
    let (dir, mut job) = job();
    let id = CaptureId(1);
    let reading = job.reading(id).unwrap().unwrap();
    for file in FILES {
        fs::write(dir.path().join(file), "").unwrap();
    }
    job.edit(|_| {}).unwrap();
    job.edit_capture(id, |_| {}).unwrap();
    job.set_reading(id, &reading).unwrap();
    for file in FILES {
        let written = fs::read_to_string(dir.path().join(file)).unwrap();
        assert_eq!(written, example(file), "{file}");
    }
}

#[test]
fn the_sheet_of_the_job_is_the_one_on_the_page() {
    let (_dir, job) = job();
    let sheet = Sheet::from_job(&job);
    let mut got: Value = serde_json::from_str(&sheet.to_json()).unwrap();
    let cautions = got["cautions"].take();
    assert_eq!(cautions.as_array().unwrap().len(), report::TECHNICIAN_CAUTIONS.len());
    got["cautions"] = Value::Array(Vec::new());
    let wanted: Value = serde_json::from_str(&example("sheet.json")).unwrap();
    assert_eq!(got, wanted, "got {got:#}");
    assert_eq!(sheet.to_csv(), example("bands.csv"));
}

/// A job as version 1 wrote it, frozen: it is read for ever.
#[test]
fn a_job_of_version_1_is_read_and_becomes_version_2_when_it_is_saved() {
    let dir = tempfile::tempdir().unwrap();
    fs::create_dir_all(dir.path().join("captures/0001")).unwrap();
    fs::write(dir.path().join("job.json"), include_str!("../v1/job.json")).unwrap();
    let capture = include_str!("../v1/captures/0001/capture.json");
    fs::write(dir.path().join("captures/0001/capture.json"), capture).unwrap();
    let mut job = Job::open(dir.path()).unwrap();

    assert_eq!(job.problems(), []);
    let data = job.data().clone();
    assert_eq!(data.intake.drivers[0].role, Some(tuning::Role::Mid));
    let fit = data.fit.as_ref().unwrap();
    let left: Vec<_> = fit.left_alone().map(|(_, place)| (place.frequency_hz, place.why.as_str())).collect();
    assert_eq!(left, [(74.0, "cancellation")]);
    assert_eq!(data.audit.as_ref().unwrap().bands[0].text, "Entered as meant.");
    let [capture] = job.captures() else { panic!("one capture") };
    let meta = capture.meta.clone();
    assert_eq!((meta.processor_channel.as_str(), meta.position.as_str()), ("left", "10 cm left of the head"));
    assert_eq!((meta.conditions.volume_step, meta.conditions.engine_rpm), (Some(24), Some(0.0)));

    job.edit(|_| {}).unwrap();
    job.edit_capture(CaptureId(1), |_| {}).unwrap();
    drop(job);
    for file in ["job.json", "captures/0001/capture.json"] {
        let saved: Value = serde_json::from_slice(&fs::read(dir.path().join(file)).unwrap()).unwrap();
        assert_eq!(saved["version"], 2, "{file}");
    }
    let job = Job::open(dir.path()).unwrap();
    assert_eq!(job.data(), &data);
    assert_eq!(job.captures()[0].meta, meta);
}
