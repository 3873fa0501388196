//! Each stage's card in each of its states: not begun, under way, answered, contradicted; each time with its one next
//! step. The states are made by hand: no thread, no file, no sound.

use std::sync::Arc;

use job::{ChannelSetting, JobData, Set, TuneRecord};
use measure::{Cell, Reading, Table};
use project::derive::ProposedTune;
use testkit::near;
use tuning::{Equalizer, GainInput};
use view::{
    Action, ChartFace, SetMark, SettingKey, SourceTask, Stage, StageState, SwitchKey, Tone, TuneCard,
};

use super::card::Ready;
use super::gain::Gain;
use super::gain_meter::{GainMeter, NEAR_DB};
use super::proposal::CarProposal;
use super::state::{BusyWith, State};
use super::test_samples::{
    Draw, busy, held, inverted, job, measure, of, refused, response, shaped, state, swept, two_drivers,
    typed, with_car,
};

/// What the open stage offers first: what it does, its words, and whether it can be pressed.
fn main_of(state: &State) -> (Action, String, bool) {
    let main = of(state).main_button();
    (main.action, main.label, main.enabled)
}

fn next(state: &State) -> Action {
    let (action, label, enabled) = main_of(state);
    assert!(enabled, "{label}");
    action
}

fn line(state: &State, stage: Stage) -> (StageState, String) {
    let line = of(state).stage_line(stage);
    (line.state, line.result)
}

fn findings(state: &State) -> String {
    let texts: Vec<String> = of(state).card().findings.into_iter().map(|finding| finding.text).collect();
    texts.join("\n")
}

fn at(stage: Stage) -> State {
    let mut state = state();
    state.face.stage = stage;
    state.job = Some(job(two_drivers));
    with_car(&mut state);
    state
}

fn job_with(state: &mut State, change: impl FnOnce(&mut JobData)) {
    state.job = Some(job(|data| {
        two_drivers(data);
        change(data);
    }));
}

/// What holds of every card: one next step that can be pressed or says why not, no button twice, no key twice, a
/// sentence to begin with, and nothing that is not a number on the chart.
fn check_card(state: &State, when: &str) {
    let snapshot = of(state).snapshot();
    let card = &snapshot.card;
    assert!(!card.instruction.is_empty(), "{when}");
    for button in card.actions.iter().chain(&card.main) {
        assert!(
            button.enabled || !button.why.is_empty(),
            "{when}: {} is grey and says nothing",
            button.label
        );
        assert!(!button.label.is_empty() && !button.label.contains("1 positions"), "{when}: {button:?}");
    }
    let keys: Vec<SettingKey> = card.settings.iter().map(view::Setting::key).collect();
    let twice = keys.iter().enumerate().find(|(at, key)| keys[..*at].contains(key));
    assert_eq!(twice, None, "{when}: two settings of one key");
    for text in
        card.findings.iter().map(|finding| &finding.text).chain(card.lines.iter().map(|line| &line.value))
    {
        assert!(!text.contains("NaN") && !text.contains("inf "), "{when}: {text}");
    }
    let points = snapshot.chart.lines.iter().flat_map(|line| line.points.iter());
    assert!(points.clone().all(|point| point.x.is_finite() && point.y.is_finite()), "{when}");
    assert!(snapshot.chart_faces.contains(&snapshot.chart_face), "{when}: {:?}", snapshot.chart_face);
}

