//! Everything by keyboard alone.

use iced::keyboard::{Key, Modifiers, key::Named};
use iced_test::selector::{id, is_focused};
use view::{CaptureId, Command, HandleId, Number, NumberKey, SetMark, SettingValue, Stage, Update};
use window::Theme;

use crate::bench::Bench;
use crate::sample;

#[test]
fn the_keys_of_the_table_reach_the_session() {
    let mut bench = Bench::showing(sample::tune());
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
            Command::MarkCapture(CaptureId(12), None),
            Command::MarkCapture(CaptureId(12), Some(SetMark::Before)),
        ]
    );
}

#[test]
fn tab_goes_through_the_window_in_reading_order_and_back() {
    let mut bench = Bench::showing(sample::intake());
    let order = [
        "job", "output", "mute", "theme", "keys", "Intake", "Handover", "chart", "main", "tile-3", "tile-12",
    ];
    let mut reached = Vec::new();
    for _ in 0..60 {
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
    assert!(bench.has_keyboard("tile-12"), "before the first comes the last");
}

#[test]
fn enter_and_space_work_the_control_with_the_ring_and_space_starts_without_one() {
    let mut bench = Bench::showing(sample::tune());
    while !bench.has_keyboard("mute") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::Enter);
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::Mute, Command::Mute]);
    let mut bench = Bench::showing(sample::tune());
    bench.click(id("theme"));
    bench.asked();
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::StartOrStop], "a click leaves no ring");
}

#[test]
fn while_something_runs_space_stops_it_wherever_the_ring_is() {
    let mut bench = Bench::showing(sample::running());
    while !bench.has_keyboard("mute") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::Space);
    assert_eq!((bench.asked(), bench.stopped()), (vec![], vec![Some(7)]));
}

#[test]
fn what_has_just_ended_by_itself_is_not_started_again_by_a_late_key() {
    let mut bench = Bench::showing(sample::running());
    let ended = |revision| {
        let mut ended = sample::tune();
        ended.revision = revision;
        Update::Snapshot(ended.into())
    };
    bench.tell(ended(1_000));
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [], "the finger was on its way to stop it");
    std::thread::sleep(std::time::Duration::from_millis(750));
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::StartOrStop]);

    let mut bench = Bench::showing(sample::running());
    bench.tap(Named::Space);
    assert_eq!(bench.stopped(), [Some(7)]);
    bench.tell(ended(1_000));
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::StartOrStop], "who has stopped it may go on at once");
}

#[test]
fn a_steppers_value_can_be_typed() {
    let mut bench = Bench::showing(sample::intake());
    while !bench.has_keyboard("setting-Positions") {
        bench.tap(Named::Tab);
    }
    let set = |value| [Command::Set(SettingValue::Number(NumberKey::Positions, value))];
    bench.letters("12");
    assert_eq!(bench.asked(), [], "no digit opens a stage");
    bench.tap(Named::Enter);
    assert_eq!(bench.asked(), set(12.0));
    bench.click(id("value-Positions"));
    bench.letters("many");
    bench.tap(Named::Enter);
    assert_eq!(bench.asked(), []);
    assert!(bench.reads("“many” is not a number. Type it as 75 or 3.5."));
    bench.click(id("value-Positions"));
    bench.letters("5");
    bench.tap(Named::Escape);
    bench.tap(Named::Tab);
    assert_eq!(bench.asked(), [], "Esc gives up what was typed");
}

#[test]
fn arrows_move_in_the_work_order_and_step_values() {
    let mut bench = Bench::showing(sample::intake());
    while !bench.has_keyboard("Intake") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::ArrowDown);
    assert!(bench.has_keyboard("Source"));
    while !bench.has_keyboard("setting-Positions") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::ArrowUp);
    assert_eq!(bench.asked(), [Command::Set(SettingValue::Number(NumberKey::Positions, 8.0))]);
}

#[test]
fn the_output_level_steps_by_one_decibel_within_its_limits() {
    let mut bench = Bench::showing(sample::tune());
    while !bench.has_keyboard("output") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::ArrowUp);
    bench.tap(Named::ArrowDown);
    assert_eq!(bench.asked(), [Command::SetOutput(-19.0), Command::SetOutput(-21.0)]);
    let mut loudest = sample::tune();
    loudest.shared.output_dbfs = 0.0;
    let mut bench = Bench::showing(loudest);
    while !bench.has_keyboard("output") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::ArrowUp);
    assert_eq!(bench.asked(), [Command::SetOutput(0.0)]);
}

#[test]
fn what_the_keyboard_reaches_is_scrolled_into_view() {
    let mut bench = Bench::showing(sample::tune());
    assert!(bench.place(id("band-5")).is_none(), "the last band starts out of view");
    for _ in 0..60 {
        bench.tap(Named::Tab);
        if bench.has_keyboard("band-5") {
            return;
        }
    }
    panic!("the last band never came into view");
}

#[test]
fn the_target_is_edited_by_keyboard_alone() {
    let mut bench = Bench::showing(sample::target());
    while !bench.has_keyboard("shelf-0") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::ArrowUp);
    bench.tap(Named::ArrowLeft);
    bench.tap_with(Key::Named(Named::ArrowDown), Modifiers::SHIFT);
    while !bench.has_keyboard("point-1") {
        bench.tap(Named::Tab);
    }
    bench.tap(Named::Enter);
    bench.tap(Named::ArrowDown);
    bench.tap(Named::Delete);
    bench.tap(Named::Space);
    let (shelf, point) = (HandleId::Shelf(0), HandleId::Point(1));
    let step = |handle, what, by| Command::StepHandle { handle, what, by };
    assert_eq!(
        bench.asked(),
        [
            step(shelf, Number::Gain, 1),
            step(shelf, Number::Frequency, -1),
            step(shelf, Number::Q, -1),
            Command::SelectHandle(Some(point)),
            step(point, Number::Gain, -1),
            Command::RemoveHandle(point),
            Command::SelectHandle(Some(point)),
        ]
    );
}

#[test]
fn an_open_sheet_keeps_the_keyboard_and_esc_closes_it() {
    let mut bench = Bench::showing(sample::tune());
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
fn esc_mutes_at_once_even_from_a_sheet_or_a_text_field() {
    let mut bench = Bench::showing(sample::running());
    bench.letters("?");
    bench.tap(Named::Escape);
    assert_eq!(bench.asked(), [Command::Mute]);
    let mut running = sample::intake();
    running.shared.activity = sample::running().shared.activity;
    let mut bench = Bench::showing(running);
    bench.click(id("setting-Vehicle"));
    bench.tap(Named::Escape);
    assert_eq!(bench.asked(), [Command::Mute]);
}

#[test]
fn a_text_field_keeps_its_letters() {
    let mut bench = Bench::showing(sample::intake());
    bench.click(id("setting-Vehicle"));
    bench.letters("3s?");
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), []);
    assert_eq!(bench.app.theme(), Theme::Garage);
}

#[test]
fn t_changes_the_theme() {
    let mut bench = Bench::showing(sample::tune());
    bench.letters("t");
    assert_eq!(bench.app.theme(), Theme::Daylight);
    bench.letters("t");
    assert_eq!(bench.app.theme(), Theme::Garage);
}
