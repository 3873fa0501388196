//! The whole car in stage Tune: drivers at several places, the quick tune and the joint one, edited, entered,
//! measured, taken back, and there again.

use view::{
    Action, Activity, CarTune, Choice, Command, EqualizerPlace, HandleCard, HandleId, Number, NumberKey,
    SettingKey, SettingValue, Stage, StageState, TuneCard,
};

use super::tests::TestApp;
use procedure::Change;

/// The car with these drivers only.
fn with_drivers(names: &[&str]) -> TestApp {
    let mut app = TestApp::new();
    let job = app.core.job.as_mut().expect("the job");
    let mut intake = job.project().data.intake.clone();
    intake.drivers.retain(|driver| names.contains(&driver.name.as_str()));
    assert_eq!(intake.drivers.len(), names.len(), "the car has them");
    job.apply(Change::Intake(intake)).expect("it is kept");
    app
}

/// The same, with every driver measured at so many places.
fn measured(names: &[&str], places: usize) -> TestApp {
    let mut app = with_drivers(names);
    app.ask(Command::OpenStage(Stage::Drivers));
    app.set(SettingValue::Number(NumberKey::DriverPlaces, places as f64));
    app.ask(Command::StartOrStop);
    app.finish();
    app
}

/// A line of the open card, number by number.
fn numbers(app: &TestApp, label: &str) -> Vec<f64> {
    let card = app.snapshot().card;
    let line = card.lines.iter().find(|line| line.label == label);
    let line = line.unwrap_or_else(|| panic!("no line {label}: {card:?}"));
    line.value.split(" · ").map(|cell| cell.replace('−', "-").parse().expect("a number")).collect()
}

fn card_of(app: &TestApp, wanted: impl Fn(&HandleCard) -> bool) -> HandleCard {
    app.snapshot().handles.into_iter().find(wanted).expect("a card for it")
}

fn data(app: &TestApp) -> job::JobData {
    app.core.job.as_ref().expect("the job").job().data().clone()
}

/// Everything that passes through the processor of the simulated car.
const CAR: [&str; 7] =
    ["left-tweeter", "right-tweeter", "left-mid", "right-mid", "left-woofer", "right-woofer", "sub"];

