//! What a person does, from the first start to the handover, by clicking: what the window asks the app for, and what the
//! app makes of it.

use iced::keyboard::key::Named;
use iced_test::selector::id;
use view::{
    Action, Activity, CaptureId, ChartFace, Choice, Command, Cue, HandleId, Now, Number, SetMark,
    SettingKind, SettingValue, Side, Stage, SwitchKey, TextKey, Update,
};
use window::{Entry, Folder, FromSession, Kind, Message, Theme};

use crate::bench::Bench;
use crate::driving::Driver;
use crate::prepared;

/// The newest capture of the prepared job.
const NEWEST: CaptureId = CaptureId(62);
/// A tile that is in view when the job has opened: the tray shows the newest.
const IN_VIEW: CaptureId = CaptureId(61);

/// What is chosen in a setting of the card.
fn chosen(driver: &Driver, label: &str) -> Option<Choice> {
    driver.snapshot().card.settings.iter().find(|setting| setting.label == label).and_then(|setting| {
        match &setting.kind {
            SettingKind::Choice { chosen, .. } => chosen.clone(),
            _ => None,
        }
    })
}

#[test]
fn at_the_first_start_the_simulated_car_is_one_key_away() {
    let mut bench = prepared::starting(false);
    assert!(bench.reads("Simulated cars"));
    bench.tap(Named::Space);
    assert_eq!(bench.asked(), [Command::StartOrStop]);
    bench.wait("the car", |driver| driver.snapshot().shared.rig.simulated);
    bench.wait_idle();
    assert!(bench.snapshot().start.is_none() && !bench.snapshot().shared.job.folder.is_empty());
}

#[test]
fn at_the_first_start_any_simulated_car_is_one_click_away() {
    let mut bench = prepared::starting(false);
    bench.work("car-box-van");
    assert_eq!(bench.asked(), [Command::UseSimulatedCar("box-van".to_owned())]);
    bench.wait("the van", |driver| driver.snapshot().shared.rig.name == "Simulated: Box van");
    assert!(bench.reads("Simulated: Box van"));
}

/// What was begun is one key or one click away, and what cannot be opened says why.
#[test]
fn the_start_page_goes_on_with_a_job() {
    let mut bench = prepared::starting(true);
    let jobs = bench.snapshot().start.clone().expect("the start page").jobs.clone();
    for text in [
        "Continue with Demonstration".to_owned(),
        format!("Handover, as you left it on {}.", jobs[0].day),
        format!("Handover \u{b7} {}", jobs[0].result),
        "Compact hatch \u{b7} 55 captures".to_owned(),
        jobs[1].remark.clone(),
    ] {
        assert!(bench.reads(&text), "“{text}” cannot be read");
    }
    assert!(jobs[1].remark.contains("job.json:3:"), "{}", jobs[1].remark);
    bench.click("damaged");
    assert_eq!(bench.asked(), [], "the damaged one cannot be opened");
    bench.tap(Named::Space);
    bench.wait("the job", |driver| driver.snapshot().start.is_none());
    bench.wait_idle();
    assert_eq!(bench.snapshot().shared.job.folder, jobs[0].folder);
    assert!(bench.snapshot().shared.rig.name.contains("Compact hatch"), "and the car it was measured in");
    // With a job open, J goes there and back.
    bench.asked();
    bench.letters("j");
    bench.wait("the start page", |driver| driver.snapshot().start.is_some());
    bench.letters("j");
    bench.wait("the job", |driver| driver.snapshot().start.is_none());
    bench.letters("j");
    bench.wait("the start page", |driver| driver.snapshot().start.is_some());
    bench.click(id("back"));
    bench.wait("the job", |driver| driver.snapshot().start.is_none());
    let there_and_back = [Command::ShowStart, Command::LeaveStart];
    assert_eq!(bench.asked(), [&there_and_back[..], &there_and_back].concat());
}

#[test]
fn without_a_job_there_is_none_to_go_back_to() {
    let mut bench = prepared::starting(true);
    bench.letters("j");
    assert_eq!(bench.asked(), []);
}

