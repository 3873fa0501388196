//! The stages as functions of the state alone: no thread, no file, no rig.

use std::path::PathBuf;
use std::sync::Arc;

use job::{CaptureMeta, CaptureState, Driver, Head, JobData};
use measure::Reading;
use tuning::Role;
use view::{Action, CaptureId, SetMark, SourceTask, Stage, StageState, Tone};

use super::captures::CaptureView;
use super::derivation::Derivation;
use super::state::{Busy, BusyWith, JobView, State};
use super::tune::Tune;

fn state() -> State {
    State::new(Tune::restored(None, None, |_| Vec::new()).expect("the presets are there"))
}

/// What follows from this state, with nothing computed before.
fn of(state: &State) -> Derivation {
    Derivation::of(state.now(), Arc::default())
}

fn job(data: impl FnOnce(&mut JobData)) -> JobView {
    let head = Head { name: "Blue estate".to_owned(), created: jiff::Timestamp::UNIX_EPOCH };
    let mut job = JobData::new(head);
    data(&mut job);
    JobView { data: Arc::new(job), dir: PathBuf::from("/nowhere"), captures: [].into(), revision: 0 }
}

/// A capture that was made at this place; for the tune it is of the set before.
fn capture(id: u32, stage: job::Stage, position: &str) -> job::Capture {
    let meta = CaptureMeta {
        label: position.to_owned(),
        position: position.to_owned(),
        set: Some(job::Set::Before).filter(|_| stage == job::Stage::Tune),
        ..CaptureMeta::new("sweep", 1, stage, jiff::Timestamp::UNIX_EPOCH)
    };
    job::Capture { id: job::CaptureId(id), state: CaptureState::Done, meta }
}

/// The same with this reading, or while it is being recorded.
fn held(id: u32, stage: job::Stage, position: &str, reading: Option<Reading>) -> CaptureView {
    let state = if reading.is_some() { CaptureState::Done } else { CaptureState::Recording };
    CaptureView::new(&job::Capture { state, ..capture(id, stage, position) }, reading)
}

/// Takes the mark of a capture at the driver's place away.
fn unmark(state: &mut State, id: u32) {
    let mut unmarked = capture(id, job::Stage::Tune, "driver");
    unmarked.meta.set = None;
    state.captures.place(&unmarked);
}

/// A level response, so many dB at 1 kHz.
fn response(level_db: f64) -> Reading {
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    let grid = dsp::response::log_grid(20.0, 20_000.0, 12.0);
    let level = grid.iter().map(|hz| if (900.0..1_100.0).contains(hz) { level_db } else { 0.0 }).collect();
    reading.curve("response", [("frequency_hz", grid), ("magnitude_db", level)]);
    reading
}

fn inverted() -> Reading {
    let mut reading = response(0.0);
    reading.label("polarity", "inverted");
    reading
}

fn two_drivers(data: &mut JobData) {
    data.intake.drivers = ["left-tweeter", "right-tweeter"]
        .map(|name| Driver { name: name.to_owned(), role: Some(Role::Tweeter), ..Driver::default() })
        .into();
}

#[test]
fn nothing_is_open_and_every_stage_says_what_comes_first() {
    let mut state = state();
    for stage in Stage::ALL {
        state.face.stage = stage;
        let snapshot = of(&state).snapshot();
        assert!(!snapshot.card.instruction.is_empty(), "{stage:?}");
        assert_eq!(of(&state).stage_line(stage).state, StageState::NotBegun, "{stage:?}");
        // What needs a rig cannot be pressed.
        let main = snapshot.card.main;
        assert!(main.is_none_or(|main| !main.enabled || main.action != Action::Measure), "{stage:?}");
        assert!(state.orders().is_err());
    }
    state.face.stage = Stage::Intake;
    assert_eq!(of(&state).main_button().map(|main| main.action), Some(Action::UseSimulatedCar));
}

#[test]
fn drivers_are_counted_by_what_was_measured() {
    let mut state = state();
    state.job = Some(job(two_drivers));
    state.face.stage = Stage::Drivers;
    state.choices.driver_places = 1;
    assert_eq!(state.drivers_result(), (0, 2, Vec::new()));
    // One that is being recorded is not measured yet, and nobody else's place.
    state.captures.insert(held(1, job::Stage::Drivers, "left-tweeter", None));
    assert_eq!(state.drivers_result().0, 0);
    let track = measurements::signals::track("sweep-high").expect("a track");
    assert_eq!(state.place_for(&track).driver, "right-tweeter");
    state.captures.insert(held(1, job::Stage::Drivers, "left-tweeter", Some(response(0.0))));
    let line = of(&state).stage_line(Stage::Drivers);
    assert_eq!((line.state, line.result.as_str()), (StageState::Begun, "1 of 2 measured"));
    state.captures.insert(held(2, job::Stage::Drivers, "right-tweeter", Some(inverted())));
    assert_eq!(state.drivers_result(), (2, 2, vec!["right-tweeter"]));
    let lines = state.driver_lines();
    assert_eq!(lines[1].tone, Tone::Bad);
    assert!(lines[1].value.starts_with("reversed polarity"), "{}", lines[1].value);
    assert_eq!(of(&state).card().instruction, "Reversed polarity: right-tweeter.");
}