#[test]
fn the_whole_car_is_tuned_edited_entered_measured_and_there_again() {
    let mut app = measured(&CAR, 2);
    let places: Vec<String> = app
        .core
        .job
        .as_ref()
        .expect("the job")
        .job()
        .captures()
        .iter()
        .map(|capture| format!("{} at {}", capture.meta.driver, capture.meta.position))
        .collect();
    assert_eq!(places.len(), 14, "{:?}", app.notices());
    assert!(places[..7].iter().all(|place| place.ends_with("at driver")), "place by place: {places:?}");
    assert!(places[7..].iter().all(|place| place.ends_with("at driver-left-ear")), "{places:?}");
    let snapshot = app.snapshot();
    let main = snapshot.card.main.as_ref().expect("what to do next");
    assert_eq!(main.label, "Measure right-mid again", "once its wires are swapped");
    assert_eq!(snapshot.chart.lines.len(), 7, "one place stands for the seat");
    // Source: the car, which has one of them wired backwards.
    assert_eq!(snapshot.shared.stages[3].result, "reversed: right-mid");

    // The whole car is offered first, with the quick tune.
    app.ask(Command::OpenStage(Stage::Tune));
    app.finish();
    assert_eq!(app.snapshot().face.tune_card, TuneCard::WholeCar);
    let (left, right) = (numbers(&app, "Left"), numbers(&app, "Right"));
    assert_eq!(left.len(), 2, "before and predicted");
    assert!(left[1] + right[1] < left[0] + right[0] - 1.0, "{left:?} {right:?}");
    let labels: Vec<String> = app.snapshot().chart.lines.iter().map(|line| line.label.clone()).collect();
    assert_eq!(labels, ["left, before", "right, before", "left, predicted", "right, predicted"]);
    let headings: Vec<String> = app.snapshot().handles.iter().map(|card| card.heading.clone()).collect();
    let headings: Vec<&str> = headings.iter().map(String::as_str).filter(|one| !one.is_empty()).collect();
    assert_eq!(headings, ["Levels", "Polarity", "Delays", "Crossovers", "Bands"], "the order of entry");
    let reasons = app.snapshot().handles;
    assert!(reasons.iter().all(|card| card.reason.ends_with('.')), "{reasons:?}");
    assert!(data(&app).channels.is_empty() && data(&app).tune.is_none(), "nothing is entered yet");

    // The joint one, and back to the quick one.
    let quick = left[1] + right[1];
    app.ask(Command::StartOrStop);
    assert!(matches!(app.snapshot().shared.activity, Activity::Running { .. }));
    app.finish();
    let joint = numbers(&app, "Left")[1] + numbers(&app, "Right")[1];
    assert!(joint < quick, "joint {joint:.1}, quick {quick:.1} dB");
    app.choose(Choice::CarTune(CarTune::Quick));
    testkit::near("the quick one", numbers(&app, "Left")[1] + numbers(&app, "Right")[1], quick, 1e-9);
    app.choose(Choice::CarTune(CarTune::Joint));

    // What is edited shows in the prediction at once; a locked value outlasts the next tune.
    let level = card_of(&app, |card| card.text.starts_with("left-mid:"));
    let HandleId::Value(_) = level.id else { panic!("{level:?}") };
    for _ in 0..6 {
        app.ask(Command::StepHandle { handle: level.id, what: Number::Value, by: 1 });
    }
    app.ask(Command::Lock(level.id, true));
    let edited = card_of(&app, |card| card.id == level.id);
    assert_eq!((edited.reason.as_str(), edited.locked), ("Edited by hand.", Some(true)));
    let louder = numbers(&app, "Left louder by")[1];
    assert!(louder > 0.5, "left-mid is 3 dB louder: {louder}");
    let card = app.snapshot().card;
    assert!(card.findings.iter().any(|finding| finding.text.contains("edited")), "{card:?}");
    app.press(Action::TuneCar);
    app.finish();
    assert_eq!(card_of(&app, |card| card.id == level.id).text, edited.text, "it was locked");
    // Entered as one, and taken back as one.
    let proposed = app.snapshot().handles;
    app.ask(Command::StartOrStop);
    app.finish();
    let entered = data(&app);
    assert!(entered.tune.is_some() && entered.channels.len() == CAR.len());
    let bands = proposed.iter().filter(|card| card.band.is_some()).count();
    assert_eq!((entered.bands.len(), app.core.tune.bands().len()), (bands, bands));
    app.ask(Command::Undo);
    let undone = data(&app);
    assert!(undone.tune.is_none() && undone.channels.is_empty() && app.core.tune.bands().is_empty());
    app.ask(Command::Redo);
    assert_eq!(data(&app).channels, entered.channels);
    assert_eq!(app.core.tune.bands().len(), bands);

    // Timing shows the tune's delays, and says so.
    app.ask(Command::OpenStage(Stage::Timing));
    let timing = app.snapshot();
    assert!(timing.card.instruction.contains("tune of the whole car"), "{:?}", timing.card);
    let of_tune = timing.card.lines.iter().find(|line| line.label == "left-mid").expect("its delay");
    let mid = entered.channels.iter().find(|one| one.channel == "left-mid").expect("it is entered");
    assert!(of_tune.value.starts_with(&format!("{:.2} ms", 1e3 * mid.delay_s)), "{of_tune:?}");
    assert!(!timing.chart.lines.iter().any(|line| line.label.ends_with("together")), "no other sums");

    // Measured after, each side by itself: the same numbers beside what was predicted.
    app.ask(Command::OpenStage(Stage::Tune));
    app.set(SettingValue::Number(NumberKey::Positions, 2.0));
    app.ask(Command::StartOrStop);
    app.finish();
    let head = &app.snapshot().card.lines[0];
    assert!(head.value.starts_with("before · predicted") && head.value.ends_with("measured"), "{head:?}");
    let left = numbers(&app, "Left");
    let (predicted, measured) = (left[1], left[left.len() - 1]);
    // Source: the simulated car itself, at the places that were tuned for; the noise of short sweeps is left.
    testkit::near("left, measured against predicted", measured, predicted, 0.3);
    let louder = numbers(&app, "Left louder by");
    testkit::near("left louder, measured against predicted", louder[louder.len() - 1], louder[1], 0.3);
    app.settle();
    let kept = data(&app).tune.expect("the tune");
    assert!(kept.measured.is_some_and(|measured| measured.left.is_some() && measured.left_right.is_some()));
    let tune = &app.snapshot().shared.stages[5];
    assert_eq!(tune.state, StageState::Measured);
    assert!(tune.result.ends_with("dB measured"), "{}", tune.result);
    assert_eq!(app.snapshot().card.main.map(|main| main.action), Some(Action::NextStage));

    // There again when the job is opened, with nothing to undo.
    let cards = app.snapshot().handles;
    let folder = app.core.job.take().expect("the job").job().dir().to_owned();
    app.ask(Command::OpenJob(folder.display().to_string()));
    app.finish();
    app.ask(Command::OpenStage(Stage::Tune));
    app.press(Action::ShowWholeCar);
    assert_eq!(app.snapshot().handles, cards);
    assert_eq!(app.snapshot().shared.can_undo, (false, false));
    assert_eq!(app.notices().iter().filter(|notice| notice.contains("fault")).count(), 0);

    // The timing by itself takes its place, and the tune is no longer what is entered.
    app.ask(Command::OpenStage(Stage::Timing));
    app.press(Action::EnterTiming);
    app.finish();
    assert!(data(&app).tune.is_none() && data(&app).channels != entered.channels);
}