/// In any stage, task and card: without a rig, muted, busy; and what cannot be begun is not offered as if it could.
#[test]
fn no_rig_muted_and_busy_say_what_to_do_first() {
    let tasks = [
        SourceTask::Volts,
        SourceTask::Headroom,
        SourceTask::Tone,
        SourceTask::Noise,
        SourceTask::Rattle,
        SourceTask::Other,
    ];
    let cards = [TuneCard::Bands, TuneCard::WholeCar, TuneCard::MeaningOfQ, TuneCard::Target];
    for stage in Stage::ALL {
        for task in tasks {
            for card in cards {
                let mut state = at(stage);
                (state.face.source_task, state.face.tune_card) = (task, card);
                let when = format!("{stage:?}, {task:?}, {card:?}");
                check_card(&state, &when);
                state.muted = true;
                check_card(&state, &format!("{when}, muted"));
                let sounding = |action| matches!(action, Action::Measure | Action::WatchLevel);
                let (action, _, enabled) = main_of(&state);
                assert!(!sounding(action) || !enabled, "{when}: muted, and yet {action:?}");
                (state.muted, state.rig) = (false, None);
                check_card(&state, &format!("{when}, no rig"));
                let (action, _, enabled) = main_of(&state);
                assert!(!sounding(action) || !enabled, "{when}: without a rig, and yet {action:?}");
                with_car(&mut state);
                for what in [BusyWith::Other, BusyWith::Sweep, BusyWith::Preview] {
                    busy(&mut state, what);
                    check_card(&state, &format!("{when}, {what:?}"));
                }
                if stage != Stage::Tune {
                    break;
                }
            }
            if stage != Stage::Source {
                break;
            }
        }
    }
}

#[test]
fn intake_asks_for_a_rig_and_then_for_the_car() {
    let mut state = state();
    assert_eq!(
        (next(&state), line(&state, Stage::Intake).0),
        (Action::UseSimulatedCar, StageState::NotBegun)
    );
    with_car(&mut state);
    state.job = Some(job(|_| {}));
    assert_eq!((next(&state), line(&state, Stage::Intake).0), (Action::NextStage, StageState::NotBegun));
    state.job = Some(job(|data| data.intake.vehicle = "Blue hatch".to_owned()));
    assert_eq!(line(&state, Stage::Intake).0, StageState::Begun, "which drivers it has is open");
    job_with(&mut state, |data| data.intake.vehicle = "Blue hatch".to_owned());
    assert_eq!(line(&state, Stage::Intake).0, StageState::Measured);
    let names: Vec<String> = of(&state).card().lines.into_iter().map(|line| line.label).collect();
    assert_eq!(names, ["left-tweeter", "right-tweeter"]);
}

/// The clean step: open, found, the newest counts, and one that could not be found leaves the question open.
#[test]
fn the_source_leads_from_one_open_question_to_the_next() {
    let mut state = at(Stage::Source);
    state.face.source_task = SourceTask::Headroom;
    assert_eq!(main_of(&state).1, "Find the clean step");
    assert_eq!(line(&state, Stage::Source), (StageState::NotBegun, String::new()));
    state.captures.insert(held(1, job::Stage::Source, "front", Some(refused("headroom"))));
    assert_eq!(line(&state, Stage::Source), (StageState::Begun, "no clean step yet".to_owned()));
    assert_eq!(main_of(&state).1, "Find the clean step");
    assert!(findings(&state).contains("too quiet"), "{}", findings(&state));
    // Source: arithmetic: step 31 gives 3.1 V here, and the weakest output is what counts.
    state.captures.insert(held(2, job::Stage::Source, "front", Some(swept(31))));
    let (found, text) = line(&state, Stage::Source);
    assert_eq!((found, text.as_str()), (StageState::Begun, "clean to step 31 · 3.10 V"));
    let card = of(&state).card();
    assert_eq!((card.headline.as_str(), card.instruction.as_str()), ("step 31", "Maximum clean volume: 31"));
    assert!(card.actions.iter().any(|button| button.action == Action::Measure), "it can be done again");
    state.captures.insert(held(3, job::Stage::Source, "sub", Some(swept(28))));
    assert_eq!(of(&state).card().headline, "step 28");
    assert!(of(&state).card().headline_caption.ends_with("first to clip: sub"));
    state.captures.insert(held(4, job::Stage::Source, "sub", Some(swept(34))));
    assert_eq!(of(&state).card().headline, "step 31", "of one output the newest counts");
    // The tap of the simulated car is calibrated: the next question is the tone.
    assert_eq!(main_of(&state).0, Action::OpenTask(SourceTask::Tone));
    let open = of(&state).open_tasks();
    assert_eq!(open, [SourceTask::Tone, SourceTask::Noise, SourceTask::Rattle]);
    busy(&mut state, BusyWith::Sweep);
    assert_eq!((main_of(&state).0, main_of(&state).2), (Action::Measure, false), "it is under way");
    assert_eq!(of(&state).snapshot().chart_face, ChartFace::Steps);
}