/// From another seat: one key, and what matters is there in letters of 60 pixels and more.
#[test]
fn large_type_shows_what_matters_during_a_capture() {
    let mut bench = prepared::running();
    bench.letters("l");
    let Some(Activity::Running { title, .. }) = bench.activity().cloned() else { panic!("it runs") };
    let place = bench.place(id("large")).expect("the large view");
    assert!(place.width > 1100.0 && place.height > 700.0, "{place:?}");
    assert!(bench.reads(&title), "{title}");
    bench.tap(Named::Space);
    assert_eq!(bench.stopped(), [prepared::run(&bench)], "it is stopped as ever");
    bench.letters("l");
    assert!(bench.place(id("large")).is_none());
}

/// A word of the moment covers no number that is read at the same time.
#[test]
fn a_cue_stands_beside_the_figures() {
    let mut bench = prepared::rising();
    let said = "Step 32 is not clean";
    bench.tell(Update::Cue(Cue { text: said.into(), good: false }));
    let word = bench.place(said).expect("the cue");
    for figure in bench.live.figures.clone() {
        let number = bench.place_of(&figure.value).expect("the figure");
        assert!(word.intersection(&number).is_none(), "{said} lies on {}", figure.value);
    }
    assert_eq!(bench.unreadable(), [""; 0]);
}

/// What was written can be opened where it is told.
#[test]
fn what_was_written_has_a_way_to_open_it() {
    let mut bench = prepared::at(Stage::Handover);
    bench.click(id("main"));
    bench.wait("the papers", |driver| driver.notices.iter().any(|notice| notice.contains("exports")));
    bench.wait_idle();
    assert!(bench.reads("Open"), "the notice has a way to it: {:?}", bench.notices);
    let files = bench.snapshot().card.files.clone();
    assert!(files.iter().any(|file| file.label == "Open the report"), "{files:?}");
    for file in files {
        assert!(std::path::Path::new(&file.path).exists(), "{file:?}");
    }
}

/// Everything is drawn larger as long as it has its place, and the window says how it was left.
#[test]
fn text_grows_as_far_as_the_window_has_room() {
    let mut bench = prepared::at(Stage::Tune);
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
    let mut bench = prepared::looking_at(Stage::Tune, Theme::Garage, (2048.0, 1400.0));
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
    let mut bench = prepared::at(Stage::Tune);
    for stage in Stage::ALL {
        bench.click(id(stage.title()));
        assert_eq!(bench.asked(), [Command::OpenStage(stage)]);
        bench.wait("the stage", |driver| driver.snapshot().face.stage == stage);
    }
    bench.open(Stage::Drivers);
    bench.asked();
    bench.click("Group delay");
    assert_eq!(bench.asked(), [Command::ShowFace(ChartFace::GroupDelay)]);
    bench.wait("the face", |driver| driver.snapshot().chart_face == ChartFace::GroupDelay);
    bench.wait_idle();
}

/// Whatever stage is open: what is to be done, what came of it, and what was found before can be read.
#[test]
fn what_the_app_says_is_to_be_read() {
    let mut bench = prepared::at(Stage::Intake);
    for stage in Stage::ALL {
        bench.open(stage);
        let seen = bench.snapshot().clone();
        let main = seen.card.main.expect("there is always one next step");
        let results = seen.shared.stages.iter().map(|line| line.result.clone());
        let texts = [
            seen.shared.job.name,
            seen.shared.rig.name,
            seen.card.instruction,
            seen.card.headline,
            seen.card.headline_caption,
            main.label,
        ];
        let mut read = 0;
        for text in texts.into_iter().chain(results).filter(|text| !text.is_empty()) {
            assert!(bench.reads(&text), "{stage:?}: “{text}” cannot be read");
            read += 1;
        }
        assert!(read >= 10, "{stage:?}: {read}");
    }
}

/// What the demonstration entered, found and checked is there when its job is opened here.
#[test]
fn a_job_that_another_face_did_is_seen_whole() {
    let mut bench = prepared::at(Stage::Handover);
    let value = |driver: &Driver, label: &str| {
        let line = driver.snapshot().card.lines.iter().find(|line| line.label == label);
        line.map(|line| line.value.clone())
    };
    assert_eq!(value(&bench, "What was typed").as_deref(), Some("entered correctly"));
    bench.open(Stage::Tune);
    bench.ask(Command::Press(Action::ShowWholeCar));
    bench.wait("the whole car", |driver| driver.snapshot().handles.iter().any(|one| !one.heading.is_empty()));
    let card = &bench.snapshot().card;
    let main = card.main.clone().expect("a next step");
    assert_ne!(main.action, Action::OpenStage(Stage::Drivers), "{}", card.instruction);
    assert!(bench.snapshot().chart.lines.iter().any(|line| line.label.contains("predicted")));
}

