//! The job folder: what a capture leaves, how it is listed, sheets, and jobs
//! that cannot be read.

use recording::read;
use serde_json::Value;

use crate::program::Desk;

#[test]
fn a_capture_leaves_its_recording_and_its_reading() {
    let desk = Desk::new();
    desk.run("job new car").done();
    desk.run_with(&[
        "measure",
        "level",
        "--simulated",
        "--job",
        "car",
        "--label",
        "driver's seat",
        "--set",
        "before",
        "--json",
    ])
    .done();
    let audio = read(desk.path().join("car/captures/0001/audio.wav")).unwrap();
    assert!(audio.frames() > 0);
    for name in ["car/job.json", "car/captures/0001/capture.json", "car/captures/0001/reading.json"] {
        let document: Value = serde_json::from_str(&desk.read(name)).unwrap();
        assert!(document["format"].is_string() && document["version"].is_number(), "{name}: {document}");
    }
    desk.run("job show car").done().says(&["driver's seat"]);
    desk.run("job check car").done();
    desk.run("job list .").done().says(&["car"]);
}

#[test]
fn a_job_from_a_newer_program_is_refused_clearly() {
    let desk = Desk::new();
    desk.run("job new car").done();
    let mut job: Value = serde_json::from_str(&desk.read("car/job.json")).unwrap();
    job["version"] = 999.into();
    desk.write("car/job.json", job.to_string());
    desk.run("job show car").refused(&["999"]);
}

#[test]
fn what_is_no_job_is_refused() {
    let desk = Desk::new();
    desk.run("job show nowhere").refused(&["nowhere"]);
    desk.run("sheet nowhere").refused(&["nowhere"]);
    std::fs::create_dir(desk.path().join("empty")).unwrap();
    desk.run("job show empty").refused(&["empty"]);
    desk.run("job new car").done();
    desk.write("car/job.json", "{\"format\": ");
    desk.run("job show car").refused(&["job.json"]);
}

#[test]
fn a_new_job_never_covers_an_old_one() {
    let desk = Desk::new();
    desk.run("job new car").done();
    let before = desk.read("car/job.json");
    desk.run("job new car").refused(&["car"]);
    assert_eq!(desk.read("car/job.json"), before);
}

#[test]
fn a_recording_cut_by_a_crash_is_found_and_mended() {
    let desk = Desk::new();
    desk.run("job new car").done();
    desk.run("measure level --simulated --job car --json").done();
    let path = desk.path().join("car/captures/0001/audio.wav");
    let whole = std::fs::read(&path).unwrap();
    std::fs::write(&path, &whole[..whole.len() - whole.len() / 3]).unwrap();
    std::fs::remove_file(desk.path().join("car/captures/0001/reading.json")).unwrap();
    desk.run("job check car").done().says(&["0001"]);
    let audio = read(&path).unwrap();
    assert!(audio.frames() > 0 && audio.condition.is_sound(), "{:?}", audio.condition);
}
