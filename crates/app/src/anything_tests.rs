//! Whatever a person presses, sets, drags, names and takes back, in any order: nothing breaks, nothing that was recorded
//! is lost, a grey button says why, and what is saved is what was seen.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use job::{CaptureMeta, CaptureState, Job, JobData, TuneRecord};
use procedure::Change;
use project::derive::ProposedTune;
use view::{
    Action, Activity, CaptureId, CarTune, ChartFace, Choice, Command, HandleId, Number, NumberKey, SetMark,
    SettingKind, SettingValue, Shelf, SourceTask, Stage, SwitchKey, TextKey,
};

use super::test_samples::{Draw, response, shaped, typed};
use super::tests::TestApp;

/// What a person's own things are kept in, for as long as a test runs.
fn own_place() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    library::place::DATA.set(Some(folder.path().to_owned()));
    folder
}

fn dir(app: &TestApp) -> PathBuf {
    app.core.job.as_ref().expect("the job").job().dir().to_owned()
}

fn data(app: &TestApp) -> JobData {
    app.core.job.as_ref().expect("the job").job().data().clone()
}

/// Captures that are done, without the time that it takes to make them.
fn recorded(app: &mut TestApp, made: &[(job::Stage, &str, Option<job::Set>)]) {
    for (stage, position, set) in made {
        let job = app.core.job.as_ref().expect("the job");
        let mut meta = CaptureMeta::new("sweep", 1, *stage, jiff::Timestamp::UNIX_EPOCH);
        (meta.label, meta.position) = ((*position).to_owned(), (*position).to_owned());
        if *stage == job::Stage::Drivers {
            (*position).clone_into(&mut meta.driver);
        }
        meta.set.clone_from(set);
        let pending = job.store().expect("a store").begin(&meta).expect("a capture");
        let silence = recording::Audio::new(48_000, vec![vec![0.0; 480]]);
        recording::write_wav(&pending.audio_path, &silence, recording::Depth::Int24, 1)
            .expect("it is written");
        let id = pending.id;
        app.core.apply(Change::CaptureBegun { id, meta: meta.clone() }).expect("it begins");
        let bump = tuning::Band::peak(400.0 + 10.0 * f64::from(id.0), 5.0, 2.0);
        let mut reading = if id.0.is_multiple_of(2) { response(3.0) } else { shaped(&[bump]) };
        reading.value("arrival_s", 0.003 + 1e-4 * f64::from(id.0));
        app.core.apply(Change::CaptureDone { id, meta, reading }).expect("it ends");
    }
    app.core.refresh();
}

fn usual_captures() -> Vec<(job::Stage, &'static str, Option<job::Set>)> {
    use job::{Set, Stage};
    vec![
        (Stage::Drivers, "left-tweeter", None),
        (Stage::Drivers, "right-tweeter", None),
        (Stage::Drivers, "left-mid", None),
        (Stage::Tune, "driver", Some(Set::Before)),
        (Stage::Tune, "driver-left-ear", Some(Set::Before)),
        (Stage::Tune, "driver", Some(Set::After)),
        (Stage::Source, "front-left", None),
    ]
}

/// Every action that there is, but for those that ask the sound system for its devices.
const ACTIONS: [Action; 41] = [
    Action::ContinueJob,
    Action::UseSimulatedCar,
    Action::LeaveSetUp,
    Action::TryInputs,
    Action::TappedIsMicrophone,
    Action::PlayOutput(1),
    Action::EditDrivers,
    Action::AddDriver,
    Action::RemoveDriver,
    Action::NextStage,
    Action::OpenStage(Stage::Tune),
    Action::OpenTask(SourceTask::Rattle),
    Action::UnmuteAndStart,
    Action::AcceptPlaces,
    Action::InvertReversed,
    Action::Measure,
    Action::Listen,
    Action::WatchLevel,
    Action::PlaySpot(3),
    Action::KeepVolts,
    Action::RepeatVolts,
    Action::FlattenRadio,
    Action::EnterTiming,
    Action::ShowWholeCar,
    Action::TuneCar,
    Action::EnterTune,
    Action::SuggestBands,
    Action::ClearBands,
    Action::EnterBands,
    Action::Preview,
    Action::ShowBands,
    Action::FindQ,
    Action::UseQ,
    Action::EditTarget,
    Action::AddPoint,
    Action::AddShelf(Shelf::Low),
    Action::AddShelf(Shelf::High),
    Action::KeepTarget,
    Action::ExportBands,
    Action::WritePapers,
    Action::OpenStage(Stage::Source),
];

