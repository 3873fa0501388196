//! The session behind a window: commands in, snapshots out.
//!
//! One thread owns everything. A capture is pumped between commands, so that
//! *stop* and *mute* are never more than a few milliseconds away; what takes
//! longer to compute goes to a thread of its own and comes back as a message.

mod capture;
mod card;
mod command;
mod picture;
mod tune;

use std::sync::Arc;
use std::sync::mpsc::{RecvTimeoutError, SyncSender, TrySendError};
use std::time::Duration;

use engine::{Pace, RigSpec};
use job::{Job, Stage};
use tuning::Response;
use view::{CaptureId, Cue, Face, SessionEnd, SetMark, Update};

use crate::bench::Bench;
use crate::{Result, jobs, place};
use capture::Running;
use tune::Tune;

/// A capture on the desk, with what the chart needs of it.
#[derive(Debug, Clone)]
struct Held {
    id: CaptureId,
    label: String,
    time: String,
    stage: Stage,
    mark: Option<SetMark>,
    shown: bool,
    response: Option<Response>,
    remark: String,
}

/// What is played for a response.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Signal {
    Sweep,
    Pink,
}

/// What a person has chosen on the cards.
#[derive(Debug, Clone, PartialEq)]
struct Choices {
    signal: Signal,
    /// How many positions make a set.
    positions: usize,
    /// Which side of the comparison is being measured.
    side: SetMark,
    countdown_s: u32,
    max_bands: usize,
    driver: Option<String>,
    power_w: f64,
    load_ohm: f64,
    overlap_db: f64,
}

/// Everything that the window looks at.
struct Desk {
    updates: SyncSender<Update>,
    revision: u64,
    changed: bool,
    job: Option<Job>,
    bench: Option<Bench>,
    tune: Tune,
    held: Vec<Held>,
    running: Option<Running>,
    choices: Choices,
    stage: view::Stage,
    face: Face,
    /// 1/N octave; 0 for none.
    smoothing: u32,
    output_dbfs: f64,
    muted: bool,
    /// Whether the bands are entered in the simulated processor.
    entered: bool,
}

/// How long the session waits for a command when nothing runs, and when
/// something does.
const IDLE: Duration = Duration::from_millis(250);
const BUSY: Duration = Duration::from_millis(2);

/// Serves a window until it closes.
pub fn serve(end: &SessionEnd) {
    let Ok(tune) = Tune::new("car-medium", "parametric-gridded") else { return };
    let mut desk = Desk::new(tune, end.updates.clone());
    desk.send_snapshot();
    loop {
        let wait = if desk.running.is_some() { BUSY } else { IDLE };
        match end.commands.recv_timeout(wait) {
            Ok(view::Command::Close) | Err(RecvTimeoutError::Disconnected) => break,
            Ok(command) => desk.obey(command),
            Err(RecvTimeoutError::Timeout) => {}
        }
        desk.pump();
        if desk.changed {
            desk.send_snapshot();
        }
    }
    desk.stop();
}

impl Desk {
    fn new(tune: Tune, updates: SyncSender<Update>) -> Self {
        Self {
            updates,
            revision: 0,
            changed: false,
            job: None,
            bench: None,
            tune,
            held: Vec::new(),
            running: None,
            choices: Choices {
                signal: Signal::Sweep,
                positions: 6,
                side: SetMark::Before,
                countdown_s: 3,
                max_bands: 8,
                driver: None,
                power_w: 100.0,
                load_ohm: 4.0,
                overlap_db: -5.0,
            },
            stage: view::Stage::Intake,
            face: Face::Response,
            smoothing: 12,
            output_dbfs: -20.0,
            muted: false,
            entered: false,
        }
    }

    fn send_snapshot(&mut self) {
        self.revision += 1;
        self.changed = false;
        let snapshot = Arc::new(self.snapshot());
        // A full queue means that the window lags; the next change tries again.
        if let Err(TrySendError::Full(_)) = self.updates.try_send(Update::Snapshot(snapshot)) {
            self.changed = true;
        }
    }

    fn notice(&mut self, text: impl Into<String>, good: bool) {
        let _ = self.updates.try_send(Update::Notice { text: text.into(), good });
    }

    fn cue(&mut self, text: impl Into<String>, good: bool) {
        let _ = self.updates.try_send(Update::Cue(Cue { text: text.into(), good }));
    }

    /// Says why something could not be done, if it could not.
    fn report(&mut self, result: Result<()>) {
        if let Err(error) = result {
            self.notice(error.to_string(), false);
        }
    }

    fn use_simulated_car(&mut self) -> Result<()> {
        let bench = Bench::simulated("", Pace::RealTime)?;
        let car = bench.car().map_or_else(String::new, |simulated| simulated.car.name.clone());
        self.choices.positions = bench.car().map_or(6, |simulated| simulated.car.position_names().count());
        self.choices.countdown_s = 1;
        self.bench = Some(bench);
        self.entered = false;
        if self.job.is_none() {
            let folder = place::unused(&place::work(), "");
            self.hold(jobs::create(&folder, Some("Simulated car"), &car)?);
            self.notice(format!("The job is kept in {}", folder.display()), true);
        }
        self.open_stage(view::Stage::Tune);
        Ok(())
    }

    fn use_devices(&mut self) -> Result<()> {
        self.bench = Some(Bench::devices(RigSpec::system_default(), None)?);
        Ok(())
    }

    /// Takes a job on the desk, with its captures.
    fn hold(&mut self, job: Job) {
        self.held = job
            .captures()
            .iter()
            .map(|capture| {
                let reading = job.reading(capture.id).ok().flatten();
                capture::held(capture, reading.as_ref())
            })
            .collect();
        self.job = Some(job);
    }

    fn open_stage(&mut self, stage: view::Stage) {
        self.stage = stage;
    }

    /// The responses of one side of the comparison.
    fn side(&self, mark: SetMark) -> Vec<Response> {
        self.held
            .iter()
            .filter(|held| held.mark == Some(mark))
            .filter_map(|held| held.response.as_ref())
            .map(|response| response.smoothed(self.smoothing))
            .collect()
    }

    /// The average of one side of the comparison.
    fn average(&self, mark: SetMark) -> Option<Response> {
        tuning::average(&self.side(mark)).ok()
    }
}
