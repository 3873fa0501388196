//! The stage Source on the simulated car, against the truth that the car states of itself.

use chart::Role;
use testkit::near;
use view::{
    Action, Activity, ChartFace, Choice, Command, NumberKey, SettingValue, SourceTask, TextKey, Tone,
};

use crate::tests::TestApp;

impl TestApp {
    /// Takes a car whose truth is known to hold what the test looks for.
    pub(crate) fn with_car(name: &str) -> Self {
        let mut app = Self::new();
        let pace = engine::Pace::AsFastAsPossible;
        let choice = rig::RigChoice::Simulated { car: name.to_owned(), pace };
        app.core.hold_rig(rig::OpenRig::open(choice).expect("a preset"), library::RememberedRig::Devices);
        app
    }
}

/// Truth: the saloon's adapter has the same tone at every step up to the clean one, and
/// nothing is said against it.
#[test]
fn the_tone_shows_what_the_volume_does_and_bands_undo_it() {
    let mut app = TestApp::with_car("saloon-adapter");
    app.choose(Choice::SourceTask(SourceTask::Tone));
    let output = app.core.rig.as_ref().and_then(|rig| rig.car()).expect("the car").car.tap.output.clone();
    app.choose(Choice::Output(Some(output.clone())));
    app.ask(Command::StartOrStop);
    app.finish();
    let snapshot = app.snapshot();
    assert_eq!(snapshot.tray.len(), 5, "five volume steps: {:?}", app.notices());
    assert_eq!(snapshot.chart_face, ChartFace::Response);
    let line = snapshot.card.lines.first().expect("a line for the output");
    assert!(line.label.starts_with(&output) && line.value.starts_with('±'), "{line:?}");
    assert_eq!(snapshot.card.findings, []);
    app.ask(Command::ShowFace(ChartFace::Steps));
    let roles: Vec<Role> = app.snapshot().chart.lines.iter().map(|line| line.role).collect();
    assert_eq!(roles, [0, 1, 2, 3, 4].map(|number| Role::of_family(number, 5)), "one family");
    app.press(Action::FlattenRadio);
    assert!(matches!(app.snapshot().shared.activity, Activity::Running { .. }));
    app.finish();
    let job = app.core.job.as_ref().expect("the job").job();
    let list =
        std::fs::read_to_string(job.dir().join("exports").join("undo-tone.csv")).expect("it is written");
    let bands = list.lines().filter(|line| line.contains("source")).count();
    assert_eq!(app.core.source.undo.len(), bands, "{list}");
    assert!(app.notices().iter().any(|notice| notice.contains("undo-tone.csv") || bands == 0));
}

/// Truth: the saloon's whine lies at 13.8 and 41.4 cycles a turn.
#[test]
fn the_lines_that_follow_the_engine_are_named() {
    let mut app = TestApp::with_car("saloon-adapter");
    app.choose(Choice::SourceTask(SourceTask::Noise));
    app.ask(Command::StartOrStop);
    app.finish();
    let snapshot = app.snapshot();
    let names: Vec<&str> = snapshot.tray.iter().map(|tile| tile.label.as_str()).collect();
    assert_eq!(names, ["Noise, engine off", "Noise, 850 rpm", "Noise, 2000 rpm"], "{:?}", app.notices());
    let turn = |text: &str| snapshot.card.lines.iter().any(|line| line.label == text);
    assert!(turn("13.8 × engine speed") && turn("41.4 × engine speed"), "{:?}", snapshot.card.lines);
    assert_eq!(snapshot.chart_face, ChartFace::Spectrum);
    assert_eq!(snapshot.chart.lines.len(), 3);
}