#[test]
fn in_the_smallest_window_the_rigs_name_stands_in_one_line_and_whole() {
    let mut bench = prepared::looking_at(Stage::Tune, Theme::Garage, (1024.0, 700.0));
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
    let seen = prepared::at(Stage::Tune).snapshot().clone();
    let mut bench = Bench::showing(seen.clone());
    let before = seen.revision;
    let running = Activity::Running {
        title: "Fitting bands".to_owned(),
        detail: "the bands stay".to_owned(),
        progress: None,
    };
    let now = |activity: Activity, run, older| Now { revision: before + 1, activity, run, older };
    bench.tell(Update::Now(now(running, Some(7), false)));
    assert!(bench.reads("Fitting bands"));
    bench.tell(Update::Snapshot(seen.clone().into()));
    assert!(bench.reads("Fitting bands"), "an older picture knows nothing of it");
    bench.click(id("stop"));
    assert_eq!(bench.stopped(), [Some(7)], "it can be stopped at once");
    bench.tell(Update::Now(now(Activity::Idle, None, true)));
    assert!(!bench.reads("Fitting bands"));
    assert!(bench.reads("As before; the new one is being computed."));
    let mut newer = seen;
    newer.revision = before + 1;
    bench.tell(Update::Snapshot(newer.into()));
    assert!(!bench.reads("As before; the new one is being computed."));
}

#[test]
fn the_main_button_begins_what_it_says() {
    let mut bench = prepared::at(Stage::Drivers);
    bench.click(id("main"));
    assert_eq!(bench.asked(), [Command::StartOrStop]);
    bench.wait("something that runs", |driver| !driver.is_idle());
}

#[test]
fn an_action_does_what_it_says() {
    let mut bench = prepared::at(Stage::Handover);
    let bands = bench.folder.path().join("job/exports/bands.csv");
    std::fs::remove_file(&bands).expect("the demonstration wrote it");
    bench.click("Export bands only");
    assert_eq!(bench.asked(), [Command::Press(Action::ExportBands)]);
    bench.wait("the bands", |_| bands.exists());
}

#[test]
fn an_action_that_cannot_be_taken_does_nothing() {
    let mut bench = prepared::shaping(Theme::Garage, prepared::DESIGN);
    let keep = bench.snapshot().card.actions.iter().find(|button| button.action == Action::KeepTarget);
    let keep = keep.cloned().expect("a target can be kept");
    assert!(!keep.enabled, "one that was not changed cannot");
    bench.click(&*keep.label.leak());
    assert_eq!(bench.asked(), []);
}

#[test]
fn a_choice_is_made_from_a_list() {
    let mut bench = prepared::at(Stage::Tune);
    let before = bench.snapshot().ribbon.clone().expect("a ribbon").rms_text;
    bench.click(id("setting-Target"));
    assert!(bench.reads("In-car, gentle"));
    bench.click("Flat");
    let flat = Choice::Target(Some("flat".into()));
    assert_eq!(bench.asked(), [Command::Set(SettingValue::Choice(flat.clone()))]);
    assert!(!bench.reads("In-car, gentle"), "the list closes");
    bench.wait("the target", |driver| chosen(driver, "Target") == Some(flat.clone()));
    // What is left is measured from the new target.
    bench.wait("the ribbon", |driver| {
        driver.snapshot().ribbon.as_ref().is_some_and(|one| one.rms_text != before)
    });
}

#[test]
fn a_switch_and_a_short_choice_are_set_at_once() {
    let mut bench = prepared::at(Stage::Tune);
    // It stands further down on the card.
    while bench.place("Right").is_none() {
        bench.move_to(iced::Point::new(1_100.0, 400.0));
        bench.scroll(-1.0);
    }
    bench.click("Right");
    let right = Choice::Side(Side::Right);
    assert_eq!(bench.asked(), [Command::Set(SettingValue::Choice(right.clone()))]);
    bench.wait("the side", |driver| chosen(driver, "The chart shows") == Some(right.clone()));
    bench.open(Stage::Drivers);
    bench.asked();
    bench.work("setting-Continue");
    assert_eq!(bench.asked(), [Command::Set(SettingValue::Switch(SwitchKey::Continue, false))]);
    bench.wait("the switch", |driver| {
        let settings = &driver.snapshot().card.settings;
        settings.iter().any(|one| one.kind == SettingKind::Switch(SwitchKey::Continue, false))
    });
}