const WORDS: [&str; 7] =
    ["", " ", "Blue hatch", "ünï \"quoted\" / \\ name", "a,b;c\nd", "left-mid", "0,5 V and no more"];

fn any_number(draw: &mut Draw) -> f64 {
    let usual = draw.between(-40.0, 120.0);
    draw.one_of(&[usual, usual, usual.round(), 0.0, -1.0, 1e9, -1e9, f64::NAN, f64::INFINITY])
}

fn any_handle(draw: &mut Draw) -> HandleId {
    let index = draw.below(6);
    draw.one_of(&[
        HandleId::Band(index),
        HandleId::Proposed(index),
        HandleId::Value(index),
        HandleId::Shelf(index),
        HandleId::Point(index),
    ])
}

/// A value for one of the settings that the open card has: one of its options, or a number or text of any kind.
fn any_setting(app: &TestApp, draw: &mut Draw) -> Option<SettingValue> {
    let settings = app.snapshot().card.settings;
    if settings.is_empty() {
        return None;
    }
    Some(match draw.one_of(&settings).kind {
        SettingKind::Choice { options, .. } if options.is_empty() => return None,
        SettingKind::Choice { options, .. } => match draw.one_of(&options).choice {
            // To wait for another car each time would take most of the test.
            Choice::SimulatedCar(_) => return None,
            choice => SettingValue::Choice(choice),
        },
        SettingKind::Number { key, .. } => SettingValue::Number(key, any_number(draw)),
        SettingKind::Switch(key, on) => SettingValue::Switch(key, !on),
        SettingKind::Text(key, _) => SettingValue::Text(key, draw.one_of(&WORDS).to_owned()),
    })
}

fn any_command(app: &TestApp, draw: &mut Draw) -> Option<Command> {
    let id = CaptureId(u32::try_from(draw.below(12)).unwrap_or(0));
    let faces = app.snapshot().chart_faces;
    let (handle, number, on) = (any_handle(draw), any_number(draw), draw.below(2) == 0);
    Some(match draw.below(22) {
        0 | 1 => Command::OpenStage(draw.one_of(&Stage::ALL)),
        2 => Command::Press(draw.one_of(&ACTIONS)),
        3 => {
            let card = app.snapshot().card;
            let buttons: Vec<Action> = card.actions.iter().chain(&card.main).map(|one| one.action).collect();
            let action = (!buttons.is_empty()).then(|| draw.one_of(&buttons))?;
            if matches!(action, Action::UseDevices | Action::SetUpRig) {
                return None;
            }
            Command::Press(action)
        }
        4 => Command::StartOrStop,
        5..=8 => Command::Set(any_setting(app, draw)?),
        9 => Command::ShowFace(draw.one_of(&[ChartFace::Cabin, ChartFace::Decay, ChartFace::Difference])),
        10 => Command::ShowFace(draw.one_of(&faces)),
        11 => Command::MarkCapture(id, draw.one_of(&[None, Some(SetMark::Before), Some(SetMark::After)])),
        12 => Command::RenameCapture(id, draw.one_of(&WORDS).to_owned()),
        13 => Command::DiscardCapture(id),
        14 => Command::SelectHandle(draw.one_of(&[None, Some(handle)])),
        15 => Command::DragHandle { handle, frequency_hz: number, db: any_number(draw), done: on },
        16 => Command::StepHandle {
            handle,
            what: draw.one_of(&[Number::Frequency, Number::Gain, Number::Q, Number::Value]),
            by: draw.one_of(&[-1, 1, 7, i32::MAX, i32::MIN]),
        },
        17 => draw.one_of(&[
            Command::Enable(handle, on),
            Command::Lock(handle, on),
            Command::RemoveHandle(handle),
        ]),
        18 => draw.one_of(&[Command::Undo, Command::Undo, Command::Redo]),
        19 => draw.one_of(&[Command::Mute, Command::Unmute, Command::SetOutput(number)]),
        20 => {
            draw.one_of(&[Command::PickCapture(Some(id)), Command::PickCapture(None), Command::NextSmoothing])
        }
        _ => Command::ShowCapture(id, on),
    })
}

