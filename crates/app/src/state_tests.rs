//! The stages as functions of the state alone: no thread, no file, no rig.

use measure::Reading;
use view::{Action, CaptureId, SetMark, SourceTask, Stage, StageState, Tone};

use super::state::{Busy, BusyWith, State};
use super::test_samples::{capture, held, inverted, job, of, response, state, two_drivers, unmark};

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
    assert_eq!(of(&state).main_button().action, Action::UseSimulatedCar);
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
