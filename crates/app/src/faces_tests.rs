//! Several faces at one app, each on a thread of its own, and the stop that goes past its mailbox.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::sync_channel;
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use engine::{Pace, Plant, RigSpec, SimulatedRig};
use testkit::at_most;
use tuning::Response;
use view::{
    Activity, CaptureId, Choice, Command, Link, SetMark, SettingValue, Snapshot, Stage, TextKey, Update,
};

use super::captures::CaptureView;
use super::derive::{Derived, Wish, deriver};
use super::tests::TestApp;
use super::{App, Core, serve_all};

/// An app on a thread of its own, with a job and the simulated car.
struct Served {
    faces: Vec<Link>,
    app: JoinHandle<()>,
    _folder: tempfile::TempDir,
}

impl Served {
    fn with_faces(count: usize) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let app = App::default();
        let door = app.door();
        let thread = std::thread::Builder::new().name("app".to_owned());
        let app = thread.spawn(move || app.serve()).expect("a thread");
        let served = Self { faces: (0..count).map(|_| door.attach()).collect(), app, _folder: folder };
        let job = served._folder.path().join("job").display().to_string();
        served.ask(0, Command::NewJob(job));
        served.ask(0, Command::UseSimulatedCar(String::new()));
        served
    }

    fn ask(&self, face: usize, command: Command) {
        self.faces[face].commands.send(command).expect("the app takes it");
    }

    /// The first snapshot of a face that is as wanted.
    #[track_caller]
    fn shown(&self, face: usize, wanted: impl Fn(&Snapshot) -> bool) -> Arc<Snapshot> {
        let began = Instant::now();
        let mut last = None;
        while began.elapsed() < Duration::from_secs(60) {
            match self.faces[face].updates.recv_timeout(Duration::from_millis(200)) {
                Ok(Update::Snapshot(snapshot)) if wanted(&snapshot) => return snapshot,
                Ok(Update::Snapshot(snapshot)) => last = Some(snapshot),
                _ => {}
            }
        }
        panic!("face {face} never showed it, but {:?}", last.map(|snapshot| snapshot.shared.clone()));
    }
}

/// Both see the same work; each opens its own stage and looks at its own smoothing.
#[test]
fn two_faces_share_the_work_and_look_at_different_things() {
    let mut served = Served::with_faces(2);
    served.ask(0, Command::OpenStage(Stage::Drivers));
    served.ask(1, Command::OpenStage(Stage::Tune));
    served.ask(1, Command::NextSmoothing);
    served.ask(1, Command::SetOutput(-31.0));
    let loud = |snapshot: &Snapshot| snapshot.shared.output_dbfs == -31.0;
    let (one, two) = (served.shown(0, loud), served.shown(1, loud));
    assert_eq!((one.face.stage, two.face.stage), (Stage::Drivers, Stage::Tune));
    assert_eq!((one.face.smoothing, two.face.smoothing), (12, 24));
    assert_ne!(one.card, two.card);
    assert_eq!(one.shared, two.shared, "the work is one");
    // What one starts both see, and the other stops.
    served.ask(0, Command::StartOrStop);
    let busy = |snapshot: &Snapshot| snapshot.shared.run.is_some();
    let (one, two) = (served.shown(0, busy), served.shown(1, busy));
    assert!(matches!(one.shared.activity, Activity::Countdown { .. }), "{:?}", one.shared.activity);
    assert_eq!(one.shared.run, two.shared.run);
    served.faces[1].stop.stop_run(two.shared.run.expect("a run"));
    let idle = |snapshot: &Snapshot| snapshot.shared.activity == Activity::Idle;
    served.shown(0, idle);
    served.shown(1, idle);
    // One face that closes takes nothing from the other; with the last one the app ends.
    served.ask(0, Command::Close);
    served.ask(1, Command::SetOutput(-40.0));
    served.shown(1, |snapshot| snapshot.shared.output_dbfs == -40.0);
    served.faces.clear();
    served.app.join().expect("it ends by itself");
}

