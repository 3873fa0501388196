//! What a person does, from the first start to the handover, by clicking.

use iced::keyboard::key::Named;
use iced_test::selector::id;
use view::{
    Action, Activity, CaptureId, CardFile, ChartFace, Choice, Command, Cue, HandleId, Now, Number, SetMark,
    SettingValue, Stage, SwitchKey, TextKey, Update,
};
use window::{Entry, Folder, FromSession, Kind, Message, Theme};

use crate::bench::Bench;
use crate::sample;

#[test]
fn at_the_first_start_the_simulated_car_is_one_click_away() {
    let mut bench = Bench::showing(sample::no_device());
    assert!(bench.reads("Simulated cars"));
    bench.tap(Named::Space);
    bench.click(id("main"));
    bench.click("Box van");
    bench.click("Use sound devices");
    let car = Command::UseSimulatedCar("box-van".to_owned());
    assert_eq!(bench.asked(), [Command::StartOrStop, Command::StartOrStop, car, Command::UseDevices]);
}

/// What was begun is one key or one click away, and what cannot be opened says why.
#[test]
fn the_start_page_goes_on_with_a_job() {
    let mut bench = Bench::showing(sample::start());
    for text in [
        "Continue with Juniper · AB 123",
        "Tune, as you left it on 26 Nov 2026, 17:40.",
        "Tune · 4.6 dB RMS before",
        "A capture was interrupted; its recording is kept.",
        "The file job.json is damaged in line 3.",
    ] {
        assert!(bench.reads(text), "“{text}” cannot be read");
    }
    bench.click("Old estate");
    bench.click("Damaged");
    bench.click(id("new-job"));
    let open = Command::OpenJob("/jobs/old".to_owned());
    assert_eq!(bench.asked(), [open, Command::NewJob(String::new())], "the damaged one cannot be opened");
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::StartOrStop]);
    // With a job open, J goes there and back.
    bench.letters("j");
    assert_eq!(bench.asked(), [], "there is no job to go back to");
    let mut bench = Bench::showing(sample::tune());
    bench.letters("j");
    assert_eq!(bench.asked(), [Command::ShowStart]);
    let mut page = sample::tune();
    page.start = sample::start().start;
    bench.tell(Update::Snapshot(page.into()));
    bench.letters("j");
    bench.click(id("back"));
    assert_eq!(bench.asked(), [Command::LeaveStart, Command::LeaveStart]);
}

/// From another seat: one key, and what matters is there in letters of 60 pixels and more.
#[test]
fn large_type_shows_what_matters_during_a_capture() {
    let mut bench = Bench::showing(sample::running());
    bench.letters("l");
    let Activity::Running { title, .. } = &sample::running().shared.activity else { panic!("it runs") };
    let title: &'static str = title.clone().leak();
    let place = bench.place(id("large")).expect("the large view");
    assert!(place.width > 1100.0 && place.height > 700.0, "{place:?}");
    assert!(bench.reads(title));
    bench.tap(Named::Space);
    assert_eq!(bench.stopped(), [Some(7)], "it is stopped as ever");
    bench.letters("l");
    assert!(bench.place(id("large")).is_none());
}

/// What was written can be opened where it is told.
#[test]
fn what_was_written_has_a_way_to_open_it() {
    let mut snapshot = sample::handover_with_bands();
    let file = CardFile { label: "Open the report".into(), path: "/jobs/x/exports/report.pdf".into() };
    snapshot.card.files = vec![file];
    let mut bench = Bench::showing(snapshot);
    assert!(bench.reads("Open the report"));
    bench.tell(Update::Notice { text: "Written.".into(), good: true, path: Some("/jobs/x".into()) });
    assert!(bench.reads("Open"));
}