#[test]
fn typed_text_reaches_the_job_once_it_is_finished() {
    let mut bench = prepared::at(Stage::Intake);
    bench.work("setting-Vehicle");
    bench.letters("!");
    assert_eq!(bench.asked(), [], "not while it is typed");
    bench.tap(Named::Tab);
    let asked = bench.asked();
    let [Command::Set(SettingValue::Text(TextKey::Vehicle, text))] = &asked[..] else {
        panic!("asked {asked:?}")
    };
    assert!(text.contains('!') && text.len() == "Compact hatch".len() + 1, "{text}");
    bench.wait("the car's new name", |driver| driver.snapshot().shared.job.car == *text);
}

#[test]
fn bands_have_a_switch_a_lock_and_steps() {
    let mut bench = prepared::at(Stage::Tune);
    let band = HandleId::Band(0);
    let gain = |driver: &Driver| {
        let handle = driver.snapshot().handles.iter().find(|handle| handle.id == band).expect("the band");
        (handle.band, handle.numbers[1].text.clone())
    };
    let (state, before) = gain(&bench);
    assert_eq!(state, Some(view::BandState { enabled: true, locked: false }));
    bench.work("band-0-switch");
    bench.work("band-0-lock");
    assert_eq!(bench.asked(), [Command::Enable(band, false), Command::Lock(band, true)]);
    let changed = Some(view::BandState { enabled: false, locked: true });
    bench.wait("both", |driver| gain(driver).0 == changed);
    bench.work("band-0");
    bench.tap(Named::ArrowDown);
    bench.tap(Named::ArrowRight);
    assert_eq!(
        bench.asked(),
        [
            Command::SelectHandle(Some(band)),
            Command::StepHandle { handle: band, what: Number::Gain, by: -1 },
            Command::StepHandle { handle: band, what: Number::Frequency, by: 1 },
        ]
    );
    // One step of the processor's own grid.
    bench.wait("the step", |driver| gain(driver).1 != before);
}

/// What is entered for a car has headings in the order of entry; a value has a lock, and neither a switch nor a bin.
#[test]
fn values_of_a_channel_are_locked_and_stepped() {
    let mut bench = prepared::at(Stage::Tune);
    bench.ask(Command::Press(Action::ShowWholeCar));
    bench.wait("the values", |driver| driver.snapshot().handles.iter().any(|one| !one.heading.is_empty()));
    bench.asked();
    let value = HandleId::Value(0);
    assert_eq!(bench.snapshot().handles[0].heading, "Levels");
    assert!(bench.place(id("value-0-remove")).is_none() && bench.place(id("value-0-switch")).is_none());
    let before = bench.snapshot().handles[0].clone();
    bench.work("value-0");
    assert!(bench.reads("Levels") && bench.reads("unlocked"));
    bench.tap(Named::ArrowDown);
    bench.wait("the step", |driver| driver.snapshot().handles[0].text != before.text);
    bench.work("value-0-lock");
    bench.wait("the lock", |driver| driver.snapshot().handles[0].locked == Some(true));
    assert_eq!(
        bench.asked(),
        [
            Command::SelectHandle(Some(value)),
            Command::StepHandle { handle: value, what: Number::Gain, by: -1 },
            Command::Lock(value, true),
        ]
    );
}

#[test]
fn the_target_is_edited_on_its_cards() {
    let mut bench = prepared::shaping(Theme::Garage, prepared::DESIGN);
    assert!(bench.reads("Shelves and points") && !bench.reads("Export bands"));
    let points = |driver: &Driver| {
        let is_point = |handle: &&view::HandleCard| matches!(handle.id, HandleId::Point(_));
        driver.snapshot().handles.iter().filter(is_point).count()
    };
    bench.click("+ Point");
    bench.wait("points", |driver| points(driver) > 0);
    let there = points(&bench);
    bench.work("point-0");
    bench.click(id("point-0-remove"));
    bench.wait("one less", |driver| points(driver) == there - 1);
    assert_eq!(
        bench.asked(),
        [
            Command::Press(Action::AddPoint),
            Command::SelectHandle(Some(HandleId::Point(0))),
            Command::RemoveHandle(HandleId::Point(0)),
        ]
    );
}