/// What only stands in a capture that was not placed by anybody counts nowhere.
#[test]
fn what_is_only_proposed_answers_no_question() {
    let mut state = at(Stage::Source);
    let mut proposed = held(1, job::Stage::Source, "front", Some(swept(31)));
    proposed.proposed = true;
    state.captures.insert(proposed.clone());
    assert_eq!(of(&state).limit().clean_step, None);
    assert_eq!(next(&state), Action::AcceptPlaces);
    assert_eq!(of(&state).card().instruction, "Where does each track belong?");
    state.captures.insert(super::captures::CaptureView { proposed: false, ..proposed });
    assert_eq!(of(&state).limit().clean_step, Some(31));
}

/// The tone: two outputs, one of them reversed against the other, then flattened.
#[test]
fn the_tone_compares_the_outputs_and_can_be_flattened() {
    let mut state = at(Stage::Source);
    (state.face.source_task, state.face.chart) = (SourceTask::Tone, ChartFace::Response);
    assert_eq!(main_of(&state).1, "Sweep all outputs");
    assert!(of(&state).card().actions.iter().all(|button| button.action != Action::FlattenRadio));
    state.source.only = Some("front-left".to_owned());
    let names = state.output_names();
    let (first, second) = (names[0].clone(), names[1].clone());
    state.source.only = Some(first.clone());
    assert_eq!(main_of(&state).1, format!("Sweep {first}"));
    state.captures.insert(held(1, job::Stage::Source, &first, Some(response(0.0))));
    state.captures.insert(held(2, job::Stage::Source, &second, Some(response(6.0))));
    let card = of(&state).card();
    let labels: Vec<&str> = card.lines.iter().map(|line| line.label.as_str()).collect();
    assert!(labels.iter().any(|label| label.starts_with(&first)), "{labels:?}");
    assert!(labels.contains(&&*format!("{second} against {first}")), "{labels:?}");
    assert!(card.actions.iter().any(|button| button.action == Action::FlattenRadio && button.enabled));
    assert_eq!(of(&state).snapshot().chart.lines.len(), 2);
    state.source.together = true;
    let summed = of(&state).card();
    assert!(summed.lines.iter().any(|line| line.label.starts_with("All together")), "{:?}", summed.lines);
    assert_eq!(of(&state).snapshot().chart.lines.len(), 3, "and the sum");
    state.source.undo = vec!["Cut 6 dB at 1 kHz".to_owned()];
    assert!(of(&state).card().lines.iter().any(|line| line.value == "1 band"));
}

fn rattling(spots: &[(f64, f64, f64)]) -> Reading {
    let mut reading = Reading::new("rattle", 1, 48_000.0);
    let rows = spots.iter().enumerate().map(|(number, (from_hz, to_hz, level_db))| {
        #[expect(clippy::cast_precision_loss, reason = "a few")]
        let number = number as f64;
        [number, *from_hz, *to_hz, *level_db].map(Cell::Number).to_vec()
    });
    let columns = ["spot", "from_hz", "to_hz", "level_db"].map(str::to_owned).to_vec();
    reading.tables.insert("spots".to_owned(), Table { columns, rows: rows.collect() });
    let curve = [("frequency_hz", vec![15.0, 100.0, 250.0]), ("level_db", vec![-80.0, -30.0, -80.0])];
    reading.curve("rattle", curve);
    reading
}