/// Everything is drawn larger as long as it has its place, and the window says how it was left.
#[test]
fn text_grows_as_far_as_the_window_has_room() {
    let mut bench = Bench::open(Theme::Garage, (1280.0, 800.0));
    bench.tell(Update::Snapshot(sample::tune().into()));
    bench.letters("x");
    let remembered = |asked: Vec<Command>| match asked.as_slice() {
        [Command::Remember(look)] => *look,
        asked => panic!("asked {asked:?}"),
    };
    assert!(
        (remembered(bench.asked()).text_scale - 1.0).abs() < 1e-6,
        "1.15 would need 805 pixels in height"
    );
    assert!(bench.reads("The window is too small for larger text. Make it larger first."));
    let mut bench = Bench::open(Theme::Garage, (2048.0, 1400.0));
    bench.tell(Update::Snapshot(sample::tune().into()));
    bench.letters("xx");
    assert!((bench.app.scale() - 1.3).abs() < 1e-6);
    let last = bench.asked().pop().expect("it is told");
    let Command::Remember(look) = last else { panic!("asked {last:?}") };
    assert!((look.text_scale - 1.3).abs() < 1e-6 && (look.size.0 - 2048.0).abs() < 1e-3, "{look:?}");
    bench.letters("xxx");
    assert!((bench.app.scale() - 1.0).abs() < 1e-6, "after the largest comes the designed one");
}

#[test]
fn every_stage_and_every_face_can_be_opened() {
    let mut bench = Bench::showing(sample::tune());
    for stage in Stage::ALL {
        bench.click(id(stage.title()));
        assert_eq!(bench.asked(), [Command::OpenStage(stage)]);
    }
    bench.click("Group delay");
    assert_eq!(bench.asked(), [Command::ShowFace(ChartFace::GroupDelay)]);
}

#[test]
fn what_the_snapshot_says_is_to_be_read() {
    let mut bench = Bench::showing(sample::tune());
    for text in [
        "Juniper, front stage",
        "Simulated car",
        "clean to step 34 · 4.1 V",
        "Enter the bands, then sweep the same six positions again.",
        "Sweep position 1 of 6",
        "1.4 dB",
        "RMS from target, 4.6 dB before",
        "Medium",
        "After, 6 positions − target",
        "Before, 6 positions",
        "Average of 6 positions · 1/12 octave",
    ] {
        assert!(bench.reads(text), "“{text}” cannot be read");
    }
}

#[test]
fn in_the_smallest_window_the_rigs_name_stands_in_one_line_and_whole() {
    let mut bench = Bench::open(Theme::Garage, (1024.0, 700.0));
    let mut snapshot = sample::tune();
    snapshot.shared.rig.name = "Simulated: Compact hatch".to_owned();
    snapshot.shared.rig.text = "computed, 10 × faster".to_owned();
    bench.tell(Update::Snapshot(snapshot.into()));
    for text in ["Simulated: Compact hatch", "computed, 10 × faster"] {
        let place = bench.place(text).unwrap_or_else(|| panic!("“{text}” cannot be read"));
        assert!(place.height < 24.0, "“{text}” stands in several lines: {place:?}");
        let theme = bench.place(id("theme")).expect("the button beside it");
        assert!(place.x + place.width <= theme.x, "“{text}” is cut: {place:?}, {theme:?}");
    }
}

/// What is going on is told ahead of the picture: a picture that was computed before it does not take it back, and
/// one that is of an earlier state is called so until the newer one is there.
#[test]
fn what_is_going_on_shows_before_its_picture_is_computed() {
    let mut bench = Bench::showing(sample::tune());
    let before = sample::tune().revision;
    let running = Activity::Running {
        title: "Fitting bands".to_owned(),
        detail: "the bands stay".to_owned(),
        progress: None,
    };
    let now = |activity: Activity, run, older| Now { revision: before + 1, activity, run, older };
    bench.tell(Update::Now(now(running, Some(7), false)));
    assert!(bench.reads("Fitting bands"));
    bench.tell(Update::Snapshot(sample::tune().into()));
    assert!(bench.reads("Fitting bands"), "an older picture knows nothing of it");
    bench.click(id("stop"));
    assert_eq!(bench.stopped(), [Some(7)], "it can be stopped at once");
    bench.tell(Update::Now(now(Activity::Idle, None, true)));
    assert!(!bench.reads("Fitting bands"));
    assert!(bench.reads("As before; the new one is being computed."));
    let mut newer = sample::tune();
    newer.revision = before + 1;
    bench.tell(Update::Snapshot(newer.into()));
    assert!(!bench.reads("As before; the new one is being computed."));
}

