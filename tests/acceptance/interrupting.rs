//! Ctrl-C while something is measured: it ends in good order, and nothing that was recorded is lost.

use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use measure::FindingLevel;
use serde_json::Value;
use testkit::at_most;

use crate::program::Desk;

/// Starts the program and interrupts it as soon as a file is there and holds something.
fn interrupted(desk: &Desk, arguments: &str, once_there: &str) -> Output {
    let mut command = desk.command();
    command.args(arguments.split_whitespace()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let running = command.spawn().expect("the program starts");
    let file = desk.path().join(once_there);
    let begun = Instant::now();
    while std::fs::metadata(&file).map_or(0, |file| file.len()) < 1_000 {
        assert!(begun.elapsed() < Duration::from_secs(60), "{once_there} did not appear");
        std::thread::sleep(Duration::from_millis(2));
    }
    let kill = Command::new("kill").args(["-INT", &running.id().to_string()]).status();
    assert!(kill.expect("the signal is sent").success());
    running.wait_with_output().expect("it ends")
}

fn json(output: &Output) -> Value {
    let text = String::from_utf8_lossy(&output.stdout);
    serde_json::from_str(&text).unwrap_or_else(|error| {
        panic!("not one JSON document ({error}): {text}\n{}", String::from_utf8_lossy(&output.stderr))
    })
}

/// Its one capture was stopped before its end, and its recording is whole as far as it goes.
fn kept_interrupted(desk: &Desk, whole_s: f64) {
    let shown = desk.run("job show car --json").done().json();
    assert_eq!(shown["captures"][0]["complete"], false, "{shown}");
    let audio = recording::read(desk.path().join("car/captures/0001/audio.wav")).expect("a recording");
    assert!(audio.frames() > 0 && !audio.condition.truncated);
    at_most("how long it is", audio.duration_s(), whole_s - 0.1);
    desk.run("job check car").done();
}

/// A noise of ten seconds has a level however much of it was recorded.
#[test]
fn an_interrupted_measurement_gives_what_there_is() {
    let desk = Desk::new();
    let output =
        interrupted(&desk, "measure level --simulated --job car --json", "car/captures/0001/audio.wav");
    let reading: measure::Reading = serde_json::from_value(json(&output)).expect("a reading");
    let mark = reading.findings.iter().find(|finding| finding.code == "interrupted");
    assert_eq!(mark.map(|finding| finding.level), Some(FindingLevel::Caution), "{reading:?}");
    assert_eq!(output.status.code(), Some(i32::from(reading.stopped().is_some())), "{reading:?}");
    assert!(reading.values.contains_key("rms_dbfs"), "{reading:?}");
    kept_interrupted(&desk, 10.0);
}

/// A sweep that is not whole has no response: the status says so, the recording is kept.
#[test]
fn an_interrupted_sweep_has_no_result_and_its_recording_is_kept() {
    let desk = Desk::new();
    let output =
        interrupted(&desk, "measure sweep --simulated --job car --json", "car/captures/0001/audio.wav");
    let reading: measure::Reading = serde_json::from_value(json(&output)).expect("a reading");
    assert!(reading.findings.iter().any(|finding| finding.code == "interrupted"), "{reading:?}");
    assert_eq!(output.status.code(), Some(i32::from(reading.stopped().is_some())), "{reading:?}");
    kept_interrupted(&desk, 23.0);
}

/// The outputs that were swept have a verdict; the one under way ends where it was.
#[test]
fn an_interrupted_volume_sweep_tells_what_it_found() {
    let desk = Desk::new();
    let line = "source headroom --simulated box-van --job car --json";
    let output = interrupted(&desk, line, "car/captures/0002/audio.wav");
    let found = json(&output);
    let codes: Vec<&str> = found["findings"]
        .as_array()
        .expect("findings")
        .iter()
        .filter_map(|finding| finding["code"].as_str())
        .collect();
    assert!(codes.contains(&"interrupted"), "{found}");
    assert!(found["outputs"].as_array().is_some_and(|outputs| (1..=2).contains(&outputs.len())), "{found}");
    let shown = desk.run("job show car --json").done().json();
    assert_eq!(shown["clean_step"], Value::Null, "what was not swept may clip earlier: {shown}");
    assert_eq!(shown["captures"][0]["complete"], true, "{shown}");
}

#[test]
fn interrupted_listening_ends_in_good_order() {
    let desk = Desk::new();
    let mut command = desk.command();
    let arguments = ["listen", "--simulated", "--play", "quiet", "--for", "80000", "--json"];
    command.args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped());
    let running = command.spawn().expect("the program starts");
    std::thread::sleep(Duration::from_secs(3));
    let kill = Command::new("kill").args(["-INT", &running.id().to_string()]).status();
    assert!(kill.expect("the signal is sent").success());
    let output = running.wait_with_output().expect("it ends");
    // Nothing was heard to its end, which is no result.
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let heard = json(&output);
    assert_eq!(heard["findings"][0]["code"], "interrupted", "{heard}");
}

#[test]
fn an_interrupted_demonstration_leaves_its_job() {
    let desk = Desk::new();
    let output = interrupted(&desk, "demo --out car", "car/captures/0001/audio.wav");
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("stopped") && said.contains("car"), "{said}");
    desk.run("job check car").done();
    let shown = desk.run("job show car --json").done().json();
    assert_eq!(shown["stages"][0]["stage"], "intake", "{shown}");
}
