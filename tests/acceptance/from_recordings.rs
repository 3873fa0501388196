//! A whole job with nothing but recordings and commands: stick, import, timing, fit, audit, sheet, report.
//!
//! The recordings are of the simulated car, made here without the program: what the stick's tracks sound like at the
//! microphone, with what the sheet says typed into its processor by this test.

use std::fmt::Write as _;

use cabin::{Car, Setup};
use serde_json::Value;
use testkit::at_most;

use crate::program::Desk;
use crate::recorder::{Recorder, band_of, typed, word};

const PLACES: [&str; 3] = ["driver", "driver-left-ear", "driver-right-ear"];

#[test]
fn a_whole_job_from_recordings_alone() {
    let desk = Desk::new();
    let car = Car::preset("compact-hatch").expect("it is built in");
    desk.run("tracks stick --bits 24").done();
    desk.run_with(&["job", "new", "job", "--car", "Blue hatch"]).done();
    let drivers: Vec<_> = car.drivers.iter().filter(|driver| driver.processed).collect();
    let listed: Vec<String> = drivers.iter().map(|one| format!("{}:{}", one.name, word(one.role))).collect();
    desk.run_with(&["job", "set", "job", &format!("drivers={}", listed.join(","))]).done();
    // What its processor came with; its filters are taken out for the measurement.
    let mut bare = Setup { volume_step: 20, ..car.setup() };
    for driver in &drivers {
        let channel = bare.processor.entry(driver.name.clone()).or_insert_with(|| driver.channel.clone());
        (channel.high_pass, channel.low_pass) = (None, None);
        channel.bands.clear();
        let gain = format!("preset.{}.gain={}", driver.name, driver.channel.gain_db);
        desk.run_with(&["job", "set", "job", &gain]).done();
    }

    let mut recorder = Recorder::new(&car);
    let mut table = "track,time,driver,position\n".to_owned();
    for driver in &drivers {
        let setup = Setup { active: Some(vec![driver.name.clone()]), ..bare.clone() };
        let track = format!("sweep-{}", band_of(driver.role));
        let began_s = recorder.play(&desk.path().join("stick"), &track, &setup);
        writeln!(table, "{track},{began_s:.1},{},driver", driver.name).unwrap();
    }
    recorder.write(&desk.path().join("drivers.wav"));
    desk.write("drivers.csv", table);
    let imported = desk.run("job import job drivers.wav --table drivers.csv --json").done().json();
    let tracks = imported["recordings"][0]["tracks"].as_array().expect("tracks");
    assert_eq!(tracks.len(), drivers.len(), "{imported}");
    for (track, driver) in tracks.iter().zip(&drivers) {
        assert_eq!(
            (&track["place"]["driver"], &track["place"]["placed_by"]),
            (&driver.name.as_str().into(), &"table".into())
        );
    }
    // The same recording is known again, and adds nothing.
    let again = desk.run("job import job drivers.wav --json").done().json();
    assert_eq!(again["recordings"][0]["known_as"].as_array().map(Vec::len), Some(drivers.len()));

    // A recorder of its own knows no common zero, so the ways are measured with a tape.
    desk.run("timing --job job").refused(&["--distance"]);
    let truth = car.truth();
    let mut timing = vec!["timing".to_owned(), "--job".to_owned(), "job".to_owned()];
    for driver in &drivers {
        let way = truth.arrivals.iter().find(|way| way.driver == driver.name && way.position == "driver");
        timing.push("--distance".to_owned());
        timing.push(format!("{}={:.3}", driver.name, way.expect("a way").distance_m));
    }
    timing.extend(["--processor", "parametric-gridded", "--json"].map(str::to_owned));
    let found = desk.run_with(&timing.iter().map(String::as_str).collect::<Vec<_>>()).done().json();
    assert_eq!(found["drivers"].as_array().map(Vec::len), Some(drivers.len()));
    let sheet = desk.run("sheet job --format json").done().json();
    assert_eq!(sheet["measured"], false);
    // The car's own mistake: a driver that is wired backwards is inverted in the processor.
    for driver in &drivers {
        let channels = sheet["channels"].as_array().expect("channels");
        let entry = channels.iter().find(|one| one["channel"] == driver.name.as_str()).expect("a channel");
        let tweeter_or_mid = [cabin::Role::Tweeter, cabin::Role::Mid].contains(&driver.role);
        if tweeter_or_mid && truth.reversed_drivers.contains(&driver.name) {
            assert_eq!(entry["setting"]["inverted"], true, "{}", driver.name);
        }
    }

    let timed = Setup {
        active: Some(drivers.iter().map(|driver| driver.name.clone()).collect()),
        ..typed(&bare, &sheet)
    };
    let places = |set: &str, name: &str, setup: &Setup| {
        let mut recorder = Recorder::new(&car);
        let mut said: Vec<String> = ["job", "import", "job", name].map(str::to_owned).to_vec();
        for place in PLACES {
            let setup = Setup { mic_position: place.to_owned(), ..setup.clone() };
            let began_s = recorder.play(&desk.path().join("stick"), "sweep-full", &setup);
            said.push("--as".to_owned());
            said.push(format!("sweep-full@{began_s:.1}={set}:{place}"));
        }
        recorder.write(&desk.path().join(name));
        desk.run_with(&said.iter().map(String::as_str).collect::<Vec<_>>()).done()
    };
    places("before", "before.wav", &timed).says(&["before, driver-left-ear"]);
    let fit =
        desk.run("fit --job job --target car-medium --processor parametric-gridded --json").done().json();
    let bands = fit["bands"].as_array().expect("bands").len();
    let rms = |value: &Value| value["rms_db"].as_f64().expect("a number");
    at_most("predicted", rms(&fit["after"]), 0.8 * rms(&fit["before"]));

    // Typed with one gain of the wrong sign.
    let sheet = desk.run("sheet job --format json").done().json();
    let mut wrong = sheet.clone();
    let list = wrong["channels"][0]["bands"].as_array_mut().expect("bands of all channels");
    let gain = |band: &Value| band["gain_db"].as_f64().expect("a gain");
    let most =
        (0..list.len()).max_by(|&a, &b| gain(&list[a]).abs().total_cmp(&gain(&list[b]).abs())).expect("one");
    list[most]["gain_db"] = (-gain(&list[most])).into();
    places("after", "after.wav", &typed(&timed, &wrong));
    let audit = desk.run("audit --job job --json").not_measured().json();
    assert_eq!(audit["bands"][most]["verdict"], "wrong-sign", "{audit}");
    // Corrected, and measured again at the same places.
    let corrected = places("after", "again.wav", &typed(&timed, &sheet));
    corrected.says(&["has a capture at `driver` already"]);
    let audit = desk.run("audit --job job --json").done().json();
    assert_eq!(audit["bands"].as_array().map(Vec::len), Some(bands), "{audit}");

    let sheet = desk.run("sheet job --format json").done().json();
    assert_eq!((&sheet["measured"], &sheet["remarks"]), (&true.into(), &serde_json::json!([])), "{sheet}");
    let outcome = &sheet["outcome"];
    let number = |key: &str| outcome[key].as_f64().expect("a number");
    at_most("after", number("after_rms_db"), 0.85 * number("before_rms_db"));
    desk.run("report job --out report.html").done();
    assert!(desk.read("report.html").contains("Blue hatch"));
    desk.run("job check job").done();
    desk.run("compare job@before job@after --match-level").done().says(&["the average of 3"]);
}