#[test]
fn a_rattle_is_played_by_its_spot() {
    let mut state = at(Stage::Source);
    state.face.source_task = SourceTask::Rattle;
    assert_eq!(of(&state).card().instruction, "Find the panels that buzz.");
    state.captures.insert(held(1, job::Stage::Source, "", Some(rattling(&[]))));
    assert_eq!(of(&state).card().instruction, "Nothing buzzes at this level.");
    let eight: Vec<(f64, f64, f64)> = (0..8u32)
        .map(|n| (20.0 + 20.0 * f64::from(n), 30.0 + 20.0 * f64::from(n), -30.0 - f64::from(n)))
        .collect();
    state.captures.insert(held(2, job::Stage::Source, "", Some(rattling(&eight))));
    let snapshot = of(&state).snapshot();
    let plays: Vec<&view::Button> =
        snapshot.card.actions.iter().filter(|button| matches!(button.action, Action::PlaySpot(_))).collect();
    assert_eq!(plays.len(), 6, "as many as can be told apart");
    assert!(
        plays.iter().all(|button| button.enabled) && plays[0].label.contains("20 Hz to 30 Hz"),
        "{plays:?}"
    );
    assert_eq!((snapshot.chart.marks.len(), snapshot.chart_face), (8, ChartFace::Harmonics));
    state.muted = true;
    let card = of(&state).card();
    let play = card.actions.iter().find(|button| button.action == Action::PlaySpot(0)).expect("it is there");
    assert!(!play.enabled && play.why.contains("muted"), "{play:?}");
}

fn gain(power_w: f64, load_ohm: f64, tone_dbfs: f64, meter: &GainMeter) -> Gain<'_> {
    let input = GainInput {
        power_w,
        load_ohm,
        tone_dbfs,
        source_v: 1.0,
        source_clip_v: None,
        processor_input_v: None,
        processor_output_v: None,
        processor_gain_db: 0.0,
        amplifier_input_v: None,
    };
    let ready = Ready { rig: true, muted: false, idle: true };
    Gain { input, measured: false, clean_step: Some(31), meter, ready }
}

/// Source: arithmetic: P watts at R ohms are √(P·R) volts, and a tone so many dB below full scale shows that much less.
/// The gain is set where the meter stood within 0.3 dB of it, for what is chosen now; the words say which way to turn.
#[test]
fn the_gain_is_set_where_the_meter_stood_and_nowhere_else() {
    let mut draw = Draw(0x1234_5678_9ABC_DEF1);
    for _ in 0..200 {
        let (power_w, load_ohm) = (draw.between(5.0, 2_000.0), draw.between(1.0, 8.0));
        let (tone_dbfs, off_db) = (draw.between(-20.0, 0.0), draw.between(-2.0, 2.0));
        let target_v = (power_w * load_ohm).sqrt() * 10f64.powf(tone_dbfs / 20.0);
        let stood_v = target_v * 10f64.powf(off_db / 20.0);
        let mut meter = GainMeter::default();
        (meter.last_v, meter.set_v) = (Some(stood_v), Some(stood_v));
        let stage = gain(power_w, load_ohm, tone_dbfs, &meter);
        near("target", stage.target_v().expect("it can be"), target_v, 1e-9 * target_v);
        let is_set = off_db.abs() <= NEAR_DB;
        assert_eq!(stage.is_set(), is_set, "{off_db} dB off");
        let (state, text) = stage.result().expect("a meter was read");
        let figure = stage.figure(stood_v).expect("a figure");
        if is_set {
            assert_eq!((state, figure.tone), (StageState::Measured, Tone::Good));
            assert_eq!(stage.main().action, Action::NextStage);
        } else {
            let way = if off_db < 0.0 { "up" } else { "down" };
            assert_eq!(state, StageState::NeedsAnotherLook);
            assert!(
                text.contains(&format!("turn {way} by")) && figure.caption.ends_with(way),
                "{text}, {figure:?}"
            );
            assert_eq!(stage.main().action, Action::WatchLevel);
        }
        // Another load: what was set is set no more.
        assert!(!gain(power_w, 2.0 * load_ohm, tone_dbfs, &meter).is_set());
    }
}