#[test]
fn the_main_button_and_the_actions_ask_the_session() {
    let mut bench = Bench::showing(sample::tune());
    bench.click(id("main"));
    bench.click("Export bands");
    assert_eq!(bench.asked(), [Command::StartOrStop, Command::Press(Action::ExportBands)]);
}

#[test]
fn an_action_that_cannot_be_taken_does_nothing() {
    let mut bench = Bench::showing(sample::source());
    bench.click("Forget steps");
    assert_eq!(bench.asked(), []);
}

#[test]
fn a_choice_is_made_from_a_list() {
    let mut bench = Bench::showing(sample::tune());
    bench.click("Medium");
    assert!(bench.reads("Gentle"));
    bench.click("Strong");
    assert_eq!(bench.asked(), [Command::Set(SettingValue::Choice(Choice::Target(Some("strong".into()))))]);
    assert!(!bench.reads("Gentle"), "the list closes");
}

#[test]
fn a_switch_and_a_short_choice_are_set_at_once() {
    let mut bench = Bench::showing(sample::intake());
    bench.click("Has a subwoofer");
    bench.click("Both");
    assert_eq!(
        bench.asked(),
        [
            Command::Set(SettingValue::Switch(SwitchKey::Continue, false)),
            Command::Set(SettingValue::Choice(Choice::Driver(Some("both".into())))),
        ]
    );
}

#[test]
fn typed_text_reaches_the_session_once_it_is_finished() {
    let mut bench = Bench::showing(sample::intake());
    bench.click(id("setting-Vehicle"));
    bench.letters("!");
    assert_eq!(bench.asked(), [], "not while it is typed");
    bench.click(id("main"));
    let asked = bench.asked();
    let [Command::Set(SettingValue::Text(TextKey::Vehicle, text)), Command::StartOrStop] = &asked[..] else {
        panic!("asked {asked:?}")
    };
    assert!(text.contains('!') && text.len() == "Juniper estate, invented".len() + 1, "{text}");
}

#[test]
fn bands_have_a_switch_a_lock_and_steps() {
    let mut bench = Bench::showing(sample::handover_with_bands());
    bench.click(id("band-0-switch"));
    bench.click(id("band-0-lock"));
    bench.click(id("band-0"));
    assert_eq!(
        bench.asked(),
        [
            Command::Enable(HandleId::Band(0), false),
            Command::Lock(HandleId::Band(0), true),
            Command::SelectHandle(Some(HandleId::Band(0))),
        ]
    );
    bench.tap(Named::ArrowDown);
    bench.tap(Named::ArrowRight);
    assert_eq!(
        bench.asked(),
        [
            Command::StepHandle { handle: HandleId::Band(0), what: Number::Gain, by: -1 },
            Command::StepHandle { handle: HandleId::Band(0), what: Number::Frequency, by: 1 },
        ]
    );
}

/// What is proposed for a car has headings in the order of entry; a value has a lock, and neither a switch nor a bin.
#[test]
fn values_of_a_channel_are_locked_and_stepped() {
    let mut proposed = sample::handover_with_bands();
    proposed.card = view::Card { instruction: "Check the values.".into(), ..view::Card::default() };
    proposed.handles = vec![view::HandleCard {
        id: HandleId::Value(0),
        heading: "Levels".into(),
        label: String::new(),
        text: "left-mid: −3.0 dB".into(),
        reason: "Edited by hand.".into(),
        selected: false,
        numbers: vec![view::HandleNumber {
            what: Number::Value,
            label: "Gain".into(),
            text: "−3.0 dB".into(),
        }],
        band: None,
        locked: Some(false),
    }];
    let mut bench = Bench::showing(proposed);
    assert!(bench.reads("Levels") && bench.reads("unlocked") && !bench.reads("Export bands"));
    assert!(bench.place(id("value-0-remove")).is_none() && bench.place(id("value-0-switch")).is_none());
    bench.click(id("value-0-lock"));
    bench.click(id("value-0"));
    bench.tap(Named::ArrowUp);
    assert_eq!(
        bench.asked(),
        [
            Command::Lock(HandleId::Value(0), true),
            Command::SelectHandle(Some(HandleId::Value(0))),
            Command::StepHandle { handle: HandleId::Value(0), what: Number::Gain, by: 1 },
        ]
    );
}

