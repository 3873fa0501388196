//! Editing the target, without a window.

use std::time::Instant;

use chart::Chart;
use view::{
    Action, CaptureId, Choice, ChoiceKey, Command, HandleId, Number, NumberKey, SetMark, SettingKey,
    SettingValue, Shelf, Snapshot, Stage, TextKey,
};

use super::captures::CaptureView;
use super::tests::TestApp;

const LOW: HandleId = HandleId::Shelf(0);
const HIGH: HandleId = HandleId::Shelf(1);

/// A core on which the target is edited, with a folder of its own for what is kept.
struct Edited {
    app: TestApp,
    data: tempfile::TempDir,
}

impl Edited {
    fn new() -> Self {
        let data = tempfile::tempdir().expect("a folder");
        library::place::DATA.set(Some(data.path().to_owned()));
        let mut app = TestApp::new();
        app.ask(Command::OpenStage(Stage::Tune));
        app.ask(Command::Press(Action::EditTarget));
        Self { app, data }
    }

    fn press(&mut self, action: Action) {
        self.app.press(action);
    }

    fn set(&mut self, key: NumberKey, value: f64) {
        self.app.set(SettingValue::Number(key, value));
    }

    fn name(&mut self, name: &str) {
        self.app.ask(Command::Set(SettingValue::Text(TextKey::TargetName, name.to_owned())));
    }

    fn drag(&mut self, handle: HandleId, frequency_hz: f64, db: f64, done: bool) {
        self.app.ask(Command::DragHandle { handle, frequency_hz, db, done });
    }

    fn target(&self) -> &tuning::Target {
        self.app.core.tune.target()
    }

    /// Closes the job and opens it again.
    fn reopen(&mut self) {
        self.app.settle();
        let folder = self.app.core.job.take().expect("the job").job().dir().to_owned();
        self.app.ask(Command::OpenJob(folder.display().to_string()));
        self.app.finish();
        self.app.ask(Command::OpenStage(Stage::Tune));
    }
}

fn ids(chart: &Chart) -> Vec<HandleId> {
    chart.handles.iter().map(|handle| handle.id).collect()
}

/// The middle of the target's band near a frequency.
fn band_at(snapshot: &Snapshot, hz: f64) -> f64 {
    let area = &snapshot.chart.areas[0];
    let edge = |points: &[chart::Point]| {
        let beside = points.iter().min_by(|a, b| (a.x / hz).ln().abs().total_cmp(&(b.x / hz).ln().abs()));
        beside.expect("a point").y
    };
    0.5 * (edge(&area.lower) + edge(&area.upper))
}

#[test]
fn the_chart_gets_the_targets_handles_and_gives_them_back() {
    let mut edited = Edited::new();
    let snapshot = edited.app.snapshot();
    assert_eq!(ids(&snapshot.chart), [LOW, HIGH]);
    let texts: Vec<&str> = snapshot.handles.iter().map(|card| card.text.as_str()).collect();
    assert_eq!(texts, ["+6.6 dB below 105 Hz, Q\u{a0}0.71", "−2.4 dB above 2500 Hz, Q\u{a0}0.71"]);
    for handle in &snapshot.chart.handles {
        // The curve is drawn at 24 points per octave; its slope is below 7 dB per octave here.
        testkit::near("on the curve", handle.at.y, band_at(&snapshot, handle.at.x), 7.0 / 48.0);
    }
    assert!(snapshot.card.main.is_some_and(|main| main.label == "Done"));
    edited.app.ask(Command::StartOrStop);
    let snapshot = edited.app.snapshot();
    assert_eq!((snapshot.chart.handles.len(), snapshot.handles.len()), (0, 0), "no bands yet");
    assert!(snapshot.card.actions.iter().any(|action| action.action == Action::EditTarget));
    assert!(!snapshot.shared.can_undo.0, "nothing was edited");
}