#[test]
fn the_gain_stage_says_what_it_waits_for() {
    let meter = GainMeter::default();
    let stage = gain(100.0, 4.0, 0.0, &meter);
    assert_eq!((stage.result(), stage.is_set()), (None, false));
    let card = stage.card();
    assert_eq!((card.headline.as_str(), card.lines.len()), ("20.00 V", 1), "the source was not measured");
    assert!(card.detail.contains("step 31"), "{}", card.detail);
    let known = Gain {
        measured: true,
        input: GainInput { processor_input_v: Some(0.5), ..stage.input.clone() },
        ..stage
    };
    let card = known.card();
    assert!(card.lines.iter().any(|line| line.tone == Tone::Bad), "1 V into 0.5 V: {:?}", card.lines);
    assert!(card.findings.iter().any(|finding| finding.text.contains("clips")), "{:?}", card.findings);
    let none = Gain { clean_step: None, ready: Ready { rig: false, muted: false, idle: true }, ..known };
    assert!(!none.main().enabled && none.card().detail.contains("its clean step"));
    let mut state = at(Stage::Gain);
    assert_eq!((next(&state), line(&state, Stage::Gain).0), (Action::WatchLevel, StageState::NotBegun));
    state.choices.power_w = f64::NAN;
    check_card(&state, "a power that is none");
}

#[test]
fn drivers_are_measured_decided_and_left() {
    let mut state = at(Stage::Drivers);
    state.choices.driver_places = 1;
    assert_eq!(main_of(&state).1, "Measure 2 drivers");
    state.captures.insert(held(1, job::Stage::Drivers, "left-tweeter", Some(response(0.0))));
    assert_eq!(main_of(&state).1, "Measure 1 more");
    state.captures.insert(held(2, job::Stage::Drivers, "right-tweeter", Some(refused("sweep"))));
    assert_eq!(main_of(&state).1, "Measure 1 more", "no result is none");
    state.captures.insert(held(3, job::Stage::Drivers, "right-tweeter", Some(inverted())));
    assert_eq!(main_of(&state).1, "Measure right-tweeter again");
    assert_eq!(
        line(&state, Stage::Drivers),
        (StageState::NeedsAnotherLook, "reversed: right-tweeter".to_owned())
    );
    state.captures.insert(held(4, job::Stage::Drivers, "right-tweeter", Some(inverted())));
    assert_eq!(next(&state), Action::InvertReversed, "measured twice, it is meant to stay so");
    state.inverted_instead.insert("right-tweeter".to_owned());
    assert_eq!(next(&state), Action::NextStage);
    assert_eq!(line(&state, Stage::Drivers), (StageState::Measured, "2 measured".to_owned()));
    let lines = of(&state).card().lines;
    assert_eq!(lines[1].tone, Tone::Caution, "and it is still said");
    // Contradicted: its wires were swapped after all.
    state.captures.insert(held(5, job::Stage::Drivers, "right-tweeter", Some(response(0.0))));
    assert_eq!(of(&state).card().lines[1].tone, Tone::Good);
    assert!(state.reversed_drivers().is_empty());
    // At more places than were measured the rest is open again.
    state.choices.driver_places = 4;
    assert_eq!(main_of(&state).1, "Measure 6 more");
    state.choices.driver = Some("left-tweeter".to_owned());
    assert_eq!(main_of(&state).1, "Measure left-tweeter");
    job_with(&mut state, |data| data.intake.drivers.clear());
    state.choices.driver = None;
    assert_eq!(next(&state), Action::OpenStage(Stage::Intake));
}

/// A driver's reading with an arrival.
fn arriving(at_s: f64) -> Reading {
    let mut reading = response(0.0);
    reading.value("arrival_s", at_s);
    reading.label("polarity", "normal");
    reading
}