#[test]
fn the_target_is_edited_on_its_cards() {
    let mut bench = Bench::showing(sample::target());
    assert!(bench.reads("Shelves and points") && !bench.reads("Export bands"));
    bench.click("+ Point");
    // So little before it that the first point is in view.
    let mut short = sample::target();
    short.card = view::Card { instruction: "Shape the target.".into(), ..view::Card::default() };
    short.handles.retain(|handle| handle.id == HandleId::Point(0));
    bench.tell(Update::Snapshot(short.into()));
    bench.click(id("point-0-remove"));
    bench.click(id("point-0"));
    assert_eq!(
        bench.asked(),
        [
            Command::Press(Action::AddPoint),
            Command::RemoveHandle(HandleId::Point(0)),
            Command::SelectHandle(Some(HandleId::Point(0))),
        ]
    );
}

#[test]
fn what_is_chosen_on_the_chart_comes_into_view_on_the_card() {
    let mut bench = Bench::showing(sample::target());
    assert!(bench.place(id("point-3")).is_none(), "the last point starts out of view");
    let mut chosen = sample::target();
    for handle in &mut chosen.handles {
        handle.selected = handle.id == HandleId::Point(3);
    }
    bench.tell(Update::Snapshot(chosen.into()));
    assert!(bench.place(id("point-3-Gain")).is_some(), "its numbers are in view");
}

#[test]
fn captures_are_shown_marked_and_discarded_only_after_a_question() {
    let mut bench = Bench::showing(sample::tune());
    bench.click("Front output");
    bench.click(id("tile-3-B"));
    bench.letters("a");
    assert_eq!(
        bench.asked(),
        [
            Command::ShowCapture(CaptureId(3), true),
            Command::PickCapture(Some(CaptureId(3))),
            Command::MarkCapture(CaptureId(3), Some(SetMark::Before)),
            Command::MarkCapture(CaptureId(3), Some(SetMark::After)),
        ]
    );
    bench.click(id("tile-3"));
    bench.asked();
    bench.tap(Named::Delete);
    assert!(bench.reads("Discard this capture?"));
    assert_eq!(bench.asked(), [], "it asks first");
    bench.click("Keep it");
    assert!(!bench.reads("Discard this capture?"));
    bench.click(id("tile-3"));
    bench.asked();
    bench.tap(Named::Delete);
    bench.click("Discard");
    assert_eq!(bench.asked(), [Command::DiscardCapture(CaptureId(3))]);
}

#[test]
fn a_mark_that_is_set_is_taken_away() {
    let mut bench = Bench::showing(sample::tune());
    bench.letters("a");
    assert_eq!(bench.asked(), [Command::MarkCapture(CaptureId(12), None)], "the newest, when none is picked");
}

#[test]
fn a_capture_is_renamed() {
    let mut bench = Bench::showing(sample::tune());
    bench.click("Front output");
    bench.asked();
    bench.letters("r");
    assert!(bench.reads("Rename this capture"));
    bench.letters("2");
    bench.tap(Named::Enter);
    let asked = bench.asked();
    let [Command::RenameCapture(CaptureId(3), label)] = &asked[..] else { panic!("asked {asked:?}") };
    assert!(label.contains("Front output") && label.contains('2'), "{label}");
}

#[test]
fn a_job_begins_in_the_folder_that_was_typed() {
    let mut bench = Bench::showing(sample::no_device());
    bench.click(id("open-job"));
    bench.letters("/jobs/news");
    bench.click("Begin a new job there");
    assert_eq!(bench.asked(), [Command::NewJob("/jobs/news".into())]);
    bench.click(id("open-job"));
    bench.letters("/jobs/old");
    bench.tap(Named::Enter);
    assert_eq!(bench.asked(), [Command::OpenJob("/jobs/old".into())]);
}