#[test]
fn what_is_chosen_on_the_chart_comes_into_view_on_the_card() {
    let mut bench = prepared::at(Stage::Tune);
    assert!(bench.place(id("band-17")).is_none(), "the last band starts out of view");
    bench.ask(Command::SelectHandle(Some(HandleId::Band(17))));
    bench.wait("the choice", |driver| driver.snapshot().handles.iter().any(|one| one.selected));
    assert!(bench.place(id("band-17-Gain")).is_some(), "its numbers are in view");
}

#[test]
fn captures_are_shown_and_marked() {
    let mut bench = prepared::at(Stage::Tune);
    let mark = |driver: &Driver| {
        driver.snapshot().tray.iter().find(|tile| tile.id == IN_VIEW).expect("the tile").mark
    };
    assert_eq!(mark(&bench), Some(SetMark::After));
    bench.click(id("tile-61"));
    bench.click(id("tile-61-B"));
    let asked = bench.asked();
    assert!(asked.contains(&Command::PickCapture(Some(IN_VIEW))), "{asked:?}");
    assert_eq!(asked.last(), Some(&Command::MarkCapture(IN_VIEW, Some(SetMark::Before))));
    bench.wait("the mark", |driver| mark(driver) == Some(SetMark::Before));
    bench.letters("a");
    assert_eq!(
        bench.asked(),
        [Command::MarkCapture(IN_VIEW, Some(SetMark::After))],
        "of the one that is picked"
    );
    bench.wait("the mark", |driver| mark(driver) == Some(SetMark::After));
}

#[test]
fn a_capture_is_discarded_only_after_a_question() {
    let mut bench = prepared::at(Stage::Tune);
    let is_there = |driver: &Driver| driver.snapshot().tray.iter().any(|tile| tile.id == IN_VIEW);
    bench.click(id("tile-61"));
    bench.asked();
    bench.tap(Named::Delete);
    assert!(bench.reads("Discard this capture?"));
    assert_eq!(bench.asked(), [], "it asks first");
    bench.click("Keep it");
    assert!(!bench.reads("Discard this capture?"));
    bench.wait_idle();
    assert!(is_there(&bench));
    bench.click(id("tile-61"));
    bench.asked();
    bench.tap(Named::Delete);
    bench.click("Discard");
    assert_eq!(bench.asked(), [Command::DiscardCapture(IN_VIEW)]);
    bench.wait("the tray without it", |driver| !is_there(driver));
    assert!(bench.folder.path().join("job/discarded/0061").exists(), "it is only moved");
    bench.letters("z");
    bench.wait("it again", is_there);
}

#[test]
fn a_mark_that_is_set_is_taken_away() {
    let mut bench = prepared::at(Stage::Tune);
    bench.letters("a");
    assert_eq!(bench.asked(), [Command::MarkCapture(NEWEST, None)], "the newest, when none is picked");
    bench.wait("no mark", |driver| {
        driver.snapshot().tray.iter().any(|tile| tile.id == NEWEST && tile.mark.is_none())
    });
}

#[test]
fn a_capture_is_renamed() {
    let mut bench = prepared::at(Stage::Tune);
    bench.click(id("tile-61"));
    bench.wait("the pick", |driver| driver.snapshot().face.picked == Some(IN_VIEW));
    bench.asked();
    bench.letters("r");
    assert!(bench.reads("Rename this capture"));
    bench.letters("2");
    bench.tap(Named::Enter);
    let asked = bench.asked();
    let [Command::RenameCapture(IN_VIEW, label)] = &asked[..] else { panic!("asked {asked:?}") };
    assert!(label.contains("left at driver-low") && label.contains('2'), "{label}");
    bench.wait("the name", |driver| driver.snapshot().tray.iter().any(|tile| tile.label == *label));
}

#[test]
fn a_job_begins_in_the_folder_that_was_typed() {
    let mut bench = prepared::starting(false);
    let new = bench.folder.path().join("news").display().to_string();
    bench.click(id("open-job"));
    bench.letters(&new);
    bench.click("Begin a new job there");
    assert_eq!(bench.asked(), [Command::NewJob(new.clone())]);
    bench.wait("the job", |driver| driver.snapshot().shared.job.folder == new);
}

