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
fn what_was_entered_is_shown() {
    let desk = Desk::new();
    desk.run("job new car").done();
    desk.run(
        "job set car customer=1207 source=radio tap=adapter drivers=left-mid,sub amplifiers=rear:100W:4",
    )
    .done();
    desk.run_with(&["job", "set", "car", "notes=rattles at 90 Hz"]).done();
    desk.run("job show car").done().says(&[
        "Customer    1207\n",
        "Source unit radio, taken at: adapter\n",
        "Amplifiers  rear, 100 W, 4 ohm\n",
        "Drivers     left-mid; sub\n",
        "Notes       rattles at 90 Hz\n",
    ]);
    let shown = desk.run("job show car --json").done().json();
    assert_eq!((&shown["intake"]["customer"], &shown["notes"]), (&"1207".into(), &"rattles at 90 Hz".into()));
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
    desk.run("job check car").not_measured().says(&["0001", "set right", "is not the one that was made"]);
    let audio = read(&path).unwrap();
    assert!(audio.frames() > 0 && audio.condition.is_sound(), "{:?}", audio.condition);
}

/// Notes and places of captures by commands, and parts of the job as responses of others.
#[test]
fn a_job_is_edited_and_its_captures_are_responses() {
    let desk = Desk::new();
    let set =
        ["job", "set", "car", "vehicle=Blue hatch", "customer=No. 17", "target=car-medium", "tap=preamp"];
    desk.run("job new car").done();
    desk.run_with(&set).done();
    assert_eq!(desk.run("job show car --json").done().json()["vehicle"], "Blue hatch");
    desk.run("job set car vehicel=Blue").refused(&["vehicel", "vehicle"]);
    desk.run("job set car target=car-midium").refused(&["car-midium"]);
    desk.run("job set car vehicle").refused(&["KEY=VALUE"]);
    for _ in 0..2 {
        desk.run("measure sweep --simulated --job car").done();
    }
    for (number, position) in [("1", "left ear"), ("2", "right ear")] {
        let place = ["job", "capture", "car", number, "--set", "before", "--position", position];
        desk.run_with(&place).done();
    }
    desk.run("average car@before --out average.csv").done().says(&["average of 2 responses"]);
    let json = desk.run("compare car:0001 car:2 --json").done().json();
    assert!(json["rms_db"].as_f64().is_some_and(|rms| rms < 1.0), "{json}");
    // A set stands for its average.
    let json = desk.run("compare car@before car:1 --json").done().json();
    assert_eq!((&json["before"]["responses"], &json["after"]["responses"]), (&2.into(), &1.into()));
    desk.run("align car@before car:1").refused(&["2 responses", "average"]);
    desk.run("compare car:9 car:1 --json").refused(&["capture 9", "0001"]);
    desk.run("average car@nowhere --out x.csv").refused(&["nowhere", "before"]);
    desk.run("job capture car 2 --discard").done();
    desk.run("average car@before --out average.csv").done().says(&["average of 1 response"]);
    desk.run("job capture car 2").refused(&["capture 0002"]);
    desk.run("job capture car 2 --restore").done();
    desk.run("job capture car 1").refused(&["--label"]);
    desk.run("fit car@before --target flat --processor parametric-free --out bands.csv").done();
    desk.run("job export car --captures --out out").done();
    for name in ["sheet.txt", "bands.csv", "sheet.html", "report.html", "0001.csv", "0002.csv"] {
        assert!(desk.has(&format!("out/{name}")), "{name}");
    }
}

/// Readings that are made again are the same, to the bit; what a job lost is made again.
#[test]
fn readings_are_made_again_from_their_recordings() {
    let desk = Desk::new();
    for id in ["level", "sweep"] {
        desk.run(&format!("measure {id} --simulated --job car")).done();
    }
    let before = desk.read("car/captures/0002/reading.json");
    let made = desk.run("job compute car --json").done().json();
    let captures = made["captures"].as_array().expect("captures");
    assert_eq!(captures.len(), 2, "{made}");
    assert!(captures.iter().all(|one| one["same"] == true), "{made}");
    std::fs::remove_file(desk.path().join("car/captures/0002/reading.json")).expect("it was there");
    desk.run("job compute car 2").done().says(&["0002", "changed", "there was no reading"]);
    let again: Value = serde_json::from_str(&desk.read("car/captures/0002/reading.json")).unwrap();
    assert_eq!(again, serde_json::from_str::<Value>(&before).unwrap());
    desk.run("job compute car 7").refused(&["0007"]);
    std::fs::remove_file(desk.path().join("car/captures/0001/audio.wav")).expect("it was there");
    desk.run("job compute car").not_measured().says(&["audio.wav"]);
}

/// With `--json` an error is one document, wherever it comes from.
#[test]
fn an_error_is_a_document_as_well() {
    let desk = Desk::new();
    desk.write("wrong.csv", "frequency_hz,magnitude_db\n100,-1\n50,-1\n");
    desk.write("right.csv", "frequency_hz,magnitude_db\n100,-1\n1000,-1\n");
    let error =
        desk.run("compare wrong.csv right.csv --json").refused(&["wrong.csv"]).json()["error"].clone();
    assert_eq!((&error["kind"], &error["file"]), (&"input".into(), &"wrong.csv".into()), "{error}");
    assert_eq!(error["line"], 3, "{error}");
    let error = desk.run("compare right.csv --json").refused(&["usage"]).json()["error"].clone();
    assert_eq!(error["kind"], "usage", "{error}");
}