/// Equalizers of left and right are entered at the processor's inputs, and reach the subwoofer with each side's signal.
#[test]
fn an_equalizer_for_each_side_is_measured_as_predicted() {
    let mut app = measured(&CAR, 2);
    app.ask(Command::OpenStage(Stage::Tune));
    app.finish();
    app.choose(Choice::Equalizer(EqualizerPlace::Sides));
    app.finish();
    app.press(Action::TuneCar);
    app.finish();
    app.ask(Command::StartOrStop);
    app.finish();
    let named = |side: &str| data(&app).bands.iter().any(|band| band.channel == side);
    assert!(named("left") && named("right") && !named("sub"), "{:?}", data(&app).bands);
    app.set(SettingValue::Number(NumberKey::Positions, 2.0));
    app.ask(Command::StartOrStop);
    app.finish();
    for (line, limit_db) in [("Left", 0.3), ("Right", 0.3), ("Left louder by", 0.3)] {
        let numbers = numbers(&app, line);
        let (predicted, measured) = (numbers[1], numbers[numbers.len() - 1]);
        // Source: the simulated car itself, as for an equalizer in each channel.
        testkit::near(&format!("{line}, measured against predicted"), measured, predicted, limit_db);
    }
}

/// What is stopped gives the best that was found by then, and another equalizer is tuned for at once.
#[test]
fn a_tune_that_is_stopped_keeps_the_best_so_far() {
    let mut app = measured(&["left-mid", "right-mid"], 1);
    app.ask(Command::OpenStage(Stage::Tune));
    app.finish();
    assert!(app.snapshot().card.findings.iter().any(|finding| finding.text.contains("at 1 place")));
    app.choose(Choice::Equalizer(EqualizerPlace::Sides));
    app.finish();
    assert_eq!(data(&app).choices.equalizer, None, "a choice is kept with the tune that is entered");
    let (before, quick) = (numbers(&app, "Left")[0], numbers(&app, "Left")[1]);
    assert!(quick < before);
    app.press(Action::TuneCar);
    app.core.stop();
    app.finish();
    assert_eq!(app.snapshot().shared.activity, Activity::Idle);
    let card = app.snapshot().card;
    assert!(card.findings.iter().any(|finding| finding.text.contains("stopped")), "{card:?}");
    assert!(numbers(&app, "Left")[1] < before);
    assert!(
        card.settings.iter().any(|setting| setting.key() == SettingKey::Choice(view::ChoiceKey::CarTune))
    );
}

/// A car that cannot be tuned says why, and what to do.
#[test]
fn without_drivers_the_card_leads_to_them() {
    let mut app = with_drivers(&["left-mid", "right-mid"]);
    app.ask(Command::OpenStage(Stage::Tune));
    assert_eq!(app.snapshot().face.tune_card, TuneCard::Bands, "there is nothing to offer yet");
    app.press(Action::ShowWholeCar);
    app.finish();
    let card = app.snapshot().card;
    assert_eq!(card.main.as_ref().map(|main| main.action), Some(Action::OpenStage(Stage::Drivers)));
    assert!(card.findings.iter().any(|finding| finding.text.contains("stage Drivers")), "{card:?}");
    assert!(app.snapshot().handles.is_empty() && card.lines.is_empty());
    app.ask(Command::StartOrStop);
    assert_eq!(app.snapshot().face.stage, Stage::Drivers);
}