/// What must hold after every command.
fn check(app: &TestApp, known: &mut BTreeSet<u32>, what: &str) {
    let snapshot = app.snapshot();
    for button in snapshot.card.actions.iter().chain(&snapshot.card.main) {
        assert!(button.enabled || !button.why.is_empty(), "{what}: {} says nothing", button.label);
    }
    let points = snapshot.chart.lines.iter().flat_map(|line| line.points.iter());
    let finite = points.clone().all(|point| point.x.is_finite() && point.y.is_finite());
    assert!(finite, "{what}: {:?}", snapshot.chart_face);
    let project = app.core.job.as_ref().expect("the job").project();
    assert_eq!(snapshot.tray.len(), project.captures.len(), "{what}");
    let there: BTreeSet<u32> =
        project.captures.iter().chain(&project.discarded).map(|capture| capture.id.0).collect();
    assert!(known.is_subset(&there), "{what}: {known:?} were there, {there:?} are");
    *known = there;
    let output_dbfs = snapshot.shared.output_dbfs;
    assert!((-60.0..=0.0).contains(&output_dbfs) || output_dbfs.is_nan(), "{what}: {output_dbfs}");
}

/// So many commands one after another; what runs is sometimes let go on, and sometimes stopped at once.
fn walk(seed: u64, commands: usize) {
    let _own = own_place();
    let mut draw = Draw(seed);
    let mut app = TestApp::new();
    recorded(&mut app, &usual_captures());
    app.core.state.choices.go_on = false;
    let mut known = BTreeSet::new();
    let mut last: Vec<String> = Vec::new();
    for _ in 0..commands {
        let Some(command) = any_command(&app, &mut draw) else { continue };
        last.push(format!("{command:?}"));
        let from = last.len().saturating_sub(6);
        let what = format!("seed {seed}, … {}", last[from..].join(" · "));
        app.ask(command);
        // A person who measures all drivers waits for minutes; a test does not.
        app.core.state.choices.go_on = false;
        app.core.state.choices.times = 10_000;
        app.core.state.choices.countdown_s = 0;
        check(&app, &mut known, &what);
        // Some of what runs comes to its end, some is stopped before it, and some goes on while more is asked for.
        let patience = Duration::from_millis(draw.one_of(&[0, 0, 50, 700]));
        let began = Instant::now();
        while app.core.work.is_some() && began.elapsed() < patience {
            app.pump();
        }
        if draw.below(4) > 0 {
            app.core.stop();
            app.pump_until(|app| app.core.work.is_none());
            check(&app, &mut known, &what);
        }
    }
    app.core.stop();
    app.finish();
    check(&app, &mut known, "at the end");
    let (dir, project) = (dir(&app), app.core.job.as_ref().expect("the job").project().clone());
    // The job is closed, its folder stays.
    app.core.job = None;
    let sound = job::check(&dir).expect("it is a job");
    // What was stopped has no reading, and that is only noted.
    let broken = |line: &&job::CheckLine| line.finding.level != measure::FindingLevel::Note;
    let broken: Vec<_> = sound.lines.iter().filter(broken).collect();
    assert!(broken.is_empty(), "seed {seed}: {broken:?}");
    let again = Job::open(&dir).expect("it can be opened");
    assert_eq!(again.data(), &project.data, "seed {seed}");
    let ids = |captures: &[job::Capture]| captures.iter().map(|one| one.id.0).collect::<Vec<_>>();
    assert_eq!(ids(again.captures()), project.captures.iter().map(|one| one.id.0).collect::<Vec<_>>());
    for capture in again.captures().iter().chain(again.discarded()) {
        assert_ne!(capture.state, CaptureState::Recording, "seed {seed}: {capture:?}");
    }
}

#[test]
fn nothing_that_is_pressed_breaks_anything() {
    (1..=4).for_each(|seed| walk(0x9E37_79B9_7F4A_7C15u64.wrapping_mul(seed), 60));
}

/// One edit that a person can take back.
fn any_edit(draw: &mut Draw) -> Command {
    let id = CaptureId(1 + u32::try_from(draw.below(7)).unwrap_or(0));
    let text =
        |key, draw: &mut Draw| Command::Set(SettingValue::Text(key, format!("name {}", draw.below(99))));
    match draw.below(12) {
        0 => Command::RenameCapture(id, format!("capture {}", draw.below(99))),
        1 => Command::MarkCapture(id, draw.one_of(&[None, Some(SetMark::Before), Some(SetMark::After)])),
        2 => Command::DiscardCapture(id),
        3 => text(TextKey::Notes, draw),
        4 => text(TextKey::Customer, draw),
        5 => text(TextKey::Vehicle, draw),
        6 => Command::Set(SettingValue::Number(NumberKey::Tilt, draw.between(-1.5, 0.0))),
        7 => Command::Enable(HandleId::Band(draw.below(3)), draw.below(2) == 0),
        8 => Command::StepHandle { handle: HandleId::Band(draw.below(3)), what: Number::Gain, by: 1 },
        9 => Command::DragHandle {
            handle: HandleId::Band(draw.below(3)),
            frequency_hz: draw.between(60.0, 9_000.0),
            db: draw.between(-9.0, 3.0),
            done: true,
        },
        10 => Command::Set(SettingValue::Choice(Choice::Target(Some(
            draw.one_of(&["flat", "car-gentle", "car-medium"]).to_owned(),
        )))),
        _ => Command::Set(SettingValue::Choice(Choice::Processor(
            draw.one_of(&["parametric-gridded", "parametric-free"]).to_owned(),
        ))),
    }
}