/// No command is sent: the switch alone ends a capture in real time, and keeps what was recorded.
#[test]
fn a_stop_past_the_mailbox_ends_a_capture_and_keeps_it() {
    let mut tested = TestApp::new();
    tested.core.state.choices.times = 1;
    tested.ask(Command::OpenStage(Stage::Drivers));
    tested.ask(Command::StartOrStop);
    let began = Instant::now();
    tested.pump_until(|_| began.elapsed() > Duration::from_millis(600));
    assert!(matches!(tested.snapshot().shared.activity, Activity::Running { .. }), "{:?}", tested.notices());
    tested.core.switch.clone().stop();
    tested.finish();
    let snapshot = tested.snapshot();
    assert_eq!(snapshot.shared.run, None);
    assert_eq!(snapshot.tray.len(), 1, "what was recorded is there");
    assert_eq!(snapshot.tray[0].remark, "Stopped before its end.");
    let job = tested.core.job.as_ref().expect("the job").job();
    let capture = job.capture(job::CaptureId(1)).expect("it is kept");
    assert_ne!(capture.state, job::CaptureState::Done);
    // Counted in samples, not by a clock that a busy machine slows.
    let wanted_s: f64 =
        capture.meta.stimulus.iter().flat_map(|played| &played.segments).map(|one| one.duration_s).sum();
    let recorded = recording::read(job.audio_path(capture.id)).expect("the recording");
    let recorded_s = recorded.frames() as f64 / f64::from(recorded.sample_rate_hz);
    assert!(recorded_s < wanted_s, "{recorded_s} s of {wanted_s} s");
}

/// A stop that means a run that has ended does not end the next one.
#[test]
fn a_late_stop_leaves_the_next_run_alone() {
    let mut tested = TestApp::new();
    tested.ask(Command::OpenStage(Stage::Drivers));
    tested.core.state.choices.countdown_s = 20;
    tested.ask(Command::StartOrStop);
    let first = tested.snapshot().shared.run.expect("a run");
    tested.core.switch.stop_run(first);
    tested.finish();
    assert_eq!(tested.snapshot().shared.run, None);
    tested.ask(Command::StartOrStop);
    tested.core.switch.stop_run(first);
    tested.pump();
    assert!(tested.snapshot().shared.run.is_some_and(|run| run > first));
}

/// What cannot be taken back now can be taken back when the reason has gone.
#[test]
fn an_undo_that_fails_loses_nothing() {
    let mut tested = TestApp::new();
    tested.ask(Command::OpenStage(Stage::Drivers));
    tested.choose(Choice::Driver(Some("left-tweeter".to_owned())));
    tested.ask(Command::StartOrStop);
    tested.finish();
    tested.ask(Command::DiscardCapture(CaptureId(1)));
    let discarded = tested.core.job.as_ref().expect("the job").job().dir().join("discarded");
    let away = discarded.with_file_name("away");
    std::fs::rename(&discarded, &away).expect("it can be moved");
    tested.notices();
    tested.ask(Command::Undo);
    assert_eq!(tested.notices().len(), 1, "it says why");
    assert_eq!(tested.snapshot().shared.can_undo, (true, false));
    std::fs::rename(&away, &discarded).expect("it can be moved back");
    tested.ask(Command::Undo);
    assert_eq!(tested.snapshot().shared.can_undo, (false, true), "{:?}", tested.notices());
    assert_eq!(tested.snapshot().tray.len(), 1);
}

/// What a loudspeaker is given: how many frames, and how many of them since a stop.
#[derive(Debug, Default)]
struct Heard {
    stopped: AtomicBool,
    /// Frames with sound.
    loud: AtomicU64,
    /// The last frame with sound since the stop, and how many frames there were since then.
    last_loud: AtomicU64,
    since_stop: AtomicU64,
}

/// A wire that counts what passes through it.
struct CountedWire(Arc<Heard>);

