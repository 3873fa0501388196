//! Tracks that are heard rather than asked for: from a stream, and from a recording.

use measurements::signals::{render, track};
use view::{Action, Activity, Choice, Command, Stage};

use super::tests::TestApp;

/// The simulated source plays the track of the next driver, some time after listening began.
#[test]
fn a_track_is_heard_and_filed_without_a_key_pressed() {
    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Drivers));
    app.choose(Choice::Driver(Some("left-tweeter".to_owned())));
    app.press(Action::Listen);
    let mut titles: Vec<String> = Vec::new();
    while app.core.work.is_some() {
        app.pump();
        if let Activity::Running { title, .. } = app.snapshot().shared.activity
            && titles.last() != Some(&title)
        {
            titles.push(title);
        }
    }
    assert_eq!(titles[..2], ["Getting ready to listen", "Listening for a track"]);
    assert!(titles.iter().any(|title| title == "sweep-high is being played"), "{titles:?}");
    let snapshot = app.snapshot();
    assert_eq!(snapshot.tray.len(), 1, "{:?}", app.notices());
    assert_eq!((snapshot.tray[0].label.as_str(), snapshot.tray[0].stage), ("left-tweeter", Stage::Drivers));
    assert!(
        snapshot.card.lines.iter().any(|line| line.label == "left-tweeter" && line.value != "not measured")
    );
}

/// Two tracks with a pause, in an order that is not that of the drivers: each goes to the driver
/// that it suits.
#[test]
fn the_tracks_of_a_recording_are_filed_in_the_order_of_the_work() {
    let rate_hz = 24_000;
    let mut samples = vec![0.0f32; 30_000];
    for name in ["sweep-sub", "sweep-mid", "sweep-mid"] {
        samples.extend(render(&track(name).expect("a track"), f64::from(rate_hz)).iter().map(|x| 0.4 * x));
        samples.extend(std::iter::repeat_n(0.0, 50_000));
    }
    let mut noise = 1u32;
    samples.iter_mut().for_each(|x| {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *x += 1e-4 * (noise as f32 / 2f32.powi(31) - 1.0);
    });
    let folder = tempfile::tempdir().expect("a folder");
    let wav = folder.path().join("session.wav");
    let audio = recording::Audio::new(rate_hz, vec![samples]);
    recording::write_wav(&wav, &audio, recording::Depth::Int24, 1).expect("it is written");

    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Drivers));
    app.ask(Command::Import(vec![wav.display().to_string(), "nowhere.wav".to_owned()]));
    app.finish();
    let snapshot = app.snapshot();
    let labels: Vec<&str> = snapshot.tray.iter().map(|tile| tile.label.as_str()).collect();
    let mids: Vec<String> = app
        .core
        .drivers()
        .iter()
        .filter(|driver| procedure::driver_track(driver.role) == "sweep-mid")
        .map(|driver| driver.name.clone())
        .collect();
    assert_eq!(labels, ["sub", &mids[0], &mids[1]], "{:?}", app.notices());
    assert!(snapshot.tray.iter().all(|tile| tile.stage == Stage::Drivers));
    assert!(app.notices().iter().any(|notice| notice.contains("nowhere.wav")), "the second is refused");
}

/// Stopped before the app has looked: nothing half-made is left, the next recording is not begun, and the rig that was
/// not used is free. That a stop half-way leaves nothing half-made is a test of the procedure, which is stopped at each
/// event.
#[test]
fn an_import_is_cancelled() {
    const TRACKS: usize = 8;
    let rate_hz = 24_000;
    let one = render(&track("sweep-mid").expect("a track"), f64::from(rate_hz));
    let mut samples = Vec::new();
    for _ in 0..TRACKS {
        samples.extend(one.iter().map(|x| 0.4 * x));
        samples.extend(std::iter::repeat_n(0.0, 30_000));
    }
    let folder = tempfile::tempdir().expect("a folder");
    let wav = folder.path().join("long.wav");
    let audio = recording::Audio::new(rate_hz, vec![samples]);
    recording::write_wav(&wav, &audio, recording::Depth::Int24, 1).expect("it is written");
    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Drivers));
    app.core.obey(Command::Import(vec![wav.display().to_string(), wav.display().to_string()]));
    assert!(matches!(app.core.activity(), Activity::Running { .. }));
    // As a face does it, on its own thread.
    app.core.switch.clone().stop();
    app.finish();
    let notices = app.notices();
    // What was not searched is not said to hold nothing.
    assert!(!notices.iter().any(|notice| notice.contains("No whole track")), "{notices:?}");
    let job = app.core.job.as_ref().expect("the job").job();
    let done = job.captures().iter().filter(|capture| capture.state == job::CaptureState::Done).count();
    assert_eq!(done, 0, "nothing was searched");
    assert!(job.captures().iter().all(|capture| capture.state != job::CaptureState::Recording));
    assert_eq!(app.snapshot().shared.activity, Activity::Idle, "the second is not begun");
    let folder = job.dir().to_owned();
    app.choose(Choice::Driver(Some("sub".to_owned())));
    app.ask(Command::StartOrStop);
    app.finish();
    assert!(app.snapshot().tray.iter().any(|tile| tile.label == "sub"), "{:?}", app.notices());
    drop(app.core);
    assert!(job::check(&folder).expect("a job").is_sound());
}

/// What is brought after a stop that the app has seen is wanted, and is imported when the work has ended.
#[test]
fn a_recording_that_is_brought_after_a_stop_is_not_dropped() {
    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Drivers));
    app.press(Action::Listen);
    app.core.stop();
    app.core.obey(Command::Import(vec!["brought-after.wav".to_owned()]));
    app.finish();
    let notices = app.notices();
    assert!(notices.iter().any(|notice| notice.contains("brought-after.wav")), "it is tried: {notices:?}");
}

/// What is heard goes where it would have been measured next, both sides by themselves included.
#[test]
fn what_is_heard_is_filed_as_it_would_be_measured() {
    let mut app = TestApp::new();
    app.ask(Command::OpenStage(Stage::Tune));
    let full = track("sweep-full").expect("a track");
    for by_side in [false, true] {
        app.core.state.choices.by_side = by_side;
        let orders = app.core.orders().expect("orders");
        for (order, number) in orders.iter().take(3).zip(1..) {
            let place = app.core.place_for(&full);
            assert_eq!((&place.label, &place.position), (&order.plan.label, &order.plan.position));
            assert_eq!(place.set, order.plan.set);
            // While it is being recorded its place is taken.
            let started = jiff::Timestamp::UNIX_EPOCH;
            let mut meta = job::CaptureMeta::new("sweep", 1, job::Stage::Tune, started);
            place.note(&mut meta);
            let id = job::CaptureId(if by_side { 10 + number } else { number });
            app.core.apply(procedure::Change::CaptureBegun { id, meta }).expect("it is noted");
        }
    }
}
