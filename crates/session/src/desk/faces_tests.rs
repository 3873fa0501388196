//! Several faces at one app, each on a thread of its own, and the stop that goes past its mailbox.

use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use view::{Activity, CaptureId, Command, Link, Snapshot, Stage, Update};

use super::App;
use super::tests::Bench;

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
        served.ask(0, Command::UseSimulatedCar);
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
    let mut bench = Bench::new();
    bench.desk.choices.times = 1;
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.ask(Command::StartOrStop);
    let began = Instant::now();
    while began.elapsed() < Duration::from_millis(600) {
        bench.desk.pump();
    }
    assert!(matches!(bench.snapshot().shared.activity, Activity::Running { .. }), "{:?}", bench.notices());
    bench.desk.switch.clone().stop();
    let stopped = Instant::now();
    bench.finish();
    assert!(stopped.elapsed() < Duration::from_secs(5), "the sweep alone lasts longer");
    let snapshot = bench.snapshot();
    assert_eq!(snapshot.shared.run, None);
    assert_eq!(snapshot.tray.len(), 1, "what was recorded is there");
    assert_eq!(snapshot.tray[0].remark, "Stopped before its end.");
    let job = bench.desk.job.as_ref().expect("the job");
    assert!(job.capture(job::CaptureId(1)).is_some_and(|capture| capture.state != job::CaptureState::Done));
}

/// A stop that means a run that has ended does not end the next one.
#[test]
fn a_late_stop_leaves_the_next_run_alone() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.desk.choices.countdown_s = 20;
    bench.ask(Command::StartOrStop);
    let first = bench.snapshot().shared.run.expect("a run");
    bench.desk.switch.stop_run(first);
    bench.desk.pump();
    assert_eq!(bench.snapshot().shared.run, None);
    bench.ask(Command::StartOrStop);
    bench.desk.switch.stop_run(first);
    bench.desk.pump();
    assert!(bench.snapshot().shared.run.is_some_and(|run| run > first));
}

/// What cannot be taken back now can be taken back when the reason has gone.
#[test]
fn an_undo_that_fails_loses_nothing() {
    let mut bench = Bench::new();
    bench.ask(Command::OpenStage(Stage::Drivers));
    bench.choose(view::Choice::Driver(Some("left-tweeter".to_owned())));
    bench.ask(Command::StartOrStop);
    bench.finish();
    bench.ask(Command::DiscardCapture(CaptureId(1)));
    let discarded = bench.desk.job.as_ref().expect("the job").dir().join("discarded");
    let away = discarded.with_file_name("away");
    std::fs::rename(&discarded, &away).expect("it can be moved");
    bench.notices();
    bench.ask(Command::Undo);
    assert_eq!(bench.notices().len(), 1, "it says why");
    assert_eq!(bench.snapshot().shared.can_undo, (true, false));
    std::fs::rename(&away, &discarded).expect("it can be moved back");
    bench.ask(Command::Undo);
    assert_eq!(bench.snapshot().shared.can_undo, (false, true), "{:?}", bench.notices());
    assert_eq!(bench.snapshot().tray.len(), 1);
}