/// What a person sees of a job: what they said of it, its captures in order, the bands, and what is aimed at with which
/// processor.
#[derive(Debug, PartialEq)]
struct Seen {
    intake: job::Intake,
    name_and_notes: (String, String),
    captures: Vec<(u32, String, Option<job::Set>)>,
    bands: Vec<String>,
    target: tuning::Target,
    target_id: Option<String>,
    processor: String,
}

fn seen(app: &TestApp) -> Seen {
    let project = app.core.job.as_ref().expect("the job").project();
    let capture = |one: &project::CaptureEntry| (one.id.0, one.meta.label.clone(), one.meta.set.clone());
    let tune = &app.core.tune;
    Seen {
        intake: project.data.intake.clone(),
        name_and_notes: (project.data.head.name.clone(), project.data.notes.clone()),
        captures: project.captures.iter().map(capture).collect(),
        bands: tune
            .bands()
            .iter()
            .map(|band| format!("{} {}", band.enabled, band.typed.sentence()))
            .collect(),
        target: tune.target().clone(),
        target_id: tune.target_id().map(str::to_owned),
        processor: tune.profile_id().to_owned(),
    }
}

/// Any sequence of edits, of the job and of the tuning mixed: taken back one by one it is what it was, made again it is
/// what it had become, and opened again it is the same.
#[test]
fn edits_are_taken_back_made_again_and_opened_again() {
    for seed in 1..=6u64 {
        let mut draw = Draw(0xD1B5_4A32_D192_ED03u64.wrapping_mul(seed));
        let mut app = TestApp::new();
        recorded(&mut app, &usual_captures());
        app.core.take_bands(vec![typed(100.0, -3.0), typed(800.0, 2.0), typed(4_000.0, -4.0)]);
        let start = seen(&app);
        let begun = app.core.history.past.len();
        for _ in 0..25 {
            app.ask(any_edit(&mut draw));
        }
        let edits = app.core.history.past.len() - begun;
        assert!(edits > 8, "seed {seed}: {edits} edits mean nothing");
        let end = seen(&app);
        for _ in 0..edits {
            app.ask(Command::Undo);
        }
        assert_eq!(seen(&app), start, "seed {seed}");
        for _ in 0..edits {
            app.ask(Command::Redo);
        }
        assert_eq!(seen(&app), end, "seed {seed}");
        assert!(!app.snapshot().shared.can_undo.1);
        app.settle();
        let folder = dir(&app).display().to_string();
        app.core.job = None;
        app.ask(Command::OpenJob(folder));
        app.finish();
        assert_eq!(seen(&app), end, "seed {seed}: {:?}", app.notices());
    }
}

/// Showing another of the tunes that were found is one edit, and one undo takes it back.
#[test]
fn another_tune_of_the_whole_car_is_one_edit() {
    let mut app = TestApp::new();
    let tune = |gain_db: f64| {
        let channel =
            job::ChannelSetting { channel: "sub".to_owned(), gain_db, ..job::ChannelSetting::default() };
        Arc::new(ProposedTune { channels: vec![channel], bands: Vec::new(), record: TuneRecord::default() })
    };
    app.core.state.proposals.quick = Some(tune(-1.0));
    app.core.state.proposals.joint = Some(tune(-2.0));
    let gain_db = |app: &TestApp| app.core.tune.car().map(|car| car.channels[0].gain_db);
    app.choose(Choice::CarTune(CarTune::Quick));
    assert_eq!((gain_db(&app), app.core.history.past.len()), (Some(-1.0), 1));
    app.choose(Choice::CarTune(CarTune::Joint));
    assert_eq!((gain_db(&app), app.core.history.past.len()), (Some(-2.0), 2));
    app.ask(Command::Undo);
    assert_eq!(gain_db(&app), Some(-1.0));
    app.ask(Command::Undo);
    assert_eq!(gain_db(&app), None);
    assert!(!app.snapshot().shared.can_undo.0);
}