#[test]
fn timing_follows_from_the_drivers_and_gives_way_to_a_tune() {
    let mut state = at(Stage::Timing);
    assert_eq!(next(&state), Action::OpenStage(Stage::Drivers));
    // Source: arithmetic: what arrives 1 ms earlier is delayed by it.
    state.captures.insert(held(1, job::Stage::Drivers, "left-tweeter", Some(arriving(0.003))));
    state.captures.insert(held(2, job::Stage::Drivers, "right-tweeter", Some(arriving(0.004))));
    assert_eq!(main_of(&state), (Action::EnterTiming, "Enter them in the processor".to_owned(), true));
    let plan = of(&state).car_plan();
    let delay_s = |name: &str| plan.channels.iter().find(|one| one.channel == name).map(|one| one.delay_s);
    near("the nearer one", delay_s("left-tweeter").expect("a delay"), 0.001, 2.1e-5);
    near("the farther one", delay_s("right-tweeter").expect("a delay"), 0.0, 1e-9);
    assert_eq!(line(&state, Stage::Timing).0, StageState::NotBegun, "nothing is entered yet");
    let channels = plan.channels.clone();
    job_with(&mut state, |data| data.channels.clone_from(&channels));
    assert_eq!(next(&state), Action::NextStage);
    assert!(of(&state).card().instruction.starts_with("Entered."));
    assert_eq!(line(&state, Stage::Timing), (StageState::Measured, "up to 1.00 ms".to_owned()));
    // Contradicted: a driver moved, and what is entered is not what follows any more.
    state.captures.insert(held(3, job::Stage::Drivers, "left-tweeter", Some(arriving(0.0035))));
    assert_eq!(next(&state), Action::EnterTiming);
    // A tune of the whole car is entered: its delays are the ones that count.
    job_with(&mut state, |data| {
        data.channels = channels;
        data.tune = Some(TuneRecord::default());
    });
    assert_eq!(next(&state), Action::NextStage);
    let card = of(&state).card();
    assert!(card.instruction.contains("tune of the whole car"), "{}", card.instruction);
    assert!(card.actions.iter().any(|button| button.action == Action::EnterTiming));
}

/// Recorded against a reference driver that was another, or louder, for one of them: the delays are doubtful.
#[test]
fn a_reference_driver_that_changed_is_told_where_delays_follow_from_it() {
    let against = |arrives_s: f64, level_db: f64| {
        let mut reading = arriving(arrives_s);
        let grid = vec![500.0, 1_000.0, 2_000.0];
        let (level, phase) = (vec![level_db; 3], vec![0.0; 3]);
        reading.curve("reference", [("frequency_hz", grid), ("magnitude_db", level), ("phase_deg", phase)]);
        reading
    };
    for (louder_db, told) in [(0.0, false), (4.0, true)] {
        let mut state = at(Stage::Timing);
        let first = held(1, job::Stage::Drivers, "left-tweeter", Some(against(0.003, -20.0)));
        let second = against(0.004, -20.0 + louder_db);
        state.captures.insert(first);
        state.captures.insert(held(2, job::Stage::Drivers, "right-tweeter", Some(second)));
        let said = findings(&state);
        assert_eq!(said.contains("The reference driver does not sound as it did"), told, "{said}");
    }
}

/// Without a loopback channel arrivals do not compare, and that is said before anything is entered.
#[test]
fn arrivals_without_a_common_zero_are_not_trusted_in_silence() {
    let mut state = at(Stage::Timing);
    let spec = engine::RigSpec::system_default();
    state.rig = Some(rig::OpenRig::devices(spec).expect("nothing is opened yet").facts().clone());
    state.captures.insert(held(1, job::Stage::Drivers, "left-tweeter", Some(arriving(0.003))));
    state.captures.insert(held(2, job::Stage::Drivers, "right-tweeter", Some(arriving(0.004))));
    assert!(!state.arrivals_compare());
    assert!(findings(&state).contains("Without a loopback channel"), "{}", findings(&state));
    assert_eq!(main_of(&state).1, "I have entered them");
}