/// Truth: the hatch's door panel buzzes where its file says.
#[test]
fn a_spot_that_buzzes_is_played_until_it_is_stopped() {
    let mut app = TestApp::new();
    let car = app.core.rig.as_ref().and_then(|rig| rig.car()).expect("the car").car.clone();
    let clean = car.truth().clean_step;
    app.core
        .job
        .as_mut()
        .expect("a job")
        .apply(procedure::Change::HeadroomFound {
            clean_step: Some(clean),
            limited_by: String::new(),
            outputs: Vec::new(),
        })
        .expect("it is kept");
    let seeded = car.rattles.first().expect("the usual car rattles").clone();
    app.choose(Choice::SourceTask(SourceTask::Rattle));
    app.ask(Command::StartOrStop);
    app.finish();
    let snapshot = app.snapshot();
    let spots = app
        .core
        .chosen_of(|held| held.reading.measurement == "rattle")
        .map(|held| procedure::spots(&held.reading));
    let spot =
        spots.and_then(|spots| spots.first().cloned()).unwrap_or_else(|| panic!("{:?}", snapshot.card));
    near("where it begins", spot.from_hz, seeded.from_hz, 5.0);
    near("where it ends", spot.to_hz, seeded.to_hz, 5.0);
    assert_eq!(snapshot.card.lines[0].tone, Tone::Caution);
    app.press(Action::PlaySpot(0));
    assert!(matches!(app.snapshot().shared.activity, Activity::Running { .. }), "{:?}", app.notices());
    app.ask(Command::StartOrStop);
    app.finish();
    assert_eq!(app.snapshot().shared.activity, Activity::Idle);
}

/// The meter's reading of the simulated tap gives the scale that it has.
#[test]
fn the_input_is_calibrated_by_a_tone_and_a_meter() {
    let mut app = TestApp::with_car("straight-wire");
    app.choose(Choice::SourceTask(SourceTask::Volts));
    app.ask(Command::StartOrStop);
    let began = std::time::Instant::now();
    app.pump_until(|_| began.elapsed() > std::time::Duration::from_millis(1_500));
    app.ask(Command::StartOrStop);
    app.finish();
    let heard = app.core.source.heard.clone().unwrap_or_else(|| panic!("{:?}", app.notices()));
    let truth = heard.before.expect("the simulated tap is calibrated");
    assert!(app.snapshot().tray.is_empty(), "a calibration is no capture");
    for nonsense in ["loud", "0", "-3"] {
        app.set(SettingValue::Text(TextKey::MeterReading, nonsense.to_owned()));
        app.press(Action::KeepVolts);
        assert!(app.core.source.heard.is_some(), "{nonsense} is refused");
    }
    let meter = heard.simulated_meter_v.expect("a meter can be simulated");
    app.set(SettingValue::Text(TextKey::MeterReading, format!("{meter:.4}")));
    let before = app.notices();
    assert_eq!(before.len(), 3, "each refusal is told: {before:?}");
    app.press(Action::KeepVolts);
    let told = app.notices();
    assert!(told.iter().any(|notice| notice.contains(&format!("{truth:.2}"))), "{told:?} {truth}");
    assert!(app.core.source.heard.is_none());
}

/// With devices a person connects one output after the other.
#[test]
fn outputs_of_a_real_source_follow_one_another() {
    let mut app = TestApp::new();
    let text = include_str!("test_rig.toml");
    let spec = engine::RigSpec::parse(text, "begun.toml").expect("it is our own");
    app.core.hold_rig(
        rig::OpenRig::devices(spec).expect("no device is opened yet"),
        library::RememberedRig::Devices,
    );
    app.set(SettingValue::Text(TextKey::Outputs, " front, rear ,, sub".to_owned()));
    let titles = |app: &TestApp| -> Vec<String> {
        app.core.sweep().expect("a sweep").1.iter().map(|heading| heading.title.clone()).collect()
    };
    assert_eq!(titles(&app), ["Output 1 of 3: front", "Output 2 of 3: rear", "Output 3 of 3: sub"]);
    app.choose(Choice::Output(Some("rear".to_owned())));
    assert_eq!(titles(&app), ["rear"]);
    app.choose(Choice::SourceTask(SourceTask::Tone));
    app.set(SettingValue::Number(NumberKey::VolumeStep, 24.0));
    let order = app.core.orders().expect("orders").pop_front().expect("one");
    assert_eq!((order.plan.position.as_str(), order.plan.volume_step), ("rear", Some(24)));
    app.set(SettingValue::Text(TextKey::Outputs, " , ".to_owned()));
    app.ask(Command::StartOrStop);
    assert!(
        app.core.work.is_none() && app.notices().iter().any(|notice| notice.contains("front, rear, sub"))
    );
}
