//! Everything by keyboard alone.

use iced::keyboard::{Key, Modifiers, key::Named};
use iced_test::selector::{id, is_focused};
use view::{
    CaptureId, Command, HandleId, Number, NumberKey, SetMark, SettingKind, SettingValue, Stage, Update,
};
use window::Theme;

use crate::bench::Bench;
use crate::driving::{Driver, PAUSE};
use crate::prepared;

/// Goes by Tab to the thing with this id.
#[track_caller]
fn reach(bench: &mut Bench, name: &str) {
    for _ in 0..250 {
        if bench.has_keyboard(name) {
            return;
        }
        bench.tap(Named::Tab);
    }
    panic!("{name} cannot be reached by Tab");
}

#[test]
fn the_keys_of_the_table_reach_the_app() {
    let mut bench = prepared::at(Stage::Tune);
    // Opening the job has ended by itself just now.
    std::thread::sleep(PAUSE);
    bench.tap(Named::Space);
    bench.tap(Named::Escape);
    bench.letters("m37szZab");
    assert_eq!(
        bench.asked(),
        [
            Command::StartOrStop,
            Command::Mute,
            Command::OpenStage(Stage::Gain),
            Command::OpenStage(Stage::Handover),
            Command::NextSmoothing,
            Command::Undo,
            Command::Redo,
            Command::MarkCapture(CaptureId(62), None),
            Command::MarkCapture(CaptureId(62), Some(SetMark::Before)),
        ]
    );
}

#[test]
fn tab_goes_through_the_window_in_reading_order_and_back() {
    let mut bench = prepared::at(Stage::Intake);
    let order = [
        "job", "output", "mute", "theme", "keys", "Intake", "Handover", "chart", "main", "tile-1", "tile-62",
    ];
    let mut reached = Vec::new();
    for _ in 0..200 {
        bench.tap(Named::Tab);
        assert!(bench.place(is_focused()).is_some(), "nothing has the keyboard after {reached:?}");
        reached.extend(order.into_iter().filter(|name| bench.has_keyboard(name)));
        if reached.len() > 1 && reached.last() == Some(&"job") {
            break;
        }
    }
    assert_eq!(reached[..order.len()], order);
    assert_eq!(reached.len(), order.len() + 1, "after the last comes the first");
    bench.tap_with(Key::Named(Named::Tab), Modifiers::SHIFT);
    assert!(bench.has_keyboard("tile-62"), "before the first comes the last");
}

#[test]
fn enter_and_space_work_the_control_with_the_ring_and_space_starts_without_one() {
    let mut bench = prepared::at(Stage::Tune);
    std::thread::sleep(PAUSE);
    reach(&mut bench, "mute");
    bench.tap(Named::Enter);
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::Mute, Command::Mute]);
    let mut bench = prepared::at(Stage::Tune);
    std::thread::sleep(PAUSE);
    bench.click(id("theme"));
    bench.asked();
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::StartOrStop], "a click leaves no ring");
}

#[test]
fn while_something_runs_space_stops_it_wherever_the_ring_is() {
    let mut bench = prepared::running();
    reach(&mut bench, "mute");
    bench.tap(Named::Space);
    let run = prepared::run(&bench);
    assert_eq!((bench.asked(), bench.stopped()), (vec![], vec![run]));
    bench.wait_idle();
}

#[test]
fn what_has_just_ended_by_itself_is_not_started_again_by_a_late_key() {
    let running = prepared::running();
    let (run, running) = (prepared::run(&running), running.snapshot().clone());
    let ended = || {
        let mut ended = prepared::at(Stage::Drivers).snapshot().clone();
        ended.revision = running.revision + 1_000;
        Update::Snapshot(ended.into())
    };
    let mut bench = Bench::showing(running.clone());
    bench.tell(ended());
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [], "the finger was on its way to stop it");
    std::thread::sleep(PAUSE);
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::StartOrStop]);

    let mut bench = Bench::showing(running.clone());
    bench.tap(Named::Space);
    assert_eq!(bench.stopped(), [run]);
    bench.tell(ended());
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::StartOrStop], "who has stopped it may go on at once");
}

/// At how many places each driver is to be measured.
fn places(driver: &Driver) -> Option<f64> {
    let is_places = |setting: &&view::Setting| setting.label == "At";
    match driver.snapshot().card.settings.iter().find(is_places)?.kind {
        SettingKind::Number { value, .. } => Some(value),
        _ => None,
    }
}

#[test]
fn a_steppers_value_can_be_typed() {
    let mut bench = prepared::at(Stage::Drivers);
    reach(&mut bench, "setting-DriverPlaces");
    let set = |value| [Command::Set(SettingValue::Number(NumberKey::DriverPlaces, value))];
    bench.letters("12");
    assert_eq!(bench.asked(), [], "no digit opens a stage");
    bench.tap(Named::Enter);
    assert_eq!(bench.asked(), set(12.0));
    bench.wait("the places", |driver| places(driver) == Some(12.0));
    bench.click(id("value-DriverPlaces"));
    bench.letters("many");
    bench.tap(Named::Enter);
    assert_eq!(bench.asked(), []);
    assert!(bench.reads("“many” is not a number. Type it as 75 or 3.5."));
    bench.click(id("value-DriverPlaces"));
    bench.letters("5");
    bench.tap(Named::Escape);
    bench.tap(Named::Tab);
    assert_eq!(bench.asked(), [], "Esc gives up what was typed");
}

