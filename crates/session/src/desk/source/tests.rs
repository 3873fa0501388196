//! The stage Source on the simulated car, against the truth that the car states of itself.

use testkit::near;
use view::{
    Action, Activity, ChartFace, Choice, Command, NumberKey, SettingValue, SourceTask, TextKey, Tone,
};

use crate::desk::tests::Bench;

impl Bench {
    /// Takes a car whose truth is known to hold what the test looks for.
    fn with_car(name: &str) -> Self {
        let mut bench = Self::new();
        let pace = engine::Pace::AsFastAsPossible;
        let choice = rig::RigChoice::Simulated { car: name.to_owned(), pace };
        bench.desk.hold_rig(rig::OpenRig::open(choice).expect("a preset"));
        bench
    }
}

/// Truth: the saloon's adapter has the same tone at every step up to the clean one, and
/// nothing is said against it.
#[test]
fn the_tone_shows_what_the_volume_does_and_bands_undo_it() {
    let mut bench = Bench::with_car("saloon-adapter");
    bench.choose(Choice::SourceTask(SourceTask::Tone));
    let output = bench.desk.rig.as_ref().and_then(|rig| rig.car()).expect("the car").car.tap.output.clone();
    bench.choose(Choice::Output(Some(output.clone())));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let snapshot = bench.snapshot();
    assert_eq!(snapshot.tray.len(), 5, "five volume steps: {:?}", bench.notices());
    assert_eq!(snapshot.chart_face, ChartFace::Response);
    let line = snapshot.card.lines.first().expect("a line for the output");
    assert!(line.label.starts_with(&output) && line.value.starts_with('±'), "{line:?}");
    assert_eq!(snapshot.card.findings, []);
    bench.ask(Command::ShowFace(ChartFace::Steps));
    assert_eq!(bench.snapshot().chart.lines.len(), 5);
    bench.press(Action::FlattenRadio);
    assert!(matches!(bench.snapshot().shared.activity, Activity::Running { .. }));
    bench.finish();
    let job = bench.desk.job.as_ref().expect("the job").job();
    let list =
        std::fs::read_to_string(job.dir().join("exports").join("undo-tone.csv")).expect("it is written");
    let bands = list.lines().filter(|line| line.contains("source")).count();
    assert_eq!(bench.desk.source.undo.len(), bands, "{list}");
    assert!(bench.notices().iter().any(|notice| notice.contains("undo-tone.csv") || bands == 0));
}

/// Truth: the saloon's whine lies at 13.8 and 41.4 cycles a turn.
#[test]
fn the_lines_that_follow_the_engine_are_named() {
    let mut bench = Bench::with_car("saloon-adapter");
    bench.choose(Choice::SourceTask(SourceTask::Noise));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let snapshot = bench.snapshot();
    let names: Vec<&str> = snapshot.tray.iter().map(|tile| tile.label.as_str()).collect();
    assert_eq!(names, ["Noise, engine off", "Noise, 850 rpm", "Noise, 2000 rpm"], "{:?}", bench.notices());
    let turn = |text: &str| snapshot.card.lines.iter().any(|line| line.label == text);
    assert!(turn("13.8 per turn") && turn("41.4 per turn"), "{:?}", snapshot.card.lines);
    assert_eq!(snapshot.chart_face, ChartFace::Spectrum);
    assert_eq!(snapshot.chart.lines.len(), 3);
}