/// Source: analytic: a shelf has half its gain at its corner, so that the curve passes through the
/// place where the hand lets go.
#[test]
fn a_drag_is_one_edit_and_the_target_follows_meanwhile() {
    let mut edited = Edited::new();
    let before = edited.target().clone();
    edited.app.ask(Command::SelectHandle(Some(LOW)));
    edited.drag(LOW, 90.0, 2.0, false);
    testkit::near("follows at once", band_at(&edited.app.snapshot(), 90.0), 2.0, 0.2);
    edited.drag(LOW, 70.0, 5.0, false);
    edited.drag(LOW, 71.0, 4.0, true);
    let snapshot = edited.app.snapshot();
    assert_eq!(edited.target().shelves[0].frequency_hz, 71.0);
    testkit::near("follows the hand", band_at(&snapshot, 71.0), 4.0, 0.2);
    assert_eq!(snapshot.chart.areas[0].label, "In-car, medium, edited");
    assert!(edited.target().source.starts_with("edited by hand from “In-car, medium”"));
    assert_eq!(edited.app.core.tune.target_id(), None, "it no longer claims to be the preset");
    assert!(snapshot.handles[0].selected);
    edited.app.ask(Command::Undo);
    assert_eq!(edited.target(), &before);
    assert_eq!(edited.app.core.tune.target_id(), Some("car-medium"));
    assert!(!edited.app.snapshot().shared.can_undo.0, "the whole drag was one edit");
    edited.app.ask(Command::Redo);
    assert_eq!(edited.target().shelves[0].frequency_hz, 71.0);
    // A drag that comes back to where it began is none.
    edited.app.ask(Command::Undo);
    let place = before.place(tuning::TargetHandle::Shelf(0)).expect("a place");
    edited.drag(LOW, 500.0, 9.0, false);
    edited.drag(LOW, place.frequency_hz, place.db, true);
    assert_eq!(edited.target(), &before);
    assert!(!edited.app.snapshot().shared.can_undo.0);
}

#[test]
fn every_edit_of_the_target_is_taken_back_and_made_again() {
    let mut edited = Edited::new();
    let mut states = vec![edited.target().clone()];
    let step = |handle, what, by| Command::StepHandle { handle, what, by };
    let number = |key, value| Command::Set(SettingValue::Number(key, value));
    let press = Command::Press;
    for command in [
        step(LOW, Number::Gain, 4),
        step(LOW, Number::Frequency, -1),
        step(HIGH, Number::Q, 1),
        number(NumberKey::Tilt, -0.5),
        number(NumberKey::Tolerance, 2.0),
        Command::Set(SettingValue::Text(TextKey::TargetName, " Evening ".to_owned())),
        press(Action::AddPoint),
        step(HandleId::Point(1), Number::Gain, 15),
        press(Action::AddPoint),
        press(Action::AddShelf(Shelf::Low)),
        Command::RemoveHandle(HandleId::Point(0)),
        Command::RemoveHandle(HIGH),
        Command::Set(SettingValue::Choice(Choice::Target(Some("flat".to_owned())))),
    ] {
        edited.app.ask(command.clone());
        assert_ne!(states.last(), Some(edited.target()), "{command:?} changed nothing");
        states.push(edited.target().clone());
    }
    let [.., last, _flat] = &states[..] else { panic!("many states") };
    assert_eq!((last.name.as_str(), last.tolerance_db, last.tilt_db_per_octave), ("Evening", 2.0, -0.5));
    assert_eq!((last.shelves.len(), last.points.len()), (2, 3));
    let end = states.pop().expect("the last");
    for state in states.iter().rev() {
        edited.app.ask(Command::Undo);
        assert_eq!(edited.target(), state);
    }
    assert_eq!(edited.app.snapshot().shared.can_undo, (false, true));
    for _ in &states {
        edited.app.ask(Command::Redo);
    }
    assert_eq!(edited.target(), &end);
    assert_eq!(edited.app.notices(), Vec::<String>::new());
}

#[test]
fn a_point_is_added_beside_the_chosen_one_and_what_is_gone_is_not_chosen() {
    let mut edited = Edited::new();
    edited.press(Action::AddPoint);
    let chosen = |edited: &Edited| edited.app.core.selected();
    assert_eq!(chosen(&edited), Some(HandleId::Point(1)), "between its two ends");
    edited.press(Action::AddPoint);
    assert_eq!(chosen(&edited), Some(HandleId::Point(2)));
    let hz: Vec<f64> = edited.target().points.iter().map(|point| point.frequency_hz).collect();
    assert!(hz.is_sorted() && hz.len() == 4 && hz[2] > 1_000.0, "{hz:?}");
    edited.app.ask(Command::RemoveHandle(HandleId::Point(2)));
    assert_eq!(chosen(&edited), None);
    edited.app.ask(Command::SelectHandle(Some(HandleId::Point(2))));
    edited.app.ask(Command::Undo);
    edited.app.ask(Command::Undo);
    edited.app.ask(Command::Undo);
    assert_eq!(chosen(&edited), None, "there are no points any more");
    for (handle, what) in [(HandleId::Point(7), Number::Gain), (HandleId::Shelf(7), Number::Q)] {
        edited.app.ask(Command::StepHandle { handle, what, by: 1 });
        edited.drag(handle, 100.0, 1.0, true);
        edited.app.ask(Command::RemoveHandle(handle));
    }
    edited.drag(LOW, f64::NAN, f64::INFINITY, true);
    assert!(!edited.app.snapshot().shared.can_undo.0, "what is not there cannot be edited");
    while edited.app.notices().is_empty() {
        edited.press(Action::AddShelf(Shelf::High));
    }
    assert_eq!(edited.target().shelves.len(), 6);
}