/// Source: arithmetic: the newest capture of a place counts, and one that was broken off never does.
#[test]
fn the_average_follows_the_marks() {
    let mut state = state();
    state.face.stage = Stage::Tune;
    state.captures.insert(held(1, job::Stage::Tune, "driver", Some(response(6.0))));
    state.captures.insert(held(2, job::Stage::Tune, "driver", Some(response(-6.0))));
    assert_eq!(state.side(SetMark::Before).map(|held| held.id.0).collect::<Vec<_>>(), [2]);
    let deviation = of(&state).deviation(SetMark::Before).expect("it was measured");
    unmark(&mut state, 2);
    assert_eq!(state.side(SetMark::Before).map(|held| held.id.0).collect::<Vec<_>>(), [1]);
    assert_ne!(of(&state).deviation(SetMark::Before), Some(deviation));
    unmark(&mut state, 1);
    assert_eq!(of(&state).deviation(SetMark::Before), None);
    assert!(of(&state).outcome().is_none() && of(&state).check().is_none());
}

/// What the job is to keep follows from the state, the same each time it is asked.
#[test]
fn results_are_the_same_for_the_same_state() {
    let mut state = state();
    state.job = Some(job(two_drivers));
    state.captures.insert(held(1, job::Stage::Tune, "driver", Some(response(6.0))));
    let results = of(&state).results();
    assert_eq!(results, of(&state).results());
    let lines = results.iter().filter(|change| matches!(change, procedure::Change::StageResult(..))).count();
    assert_eq!(lines, 2, "the drivers are noted, and one position is measured: {results:?}");
    let before = state.captures.results();
    let mut renamed = capture(1, job::Stage::Tune, "driver");
    renamed.meta.label = "another name".to_owned();
    state.captures.place(&renamed);
    assert_eq!(state.captures.get(CaptureId(1)).map(|held| held.label.as_str()), Some("another name"));
    assert_eq!(state.captures.results(), before);
    assert_eq!(results, of(&state).results(), "a name is no result");
}

/// A limit that came into the job without its captures is not taken away for that.
#[test]
fn what_the_job_was_told_of_the_source_stays() {
    let mut state = state();
    state.job = Some(job(|data| data.source.clean_step = Some(30)));
    let tells = |state: &State| {
        of(state).results().iter().any(|change| matches!(change, procedure::Change::HeadroomFound { .. }))
    };
    assert!(!tells(&state));
    let mut swept = Reading::new("headroom", 1, 48_000.0);
    swept.value("clean_step", 31.0);
    state.captures.insert(held(1, job::Stage::Source, "front", Some(swept)));
    assert!(tells(&state));
}

#[test]
fn while_something_runs_a_card_offers_nothing_that_would_begin() {
    let mut state = state();
    state.job = Some(job(|data| data.source.clean_step = Some(30)));
    state.face.stage = Stage::Source;
    state.face.source_task = SourceTask::Headroom;
    let idle = |state: &State| of(state).card().actions.iter().filter(|action| action.enabled).count();
    let free = idle(&state);
    state.busy = Busy { what: Some(BusyWith::Sweep), ..state.busy.clone() };
    assert!(state.is_sweeping() && !state.is_idle() && !state.is_previewing());
    assert!(idle(&state) <= free);
    assert_eq!(of(&state).shown_face(), view::ChartFace::Steps);
}

#[test]
fn where_nothing_was_measured_the_cabin_or_the_chain_is_shown_and_then_the_chart() {
    use chart::{Flank, Picture, SpeakerState};
    let mut state = state();
    state.job = Some(job(two_drivers));
    state.face.stage = Stage::Drivers;
    let cabin = |state: &State| match of(state).snapshot().picture.as_deref() {
        Some(Picture::Cabin(cabin)) => Some(cabin.clone()),
        _ => None,
    };
    let empty = cabin(&state).expect("nothing was measured");
    let told: Vec<_> = empty.speakers.iter().map(|speaker| (speaker.side, speaker.state)).collect();
    assert_eq!(told, [(Flank::Left, SpeakerState::Open), (Flank::Right, SpeakerState::Open)]);
    state.captures.insert(held(1, job::Stage::Drivers, "left-tweeter", Some(inverted())));
    assert_eq!(cabin(&state), None, "there is a curve now");
    state.face.chart = view::ChartFace::Cabin;
    let speakers = cabin(&state).expect("it was asked for").speakers;
    let states: Vec<_> = speakers.iter().map(|speaker| speaker.state).collect();
    assert_eq!(states, [SpeakerState::Reversed, SpeakerState::Open]);
    state.face.stage = Stage::Gain;
    let Some(Picture::Chain(chain)) = of(&state).snapshot().picture.as_deref().cloned() else {
        panic!("nothing was measured of the source")
    };
    let probed = &chain.links[chain.probe.expect("a place for the probe")];
    assert_eq!((chain.links[0].name.as_str(), probed.name.as_str()), ("Radio", "Amplifier"));
}

/// Harmonics are drawn only where they stand out of the noise: where none does there is no face for them.
#[test]
fn harmonics_have_a_face_where_they_were_found() {
    let mut state = state();
    state.job = Some(job(two_drivers));
    state.face.stage = Stage::Drivers;
    state.captures.insert(held(1, job::Stage::Drivers, "left-tweeter", Some(response(0.0))));
    assert!(!of(&state).faces().contains(&view::ChartFace::Harmonics));
    let mut distorted = response(0.0);
    let grid = vec![1_000.0, 2_000.0];
    distorted.curve("harmonic_2", [("frequency_hz", grid), ("relative_db", vec![-40.0, -41.0])]);
    state.captures.insert(held(1, job::Stage::Drivers, "left-tweeter", Some(distorted)));
    state.face.chart = view::ChartFace::Harmonics;
    let snapshot = of(&state).snapshot();
    assert_eq!(snapshot.chart_face, view::ChartFace::Harmonics);
    assert!(!snapshot.chart.lines.is_empty());
}