/// Tune goes from before to bands, to the processor, to after; and says when what was measured contradicts what was typed.
#[test]
fn tune_goes_from_before_to_after_and_says_what_is_contradicted() {
    let mut state = at(Stage::Tune);
    state.choices.positions = 2;
    assert_eq!(main_of(&state).1, "Measure 2 positions before");
    let bump = tuning::Band::peak(500.0, 6.0, 2.0);
    measure(&mut state, 1, Set::Before, "driver", shaped(&[bump]));
    assert_eq!(main_of(&state).1, "Measure 1 position before");
    assert_eq!(line(&state, Stage::Tune).0, StageState::Begun);
    measure(&mut state, 2, Set::Before, "driver-left-ear", shaped(&[bump]));
    assert_eq!((next(&state), line(&state, Stage::Tune).0), (Action::SuggestBands, StageState::Begun));
    state.tune.set_bands(vec![typed(500.0, -6.0)]);
    assert_eq!(next(&state), Action::EnterBands);
    assert!(of(&state).snapshot().ribbon.expect("a ribbon").caption.starts_with("Predicted"));
    (state.entered, state.choices.side) = (true, SetMark::After);
    assert_eq!(main_of(&state).1, "Measure 2 positions after");
    for (id, place) in [(3, "driver"), (4, "driver-left-ear")] {
        measure(&mut state, id, Set::After, place, shaped(&[]));
    }
    // It is done when what was entered has been measured.
    assert_eq!((next(&state), line(&state, Stage::Tune).0), (Action::NextStage, StageState::Measured));
    let typed_line = |state: &State| {
        let lines = of(state).card().lines;
        lines.into_iter().find(|line| line.label == "What was typed").expect("a verdict")
    };
    assert_eq!(
        (typed_line(&state).value.as_str(), typed_line(&state).tone),
        ("entered correctly", Tone::Good)
    );
    let (_, text) = line(&state, Stage::Tune);
    assert!(text.contains(" → ") && text.ends_with(" dB RMS"), "{text}");
    // Contradicted: the band boosts where it should cut.
    let boosted = tuning::Band::peak(500.0, 6.0, 2.0);
    for (id, place) in [(5, "driver"), (6, "driver-left-ear")] {
        measure(&mut state, id, Set::After, place, shaped(&[bump, boosted]));
    }
    assert_eq!(typed_line(&state).tone, Tone::Bad);
    assert!(findings(&state).contains("Band 1 "), "{}", findings(&state));
    // What is mistyped is kept with the job, and the handover says it too.
    let record = of(&state).audit_record().expect("a record");
    assert_eq!(record.bands[0].verdict, "wrong-sign", "{record:?}");
    state.face.stage = Stage::Handover;
    assert!(findings(&state).contains("Band 1 "));
    // The typing mistake of the simulated processor is a switch, and no other rig has it.
    state.face.stage = Stage::Tune;
    let has = |state: &State| {
        let keys: Vec<SettingKey> = of(state).card().settings.iter().map(view::Setting::key).collect();
        keys.contains(&SettingKey::Switch(SwitchKey::TypingError))
    };
    assert!(has(&state));
    state.rig = Some(
        rig::OpenRig::devices(engine::RigSpec::system_default()).expect("not opened yet").facts().clone(),
    );
    assert!(!has(&state));
}