/// What a question comes to is done for the face that asked; one that was pressed twice begins nothing; and a fault of the
/// program while it is answered is said and ends nothing else.
#[test]
fn a_question_is_answered_once_and_a_fault_of_it_is_said() {
    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Drivers));
    app.choose(Choice::Driver(Some("sub".to_owned())));
    app.core.obey(Command::StartOrStop);
    app.core.obey(Command::StartOrStop);
    assert_eq!(app.core.questions.open, 1, "the second press takes the first one back");
    app.finish();
    assert!(app.core.work.is_none() && app.snapshot().tray.is_empty(), "nothing has begun");
    app.notices();
    app.core.ask(|_| panic!("a fault, on purpose")).expect("it is asked");
    app.finish();
    let said = app.notices();
    assert!(said.iter().any(|text| text.contains("fault of the program")), "{said:?}");
    app.ask(Command::StartOrStop);
    app.finish();
    assert_eq!(app.snapshot().tray.len(), 1, "{:?}", app.notices());
    // A face that has left wants no answer.
    app.core.ask(|_| Box::new(|_| panic!("nobody wants it"))).expect("it is asked");
    app.core.faces.clear();
    app.pump_until(|app| app.core.questions.open == 0);
}

/// The band list as it is written is what the job holds, in every form; without a job it says what to do.
#[test]
fn what_is_exported_is_what_the_job_holds() {
    let mut app = TestApp::new();
    app.core.take_bands(vec![typed(100.0, -3.0), typed(800.0, 2.0)]);
    app.settle();
    app.ask(Command::ExportBands);
    app.finish();
    let dir = dir(&app);
    for (form, name) in [
        (procedure::papers::SheetForm::Csv, "bands.csv"),
        (procedure::papers::SheetForm::Json, "bands.json"),
        (procedure::papers::SheetForm::Text, "sheet.txt"),
    ] {
        let written = std::fs::read(dir.join("exports").join(name)).expect("it is written");
        let wanted = procedure::papers::sheet(&dir, form, procedure::papers::PageSize::default());
        assert_eq!(written, wanted.expect("a sheet"), "{name}");
    }
    let text = std::fs::read_to_string(dir.join("exports/bands.csv")).expect("text");
    assert_eq!(text.lines().filter(|line| line.contains("peak")).count(), 2, "{text}");
    assert!(!data(&app).stages.contains_key(&job::Stage::Handover), "the papers are another thing");
    app.ask(Command::OpenStage(Stage::Handover));
    app.press(Action::WritePapers);
    app.finish();
    for name in ["sheet.html", "sheet.pdf", "report.html", "report.pdf"] {
        assert!(dir.join("exports").join(name).metadata().is_ok_and(|file| file.len() > 500), "{name}");
    }
    assert!(app.core.handed_over && data(&app).stages.contains_key(&job::Stage::Handover));
    app.core.job = None;
    app.core.refresh();
    app.notices();
    app.press(Action::ExportBands);
    let said = app.notices();
    assert!(said.iter().any(|text| text.contains("begin a job first")), "{said:?}");
}

/// The switch between with and without, and edits, reach a preview that plays; a stop ends it, and nothing of it is kept.
#[test]
fn a_preview_follows_the_person_and_leaves_nothing() {
    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Tune));
    app.core.take_bands(vec![typed(1_000.0, -6.0)]);
    app.press(Action::Preview);
    assert!(app.core.is_previewing(), "{:?}", app.notices());
    let told = |app: &TestApp| match &app.core.work {
        Some(super::work::Work::Procedure(running)) => match &running.doing {
            super::work::Doing::Previewing(previewing) => previewing.told.clone(),
            _ => panic!("another procedure"),
        },
        _ => panic!("it plays"),
    };
    assert_eq!((told(&app).0.bands.len(), told(&app).1), (1, true));
    for on in [false, true, false] {
        app.set(SettingValue::Switch(SwitchKey::WithBands, on));
        assert_eq!(told(&app).1, on);
    }
    app.ask(Command::StepHandle { handle: HandleId::Band(0), what: Number::Gain, by: 2 });
    assert!(told(&app).0.bands[0].1.gain_db > -6.0);
    app.ask(Command::Undo);
    assert_eq!(told(&app).0.bands[0].1.gain_db, -6.0);
    app.ask(Command::Enable(HandleId::Band(0), false));
    assert!(told(&app).0.bands.is_empty());
    // Another thing cannot be begun meanwhile, and the card's button stops it.
    app.notices();
    app.press(Action::Measure);
    assert!(app.notices().iter().any(|text| text.contains("under way")));
    app.ask(Command::StartOrStop);
    app.finish();
    let snapshot = app.snapshot();
    assert!(snapshot.tray.is_empty() && snapshot.shared.activity == Activity::Idle);
    assert!(Job::open_to_read(dir(&app)).expect("the job").captures().is_empty());
}