#[test]
fn arrows_move_in_the_work_order_and_step_values() {
    let mut bench = prepared::at(Stage::Drivers);
    reach(&mut bench, "Intake");
    bench.tap(Named::ArrowDown);
    assert!(bench.has_keyboard("Source"));
    reach(&mut bench, "setting-DriverPlaces");
    bench.tap(Named::ArrowUp);
    assert_eq!(bench.asked(), [Command::Set(SettingValue::Number(NumberKey::DriverPlaces, 5.0))]);
    bench.wait("the places", |driver| places(driver) == Some(5.0));
}

#[test]
fn the_output_level_steps_by_one_decibel_within_its_limits() {
    let mut bench = prepared::at(Stage::Tune);
    reach(&mut bench, "output");
    bench.tap(Named::ArrowUp);
    bench.tap(Named::ArrowDown);
    assert_eq!(bench.asked(), [Command::SetOutput(-19.0), Command::SetOutput(-21.0)]);
    bench.ask(Command::SetOutput(0.0));
    bench.wait("the loudest", |driver| driver.snapshot().shared.output_dbfs.abs() < 1e-9);
    bench.asked();
    bench.tap(Named::ArrowUp);
    assert_eq!(bench.asked(), [Command::SetOutput(0.0)]);
}

#[test]
fn what_the_keyboard_reaches_is_scrolled_into_view() {
    let mut bench = prepared::at(Stage::Tune);
    assert!(bench.place(id("band-17")).is_none(), "the last band starts out of view");
    reach(&mut bench, "band-17");
    let place = bench.place(id("band-17")).expect("it has come into view");
    let card = bench.place(id("card")).expect("the card");
    assert!(place.y >= card.y && place.y + place.height <= card.y + card.height, "{place:?} in {card:?}");
}

#[test]
fn the_target_is_edited_by_keyboard_alone() {
    let mut bench = prepared::shaping(Theme::Garage, prepared::DESIGN);
    let text = |driver: &Driver, id: HandleId| {
        driver.snapshot().handles.iter().find(|handle| handle.id == id).map(|handle| handle.text.clone())
    };
    let (shelf, point) = (HandleId::Shelf(0), HandleId::Point(0));
    let before = text(&bench, shelf);
    reach(&mut bench, "shelf-0");
    bench.tap(Named::ArrowUp);
    bench.tap(Named::ArrowLeft);
    bench.tap_with(Key::Named(Named::ArrowDown), Modifiers::SHIFT);
    let step = |handle, what, by| Command::StepHandle { handle, what, by };
    let steps =
        [step(shelf, Number::Gain, 1), step(shelf, Number::Frequency, -1), step(shelf, Number::Q, -1)];
    assert_eq!(bench.asked(), steps);
    bench.wait("another shelf", |driver| text(driver, shelf) != before);
    bench.work("action-AddPoint");
    bench.wait("points", |driver| text(driver, point).is_some());
    let points = |driver: &Driver| {
        let is_point = |handle: &&view::HandleCard| matches!(handle.id, HandleId::Point(_));
        driver.snapshot().handles.iter().filter(is_point).count()
    };
    let there = points(&bench);
    bench.asked();
    reach(&mut bench, "point-0");
    bench.tap(Named::Enter);
    bench.tap(Named::ArrowDown);
    bench.tap(Named::Delete);
    assert_eq!(
        bench.asked(),
        [Command::SelectHandle(Some(point)), step(point, Number::Gain, -1), Command::RemoveHandle(point),]
    );
    bench.wait("one less", |driver| points(driver) == there - 1);
}

#[test]
fn an_open_sheet_keeps_the_keyboard_and_esc_closes_it() {
    let mut bench = prepared::at(Stage::Tune);
    bench.letters("?");
    assert!(bench.reads("Press the focused control"));
    assert!(bench.has_keyboard("sheet-safe"));
    for _ in 0..5 {
        bench.tap(Named::Tab);
        assert!(bench.has_keyboard("sheet-safe"), "nothing behind the sheet is reached");
    }
    bench.letters("5");
    bench.tap(Named::Space);
    bench.tap(Named::Escape);
    assert!(!bench.reads("Press the focused control"));
    bench.tap(Named::Escape);
    assert_eq!(bench.asked(), [], "nothing sounds that could be silenced");
}

#[test]
fn esc_mutes_at_once_even_from_a_sheet() {
    let mut bench = prepared::running();
    bench.letters("?");
    bench.tap(Named::Escape);
    assert_eq!(bench.asked(), [Command::Mute]);
    bench.wait("silence", |driver| driver.snapshot().shared.muted);
}

#[test]
fn esc_mutes_at_once_even_from_a_text_field() {
    let mut bench = prepared::running();
    bench.ask(Command::OpenStage(Stage::Intake));
    bench.wait("the stage", |driver| driver.snapshot().face.stage == Stage::Intake);
    assert!(!bench.is_idle(), "it still sounds");
    reach(&mut bench, "setting-Vehicle");
    bench.asked();
    bench.tap(Named::Escape);
    assert_eq!(bench.asked(), [Command::Mute]);
}

#[test]
fn a_text_field_keeps_its_letters() {
    let mut bench = prepared::at(Stage::Intake);
    reach(&mut bench, "setting-Vehicle");
    bench.letters("3s?");
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), []);
    assert_eq!(bench.app.theme(), Theme::Garage);
}

#[test]
fn t_changes_the_theme() {
    let mut bench = prepared::at(Stage::Tune);
    bench.letters("t");
    assert_eq!(bench.app.theme(), Theme::Daylight);
    bench.letters("t");
    assert_eq!(bench.app.theme(), Theme::Garage);
}