impl Plant for CountedWire {
    fn process(&mut self, played: &[f32], captured: &mut [f32]) {
        captured.copy_from_slice(played);
        let heard = &self.0;
        for frame in played.chunks(2) {
            let loud = frame.iter().any(|x| *x != 0.0);
            heard.loud.fetch_add(u64::from(loud), Ordering::Relaxed);
            if heard.stopped.load(Ordering::Acquire) {
                let frames = heard.since_stop.fetch_add(1, Ordering::Relaxed) + 1;
                if loud {
                    heard.last_loud.store(frames, Ordering::Relaxed);
                }
            }
        }
    }

    fn outputs(&self) -> usize {
        2
    }

    fn inputs(&self) -> usize {
        2
    }
}

/// One of the many captures of a long job.
fn held(number: u32) -> CaptureView {
    let grid = dsp::response::log_grid(20.0, 20_000.0, 96.0);
    let level = grid.iter().map(|hz| 3.0 * (hz / 100.0 + f64::from(number)).sin()).collect();
    CaptureView {
        proposed: false,
        track: String::new(),
        id: CaptureId(number),
        label: format!("place {number}"),
        time: String::new(),
        stage: Stage::Tune,
        mark: Some(SetMark::Before),
        position: format!("place {number}"),
        place: String::new(),
        is_together: true,
        channel: "",
        volume_step: None,
        engine_rpm: None,
        volts_per_fs: None,
        measurement: "spectrum".to_owned(),
        running: false,
        reading: Arc::default(),
        response: Some(Arc::new(Response::new(grid, level).expect("a response"))),
        remark: String::new(),
    }
}

/// An app on a thread of its own that a test has prepared, and its face.
fn serve(prepare: impl FnOnce(&mut Core) + Send + 'static) -> (Link, JoinHandle<()>) {
    let app = App::default();
    let (link, switch) = (app.door().attach(), app.door().switch);
    let thread = std::thread::Builder::new().name("app".to_owned());
    let served = thread.spawn(move || {
        let mut tested = TestApp::new();
        tested.core.switch = switch;
        tested.core.mail = Arc::downgrade(&app.door.mail);
        tested.core.faces.clear();
        prepare(&mut tested.core);
        let App { mailbox, door, .. } = app;
        drop(door);
        serve_all(&mailbox, &mut tested.core);
    });
    (link, served.expect("a thread"))
}

/// A picture that takes for ever to compute keeps nobody waiting: what is asked for is done and saved, a capture begins
/// and ends, and the face is told that its picture is older. The next picture is of the state as it is then.
#[test]
fn a_picture_that_takes_for_ever_keeps_nobody_waiting() {
    let (to, wishes) = sync_channel::<Wish>(1);
    let (tell, folder) = sync_channel(1);
    let (link, served) = serve(move |core| {
        core.deriver = Some(to);
        let job = core.job.as_ref().expect("the job").job();
        tell.send(job.dir().to_owned()).expect("it is waited for");
    });
    let folder = folder.recv().expect("a folder");
    let stuck = wishes.recv_timeout(Duration::from_secs(60)).expect("the first picture is asked for");
    let ask = |command| link.commands.send(command).expect("the app takes it");
    ask(Command::Set(SettingValue::Text(TextKey::JobName, "named meanwhile".to_owned())));
    ask(Command::OpenStage(Stage::Drivers));
    ask(Command::Set(SettingValue::Choice(Choice::Driver(Some("left-tweeter".to_owned())))));
    ask(Command::StartOrStop);
    let mut told = Vec::new();
    let mut wait = |what: &str, wanted: &dyn Fn(&[view::Now]) -> bool| {
        let began = Instant::now();
        while !wanted(&told) {
            assert!(began.elapsed() < Duration::from_secs(60), "{what}: {told:?}");
            match link.updates.recv_timeout(Duration::from_millis(200)) {
                Ok(Update::Now(now)) => told.push(now),
                Ok(Update::Snapshot(_)) => panic!("nobody has computed it"),
                _ => {}
            }
        }
    };
    wait("it runs", &|told| told.iter().any(|now| now.run.is_some()));
    wait("it says that the picture is older", &|told| told.iter().any(|now| now.older));
    wait("it has ended", &|told| told.last().is_some_and(|now| now.run.is_none()));
    let job = job::Job::open_to_read(&folder).expect("it can be read");
    assert_eq!(job.data().head.name, "named meanwhile");
    assert_eq!(job.captures().iter().map(|one| one.state).collect::<Vec<_>>(), [job::CaptureState::Done]);
    (stuck.answer)(Derived { revision: 0, lagging: Vec::new(), results: Vec::new(), live_offset_db: None });
    let next = wishes.recv_timeout(Duration::from_secs(60)).expect("the next picture is asked for");
    assert_eq!(next.derivation.job.as_ref().expect("the job").data.head.name, "named meanwhile");
    assert_eq!(next.derivation.captures.iter().count(), 1);
    drop((link, wishes));
    served.join().expect("it ends");
}