/// One position that stands apart is named, once, and its tile says so.
#[test]
fn a_position_that_stands_apart_is_named() {
    let mut state = at(Stage::Tune);
    let usual = tuning::Band::peak(500.0, 6.0, 2.0);
    let odd = [tuning::Band::peak(300.0, -18.0, 1.0), tuning::Band::peak(2_000.0, 15.0, 1.0)];
    for (id, place) in [(1, "driver"), (2, "driver-left-ear"), (3, "driver-right-ear"), (4, "driver-chest")] {
        state.captures.insert(held(id, job::Stage::Tune, place, Some(shaped(&[usual]))));
    }
    assert!(!findings(&state).contains("stands apart"));
    state.captures.insert(held(5, job::Stage::Tune, "driver-back", Some(shaped(&odd))));
    assert_eq!(findings(&state).matches("stands apart").count(), 1, "{}", findings(&state));
    let tray = of(&state).snapshot().tray;
    let apart: Vec<&str> =
        tray.iter().filter(|tile| tile.remark.contains("apart")).map(|tile| tile.label.as_str()).collect();
    assert_eq!(apart, ["driver-back"]);
}

#[test]
fn the_handover_says_what_is_not_done_and_what_was_written() {
    let mut state = state();
    state.face.stage = Stage::Handover;
    let (action, _, enabled) = main_of(&state);
    assert_eq!((action, enabled), (Action::WritePapers, false));
    state.job = Some(job(|data| data.source.clean_step = Some(31)));
    assert_eq!((next(&state), line(&state, Stage::Handover).0), (Action::WritePapers, StageState::NotBegun));
    let card = of(&state).card();
    assert_eq!(card.headline, "step 31");
    assert!(card.headline_caption.contains("never to go above it"));
    assert!(
        findings(&state).contains("Not done: Intake, Source, Gain, Drivers, Timing, Tune."),
        "{}",
        findings(&state)
    );
    assert!(card.files.is_empty());
    state.handed_over = true;
    assert_eq!(line(&state, Stage::Handover).0, StageState::Measured);
    let labels: Vec<String> = of(&state).card().files.into_iter().map(|file| file.label).collect();
    assert_eq!(labels, ["Open the entry sheet", "Open the report", "Open the folder"]);
}

fn tune(gain_db: f64) -> Arc<ProposedTune> {
    let channel = ChannelSetting { channel: "left-tweeter".to_owned(), gain_db, ..ChannelSetting::default() };
    Arc::new(ProposedTune { channels: vec![channel], bands: Vec::new(), record: TuneRecord::default() })
}

/// The values of a proposal step along what can be set, end where that ends, and are edited when they differ.
#[test]
fn values_of_a_proposal_step_within_what_can_be_set() {
    let profile = tuning::Profile::preset("parametric-gridded").expect("it is built in");
    let mut draw = Draw(77);
    let mut car = CarProposal::new(tune(0.0));
    car.channels[0].high_pass =
        Some(job::Crossover { family: "linkwitz-riley".to_owned(), order: 4, frequency_hz: 2_500.0 });
    car.channels[0].low_pass = car.channels[0].high_pass.clone();
    let values = car.values();
    assert_eq!(values.len(), 5);
    for _ in 0..400 {
        let value = draw.one_of(&values);
        let by = isize::try_from(draw.below(41)).expect("small") - 20;
        car.step(value, &profile, by);
        let one = &car.channels[0];
        assert!((-60.0..=12.0).contains(&one.gain_db), "{one:?}");
        assert!(one.delay_s >= 0.0 && one.delay_s <= 1.0, "{one:?}");
        for corner in one.high_pass.iter().chain(&one.low_pass) {
            assert!((10.0..=20_000.0).contains(&corner.frequency_hz), "{corner:?}");
        }
        assert!(!car.reason(value).contains("NaN"));
        car.lock(value, draw.below(2) == 0);
    }
    let mut locks = car.locked.clone();
    locks.dedup();
    assert_eq!(locks.len(), car.locked.len(), "nothing is locked twice");
    let whole = car.locks(&profile, Equalizer::Channels).len();
    assert!(whole <= values.len(), "{whole}");
    // Found anew, with the same channels: what was locked stays locked.
    let again = CarProposal::new(tune(-3.0)).keeping(Some(&car));
    assert_eq!(again.locked, car.locked);
    assert!(!again.is_edited());
}