#[test]
fn a_job_brings_the_edited_target_back_even_where_nothing_else_is_known_of_it() {
    let mut edited = Edited::new();
    edited.drag(HIGH, 3_000.0, -3.0, true);
    edited.name("Evening");
    let wanted = edited.target().clone();
    edited.reopen();
    assert_eq!(edited.target(), &wanted);
    let snapshot = edited.app.snapshot();
    assert_eq!(snapshot.shared.can_undo, (false, false), "what was saved is no edit");
    assert!(snapshot.handles.is_empty(), "the bands have the chart");
    let job = edited.app.core.job.as_ref().expect("the job").job();
    let sheet = procedure::papers::sheet(
        job.dir(),
        procedure::papers::SheetForm::Text,
        procedure::papers::PageSize::A4,
    )
    .expect("a sheet");
    let sheet = String::from_utf8(sheet).expect("text");
    assert!(sheet.lines().any(|line| line.starts_with("Target") && line.ends_with("Evening")), "{sheet}");
    // A preset stays a name.
    edited.app.choose(Choice::Target(Some("flat".to_owned())));
    edited.app.settle();
    let job = edited.app.core.job.as_ref().expect("the job").job();
    assert_eq!(job.data().target, Some(job::PresetOrInline::Preset("flat".to_owned())));
    edited.app.ask(Command::Undo);
    assert_eq!(edited.target(), &wanted, "undo brings the edit back");
}

#[test]
fn what_is_kept_can_be_named_and_chosen_and_an_edit_of_it_is_another() {
    let mut edited = Edited::new();
    edited.set(NumberKey::Tilt, -1.0);
    edited.press(Action::KeepTarget);
    let kept = edited.target().clone();
    let file = edited.data.path().join("targets/in-car-medium-edited.toml");
    assert!(file.is_file(), "{:?}", edited.app.notices());
    assert_eq!(library::target("in-car-medium-edited").expect("it is named"), kept);
    let chosen = |edited: &Edited| {
        let settings = edited.app.snapshot().card.settings;
        let target =
            settings.into_iter().find(|setting| setting.key() == SettingKey::Choice(ChoiceKey::Target));
        let view::SettingKind::Choice { options, chosen, .. } = target.expect("a choice").kind else {
            panic!("a choice")
        };
        let chosen = chosen.expect("one is chosen");
        let label = options.iter().find(|option| option.choice == chosen).map(|option| option.label.clone());
        (chosen, label.expect("the chosen one is in the list"), options.len())
    };
    let list = |name: Option<&str>, label: &str, count| {
        (Choice::Target(name.map(str::to_owned)), label.to_owned(), count)
    };
    assert_eq!(chosen(&edited), list(Some("in-car-medium-edited"), "In-car, medium, edited", 5));
    edited.set(NumberKey::Tilt, -1.5);
    assert_eq!(chosen(&edited), list(None, "In-car, medium, edited 2", 6));
    edited.name("In-car, medium: edited");
    edited.press(Action::KeepTarget);
    assert!(edited.app.notices().iter().any(|notice| notice.contains("already")), "no file is replaced");
    assert_eq!(library::target("in-car-medium-edited").expect("it is as it was"), kept);
    edited.name("…");
    edited.press(Action::KeepTarget);
    assert!(edited.app.notices().iter().any(|notice| notice.contains("name of letters")));

    // In the job it stands whole, so that it does not need the file; where the file is, it is chosen.
    edited.app.choose(Choice::Target(Some("in-car-medium-edited".to_owned())));
    edited.reopen();
    assert_eq!(edited.app.core.tune.target_id(), Some("in-car-medium-edited"));
    std::fs::remove_file(&file).expect("it is there");
    edited.reopen();
    assert_eq!((edited.app.core.tune.target_id(), edited.target()), (None, &kept));
}

#[test]
fn a_target_of_many_points_gets_handles_that_can_be_told_apart() {
    let mut edited = Edited::new();
    let shape = library::target("car-strong").expect("a preset");
    let response = shape.response(20.0, 20_000.0, 24.0);
    std::fs::create_dir_all(edited.data.path().join("targets")).expect("a folder");
    let many = tuning::Target::parse(&response.to_csv(), "many").expect("a target");
    std::fs::write(edited.data.path().join("targets/many.toml"), many.to_toml()).expect("it is written");
    edited.press(Action::ShowBands);
    edited.app.choose(Choice::Target(Some("many".to_owned())));
    edited.press(Action::EditTarget);
    let count = edited.target().points.len();
    assert!((3..=24).contains(&count), "{count}");
    for hz in [30.0, 90.0, 700.0, 5_000.0] {
        // Source: the bound of `Target::with_few_points`, and that of the lines between its points.
        testkit::near("the same curve", edited.target().db_at(hz), shape.db_at(hz), 0.2);
    }
    let said = format!("{} points cannot be told apart", many.points.len());
    assert!(edited.app.notices().iter().any(|notice| notice.contains(&said)));
    edited.app.ask(Command::Undo);
    assert_eq!(edited.target(), &many);
}