#[test]
fn a_job_is_opened_in_the_folder_that_was_typed() {
    let mut bench = prepared::starting(true);
    let older = bench.folder.path().join("older").display().to_string();
    bench.click(id("open-job"));
    bench.letters(&older);
    bench.tap(Named::Enter);
    assert_eq!(bench.asked(), [Command::OpenJob(older.clone())]);
    bench.wait("the job", |driver| driver.snapshot().shared.job.folder == older);
}

/// Where the desktop has no dialog, folders are looked into here.
#[test]
fn a_job_is_found_in_the_list_of_folders() {
    let mut bench = prepared::starting(true);
    let folder = bench.folder.path().to_owned();
    bench.click(id("open-job"));
    let entry = |name: &str, kind| Entry { path: folder.join(name), name: name.to_owned(), kind };
    let entries =
        vec![entry("older", Kind::Job), entry("own", Kind::Folder), entry("a.wav", Kind::Recording)];
    bench.send(Message::Looked(Some(Folder { path: folder.clone(), entries })));
    assert!(bench.reads("own") && !bench.reads("a.wav"));
    bench.click("older");
    let job = folder.join("older").display().to_string();
    assert_eq!(bench.asked(), [Command::OpenJob(job.clone())]);
    assert!(!bench.reads("Open a job"), "the list has closed");
    bench.wait("the job", |driver| driver.snapshot().shared.job.folder == job);
}

#[test]
fn the_output_is_muted_and_allowed_again() {
    let mut bench = prepared::at(Stage::Tune);
    bench.click("Mute");
    assert_eq!((bench.stopped(), bench.asked()), (vec![None], vec![Command::Mute]));
    bench.wait("silence", |driver| driver.snapshot().shared.muted);
    bench.click("Muted");
    assert_eq!(bench.asked(), [Command::Unmute]);
    bench.wait("sound", |driver| !driver.snapshot().shared.muted);
}

#[test]
fn countdown_and_progress_can_be_stopped() {
    for mut bench in [prepared::countdown(), prepared::running()] {
        bench.click("Stop");
        let run = prepared::run(&bench);
        assert!(run.is_some());
        assert_eq!(
            (bench.stopped(), bench.asked()),
            (vec![run], vec![]),
            "the run that is shown, by no message"
        );
        bench.wait_idle();
    }
}

#[test]
fn notices_are_read_and_dismissed_and_cues_end() {
    let mut bench = Bench::showing(prepared::at(Stage::Tune).snapshot().clone());
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
    let mut bench = prepared::at(Stage::Intake);
    let older = bench.snapshot().clone();
    bench.open(Stage::Tune);
    let newer = bench.snapshot().clone();
    assert!(older.revision < newer.revision);
    bench.tell(Update::Snapshot(older.clone().into()));
    assert!(bench.reads(&newer.card.instruction));
    assert!(!bench.reads(&older.card.instruction));
}

#[test]
fn closing_waits_until_the_app_has_saved() {
    let mut bench = prepared::at(Stage::Tune);
    bench.send(Message::CloseRequested);
    let asked = bench.asked();
    assert!(matches!(asked[..], [Command::Remember(_), Command::Close]), "{asked:?}");
    assert!(!bench.ended, "not before the app has ended");
    bench.send(Message::Session(FromSession::Ended));
    assert!(bench.ended);
}

#[test]
fn an_app_that_is_gone_is_said_and_the_window_closes_at_once() {
    let mut bench = Bench::showing(prepared::at(Stage::Tune).snapshot().clone());
    bench.nobody = None;
    bench.click(id("main"));
    assert!(bench.reads("Session ended"));
    bench.send(Message::CloseRequested);
    assert!(bench.ended);
}

#[test]
fn an_app_that_lags_is_never_waited_for() {
    let mut bench = Bench::showing(prepared::at(Stage::Tune).snapshot().clone());
    for _ in 0..=view::LINK_DEPTH {
        bench.click(id("main"));
    }
    assert_eq!(bench.asked().len(), view::LINK_DEPTH);
    bench.send(Message::Mute);
    assert_eq!(bench.stopped(), [None], "a stop finds its way past all of them");
    let said =
        "Headrest is still busy with what you asked before, so this was not done. Try again in a moment.";
    assert!(bench.reads(said));
}