/// Where the desktop has no dialog, folders are looked into here.
#[test]
fn a_job_is_found_in_the_list_of_folders() {
    let mut bench = Bench::showing(sample::no_device());
    bench.click(id("open-job"));
    let entry =
        |name: &str, kind| Entry { path: format!("/jobs/{name}").into(), name: name.to_owned(), kind };
    let entries =
        vec![entry("blue hatch", Kind::Job), entry("older", Kind::Folder), entry("a.wav", Kind::Recording)];
    bench.send(Message::Looked(Some(Folder { path: "/jobs".into(), entries })));
    assert!(bench.reads("older") && !bench.reads("a.wav"));
    bench.click("blue hatch");
    assert_eq!(bench.asked(), [Command::OpenJob("/jobs/blue hatch".into())]);
    assert!(!bench.reads("Open a job"), "the list has closed");
}

#[test]
fn the_output_is_muted_and_stepped() {
    let mut bench = Bench::showing(sample::tune());
    bench.click("Mute");
    assert_eq!((bench.stopped(), bench.asked()), (vec![None], vec![Command::Mute]));
    let mut bench = Bench::showing(sample::drivers());
    bench.click("Muted");
    assert_eq!(bench.asked(), [Command::Unmute]);
}

#[test]
fn countdown_and_progress_can_be_stopped() {
    for snapshot in [sample::countdown(), sample::running()] {
        let mut bench = Bench::showing(snapshot);
        bench.click("Stop");
        assert_eq!(
            (bench.stopped(), bench.asked()),
            (vec![Some(7)], vec![]),
            "the run that is shown, by no message"
        );
    }
}

#[test]
fn notices_are_read_and_dismissed_and_cues_end() {
    let mut bench = Bench::showing(sample::tune());
    bench.tell(Update::Notice { text: "The disk is full.".into(), good: false, path: None });
    bench.tell(Update::Notice { text: "Written.".into(), good: true, path: None });
    bench.tell(Update::Cue(Cue { text: "Position 4 of 6 done".into(), good: true }));
    assert!(
        bench.reads("The disk is full.") && bench.reads("Written.") && bench.reads("Position 4 of 6 done")
    );
    bench.send(Message::Session(FromSession::CueOver));
    bench.send(Message::Session(FromSession::NewsOver));
    assert!(!bench.reads("Position 4 of 6 done") && !bench.reads("Written."));
    assert!(bench.reads("The disk is full."), "bad news stays");
    bench.send(Message::Dismiss(1));
    assert!(!bench.reads("The disk is full."));
}

#[test]
fn an_older_snapshot_is_not_shown_over_a_newer_one() {
    let mut newer = sample::tune();
    newer.revision = 8;
    let mut bench = Bench::showing(newer);
    let mut older = sample::intake();
    older.revision = 7;
    bench.tell(Update::Snapshot(older.into()));
    assert!(bench.reads("Sweep position 1 of 6"));
    assert!(!bench.reads("On to the source"));
}

#[test]
fn closing_waits_until_the_session_has_saved() {
    let mut bench = Bench::showing(sample::tune());
    bench.send(Message::CloseRequested);
    let asked = bench.asked();
    assert!(matches!(asked[..], [Command::Remember(_), Command::Close]), "{asked:?}");
    assert!(!bench.ended, "not before the session has ended");
    bench.send(Message::Session(FromSession::Ended));
    assert!(bench.ended);
}

#[test]
fn a_session_that_is_gone_is_said_and_the_window_closes_at_once() {
    let mut bench = Bench::showing(sample::tune());
    bench.session = None;
    bench.click(id("main"));
    assert!(bench.reads("Session ended"));
    bench.send(Message::CloseRequested);
    assert!(bench.ended);
}

#[test]
fn a_session_that_lags_is_never_waited_for() {
    let mut bench = Bench::showing(sample::tune());
    for _ in 0..view::LINK_DEPTH {
        bench.click(id("main"));
    }
    bench.click(id("main"));
    assert_eq!(bench.asked().len(), view::LINK_DEPTH);
    bench.send(Message::Mute);
    assert_eq!(bench.stopped(), [None], "a stop finds its way past all of them");
    let said =
        "Headrest is still busy with what you asked before, so this was not done. Try again in a moment.";
    assert!(bench.reads(said));
}