/// Truth: the hatch's door panel buzzes where its file says.
#[test]
fn a_spot_that_buzzes_is_played_until_it_is_stopped() {
    let mut bench = Bench::new();
    let car = bench.desk.rig.as_ref().and_then(|rig| rig.car()).expect("the car").car.clone();
    let clean = car.truth().clean_step;
    bench
        .desk
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
    bench.choose(Choice::SourceTask(SourceTask::Rattle));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let snapshot = bench.snapshot();
    let spots = bench
        .desk
        .chosen_of(|held| held.reading.measurement == "rattle")
        .map(|held| procedure::spots(&held.reading));
    let spot =
        spots.and_then(|spots| spots.first().cloned()).unwrap_or_else(|| panic!("{:?}", snapshot.card));
    near("where it begins", spot.from_hz, seeded.from_hz, 5.0);
    near("where it ends", spot.to_hz, seeded.to_hz, 5.0);
    assert_eq!(snapshot.card.lines[0].tone, Tone::Caution);
    bench.press(Action::PlaySpot(0));
    assert!(matches!(bench.snapshot().shared.activity, Activity::Running { .. }), "{:?}", bench.notices());
    bench.ask(Command::StartOrStop);
    bench.finish();
    assert_eq!(bench.snapshot().shared.activity, Activity::Idle);
}

/// The meter's reading of the simulated tap gives the scale that it has.
#[test]
fn the_input_is_calibrated_by_a_tone_and_a_meter() {
    let mut bench = Bench::with_car("straight-wire");
    bench.choose(Choice::SourceTask(SourceTask::Volts));
    bench.ask(Command::StartOrStop);
    let began = std::time::Instant::now();
    bench.pump_until(|_| began.elapsed() > std::time::Duration::from_millis(1_500));
    bench.ask(Command::StartOrStop);
    bench.finish();
    let heard = bench.desk.source.heard.clone().unwrap_or_else(|| panic!("{:?}", bench.notices()));
    let truth = heard.before.expect("the simulated tap is calibrated");
    assert!(bench.snapshot().tray.is_empty(), "a calibration is no capture");
    for nonsense in ["loud", "0", "-3"] {
        bench.set(SettingValue::Text(TextKey::MeterReading, nonsense.to_owned()));
        bench.press(Action::KeepVolts);
        assert!(bench.desk.source.heard.is_some(), "{nonsense} is refused");
    }
    let meter = heard.simulated_meter_v.expect("a meter can be simulated");
    bench.set(SettingValue::Text(TextKey::MeterReading, format!("{meter:.4}")));
    let before = bench.notices();
    assert_eq!(before.len(), 3, "each refusal is told: {before:?}");
    bench.press(Action::KeepVolts);
    let told = bench.notices();
    assert!(told.iter().any(|notice| notice.contains(&format!("{truth:.2}"))), "{told:?} {truth}");
    assert!(bench.desk.source.heard.is_none());
}

/// With devices a person connects one output after the other.
#[test]
fn outputs_of_a_real_source_follow_one_another() {
    let mut bench = Bench::new();
    let text = include_str!("../rigs/begun.toml");
    let spec = engine::RigSpec::parse(text, "begun.toml").expect("it is our own");
    bench.desk.hold_rig(rig::OpenRig::devices(spec).expect("no device is opened yet"));
    bench.set(SettingValue::Text(TextKey::Outputs, " front, rear ,, sub".to_owned()));
    let titles = |bench: &Bench| -> Vec<String> {
        bench.desk.sweep().expect("a sweep").1.iter().map(|heading| heading.title.clone()).collect()
    };
    assert_eq!(titles(&bench), ["Output 1 of 3: front", "Output 2 of 3: rear", "Output 3 of 3: sub"]);
    bench.choose(Choice::Output(Some("rear".to_owned())));
    assert_eq!(titles(&bench), ["rear"]);
    bench.choose(Choice::SourceTask(SourceTask::Tone));
    bench.set(SettingValue::Number(NumberKey::VolumeStep, 24.0));
    let order = bench.desk.orders().expect("orders").pop_front().expect("one");
    assert_eq!((order.plan.position.as_str(), order.plan.volume_step), ("rear", Some(24)));
    bench.set(SettingValue::Text(TextKey::Outputs, " , ".to_owned()));
    bench.ask(Command::StartOrStop);
    assert!(
        bench.desk.work.is_none() && bench.notices().iter().any(|notice| notice.contains("front, rear, sub"))
    );
}
