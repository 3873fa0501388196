//! The whole work order through the window, by keys alone and by the mouse alone: a person who does nothing but
//! what the window offers first comes from the first stage to the last, and every stage is done then.

#[path = "../../crates/window/tests/screens/bench.rs"]
#[allow(dead_code, reason = "the window's own tests use more of it")]
mod bench;
#[path = "../../crates/window/tests/screens/display.rs"]
#[allow(dead_code, reason = "the window's own tests use more of it")]
mod display;
#[path = "../../crates/window/tests/screens/driving.rs"]
#[allow(dead_code, reason = "the pictures use more of it")]
mod driving;

use std::collections::HashMap;

use driving::{By, Driver};
use view::{Stage, StageState};
use window::Theme;

/// Works through the job by what is offered first, until it comes round to itself.
fn work_through(car: &str, by: By) -> Driver {
    let app = app::App::default().hurried();
    let mut driver = Driver::at(app, by, Theme::Garage, (1024.0, 700.0));
    driver.take_car(car);
    let mut pressed: HashMap<(Stage, String), usize> = HashMap::new();
    let mut way = Vec::new();
    loop {
        let snapshot = driver.snapshot();
        let stage = snapshot.face.stage;
        let main = snapshot.card.main.clone();
        let main = main.unwrap_or_else(|| panic!("{car}, {stage:?}: nothing is offered; {way:#?}"));
        assert!(main.enabled, "{car}, {stage:?}: {main:?} after {way:#?}");
        let done = snapshot.shared.stages.iter().all(|line| line.state == StageState::Measured);
        if done && stage == Stage::Handover {
            return driver;
        }
        way.push(format!("{}: {}", stage.title(), main.label));
        let times = pressed.entry((stage, main.label.clone())).or_default();
        *times += 1;
        let stages = driver.snapshot().shared.stages.each_ref().map(|line| (line.state, &line.result));
        assert!(*times <= 3, "{car}: it goes round in circles: {way:#?}, {stages:#?}, {:?}", driver.notices);
        driver.go_on();
        if stage == Stage::Gain && main.action == view::Action::WatchLevel {
            // The knob is turned until the window says that it is there; then it is left.
            driver.wait("the gain", |driver| driver.stage(Stage::Gain).0 == StageState::Measured);
            driver.go_on();
        }
        driver.wait_idle();
    }
}

#[track_caller]
fn is_done(driver: &Driver, car: &str) {
    for line in &driver.snapshot().shared.stages {
        assert!(!line.result.is_empty(), "{car}: {:?} says nothing of what it came to", line.stage);
    }
    let exports = driver.folder.path().join("job").join("exports");
    let written = std::fs::read_dir(&exports).expect("something was exported");
    let names: Vec<String> =
        written.flatten().map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    assert!(names.iter().any(|name| name.contains("sheet")), "{car}: {names:?}");
    assert!(names.iter().any(|name| name.contains("report")), "{car}: {names:?}");
}

/// The cars that are worked on: one, or all of them where `HEADREST_THOROUGH` is set, as `cargo xtask test full` does.
fn cars(usual: &'static str) -> Vec<&'static str> {
    match std::env::var_os("HEADREST_THOROUGH") {
        Some(_) => vec!["compact-hatch", "saloon-adapter", "box-van"],
        None => vec![usual],
    }
}

#[test]
fn by_keys_alone() {
    for car in cars("compact-hatch") {
        is_done(&work_through(car, By::Keyboard), car);
    }
}

#[test]
fn by_the_mouse_alone() {
    for car in cars("saloon-adapter") {
        is_done(&work_through(car, By::Mouse), car);
    }
}