/// Source: the response is measured; a target that asks for 6 dB more below 100 Hz must leave the
/// average 6 dB short there (half of it either way, because the level is free), and the bands that
/// are fitted must give more bass than those before.
#[test]
fn ribbon_fingerprints_and_fit_follow_the_edited_target() {
    let mut edited = Edited::new();
    edited.app.set(SettingValue::Number(NumberKey::Positions, 1.0));
    edited.app.core.measure().expect("it begins");
    edited.app.finish();
    let looks = |edited: &Edited| {
        let snapshot = edited.app.snapshot();
        let ribbon = snapshot.ribbon.clone().expect("a ribbon");
        (ribbon.rms_text.clone(), ribbon, snapshot.tray[0].fingerprint)
    };
    let bass = |edited: &mut Edited| {
        edited.app.ask(Command::Press(Action::SuggestBands));
        edited.app.finish();
        let at = edited.app.core.tune.bands_db("", &[50.0, 1_000.0]);
        at[0] - at[1]
    };
    let before = (looks(&edited), bass(&mut edited));
    edited.press(Action::EditTarget);
    let place = edited.target().place(tuning::TargetHandle::Shelf(0)).expect("a place");
    edited.drag(LOW, place.frequency_hz, place.db + 3.0, false);
    let during = looks(&edited);
    assert!(during.0 != before.0.0 && during.1 != before.0.1, "the ribbon follows while it is dragged");
    let print =
        |looks: &(String, view::Ribbon, [Option<f32>; 31]), band: usize| looks.2[band].expect("a level");
    // Band 4 is 50 Hz, band 17 1 kHz: what lies between them in the fingerprint falls by what was asked.
    let fell =
        |looks: &(String, view::Ribbon, [Option<f32>; 31])| f64::from(print(looks, 4) - print(looks, 17));
    let asked = |target: &tuning::Target| target.db_at(50.0) - target.db_at(1_000.0);
    let more = asked(edited.target()) - asked(&library::target("car-medium").expect("a preset"));
    assert!(more > 4.0, "{more}");
    // Fingerprints are read from points a 96th of an octave apart, as `f32`.
    testkit::near("the fingerprint", fell(&before.0) - fell(&during), more, 0.05);
    edited.drag(LOW, place.frequency_hz, place.db + 3.0, true);
    edited.press(Action::ShowBands);
    // The bands of before are off the target that was edited; those that are fitted to it come nearer.
    let off_db = |edited: &Edited| {
        let text = looks(edited).0;
        let number = text.trim_end_matches(" dB").parse::<f64>();
        number.unwrap_or_else(|_| panic!("“{text}” is no level"))
    };
    let with_those_of_before_db = off_db(&edited);
    let after = bass(&mut edited);
    assert!(after > before.1, "{after} dB of bass against {}", before.1);
    let fitted_db = off_db(&edited);
    assert!(
        fitted_db < with_those_of_before_db - 0.3,
        "{fitted_db} dB off, {with_those_of_before_db} with the old bands"
    );
    assert_eq!(edited.app.snapshot().tray[0].mark, Some(SetMark::Before));
}

/// A drag is told 30 times a second; a snapshot must take far less than that, with as many captures
/// as a job has at its end.
#[test]
fn a_drag_is_answered_faster_than_it_is_told() {
    let mut edited = Edited::new();
    edited.app.set(SettingValue::Number(NumberKey::Positions, 1.0));
    edited.app.core.measure().expect("it begins");
    edited.app.finish();
    let measured = edited.app.core.captures.iter().next().expect("a capture").clone();
    for number in 2..=18 {
        let mark = if number % 2 == 0 { SetMark::After } else { SetMark::Before };
        edited.app.core.state.captures.insert(CaptureView {
            id: CaptureId(number),
            mark: Some(mark),
            position: format!("place {number}"),
            ..measured.clone()
        });
    }
    for _ in 0..6 {
        edited.press(Action::AddPoint);
    }
    assert_eq!(edited.app.snapshot().tray.len(), 18, "what can be kept has been computed");
    let steps = (0..30).map(|tick| {
        let began = Instant::now();
        edited.drag(HandleId::Point(1), 300.0 + f64::from(tick), 1.0, false);
        assert!(edited.app.snapshot().ribbon.is_some());
        began.elapsed()
    });
    // The quickest says what a step costs; the others may have waited for the processor.
    let quickest = steps.min().expect("some steps");
    assert!(quickest.as_millis() < 33, "{quickest:?} for one step of a drag");
}