/// The bar: the first callback after a stop begins the fade, whatever the app's thread is doing. It has
/// 1,000 captures here, and is asked for their average over other parts of an octave again and again, which
/// takes it far longer than the fade. Frames are counted where a loudspeaker would be; the fade lasts 10 ms and a
/// block of the simulated device is 1,024 frames long.
#[test]
#[expect(clippy::print_stdout, reason = "the time is what a person reads")]
fn a_stop_is_heard_while_the_app_computes_on_a_thousand_captures() {
    let heard = Arc::new(Heard::default());
    let spec = RigSpec {
        inputs: vec![engine::Input::new(1, "microphone", engine::InputRole::Microphone)],
        ..RigSpec::system_default()
    };
    let plant = Arc::new(Mutex::new(CountedWire(Arc::clone(&heard))));
    let rig = SimulatedRig::new(plant, spec, Pace::RealTime).expect("a rig");
    let (link, served) = serve(move |core| {
        core.deriver = Some(deriver());
        core.hold_rig(rig::OpenRig::of(Box::new(rig)), library::RememberedRig::Devices);
        (2..=1_001).for_each(|number| core.state.captures.insert(held(number)));
        let choices = &mut core.state.choices;
        (choices.signal, choices.positions, choices.countdown_s) = (view::Signal::PinkNoise, 1, 0);
    });
    let ask = |command| link.commands.send(command).expect("the app takes it");
    ask(Command::OpenStage(Stage::Tune));
    ask(Command::Press(view::Action::Measure));
    let wait = |what: &str, done: &dyn Fn() -> bool| {
        let began = Instant::now();
        while !done() {
            assert!(began.elapsed() < Duration::from_secs(120), "{what}");
            std::thread::sleep(Duration::from_millis(1));
        }
        began.elapsed()
    };
    wait("noise is played", &|| heard.loud.load(Ordering::Relaxed) > 24_000);
    (0..4).for_each(|_| ask(Command::NextSmoothing));
    // What was told so far is read, so that what follows tells when the app looks up again.
    std::thread::sleep(Duration::from_millis(100));
    link.updates.try_iter().for_each(drop);
    heard.stopped.store(true, Ordering::Release);
    let pressed = Instant::now();
    link.stop.stop();
    // The rest of the block in which the fade ends is silent.
    wait("silence", &|| {
        heard.since_stop.load(Ordering::Relaxed) > heard.last_loud.load(Ordering::Relaxed) + 100
    });
    let frames = heard.last_loud.load(Ordering::Relaxed);
    let looked_up = loop {
        match link.updates.recv_timeout(Duration::from_secs(120)).expect("the app lives") {
            Update::Now(now) if now.run.is_none() => break pressed.elapsed(),
            _ => {}
        }
    };
    println!(
        "from the key to silence {frames} frames, {:.1} ms; the app itself saw it after {:.0} ms",
        frames as f64 / 48.0,
        1e3 * looked_up.as_secs_f64()
    );
    at_most("frames from the key to silence", frames as f64, 480.0 + 2.0 * 1_024.0);
    // Whatever takes 20 s to compute, the app itself never waits for it: the part that was recorded is measured and
    // kept, and every face is told.
    at_most("seconds until every face knows", looked_up.as_secs_f64(), 5.0);
    drop(link);
    served.join().expect("it ends");
}
