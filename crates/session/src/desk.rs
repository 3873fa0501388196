//! The session behind a window: commands in, snapshots out.
//!
//! One thread owns everything. A capture is pumped between commands, so that
//! *stop* and *mute* are never more than a few milliseconds away; what takes
//! longer to compute goes to a thread of its own and comes back as a message.

mod audition;
mod card;
mod channels;
mod check;
mod command;
mod drivers;
mod faces;
mod filing;
mod handles;
mod hark;
#[cfg(test)]
mod heard_tests;
mod held;
mod history;
mod import;
mod live;
mod meaning;
mod memo;
mod order;
mod picture;
mod results;
mod rigs;
mod sounds;
mod source;
mod target;
#[cfg(test)]
mod target_tests;
#[cfg(test)]
mod tests;
mod timing;
mod tune;
mod work;

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{RecvTimeoutError, SyncSender, TrySendError};
use std::time::Duration;

use engine::{CueOutput, Pace};
use job::{Driver, Job};
use view::{CaptureId, Cue, DelayUnit, Face, SessionEnd, SetMark, Signal, Update};

use crate::{Result, place};
use audition::Listening;
use drivers::driver;
pub(crate) use held::measured_car;
use held::{Captures, Held};
use history::History;
use order::Order;
use picture::Kept;
use rig::{OpenRig, RigChoice, role_of};
use sounds::{Cued, Sound};
use source::Source;
use tune::{DeskBand, Tune};
use work::Work;

/// Over what part of an octave responses are looked at, 1/N, until a person chooses.
const USUAL_SMOOTHING: u32 = 12;

/// What the card of the tuning is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum TuneCard {
    Bands,
    /// What the processor means by Q.
    MeaningOfQ,
    /// The target is edited.
    Target,
}

/// What a person has chosen on the cards.
#[derive(Debug, Clone, PartialEq)]
struct Choices {
    signal: Signal,
    /// How much faster than real time the simulated car runs.
    times: u32,
    /// Whether the next capture of a series begins by itself.
    go_on: bool,
    /// How many positions make a set.
    positions: usize,
    /// Which side of the comparison is being measured.
    side: SetMark,
    countdown_s: u32,
    max_bands: usize,
    /// The one driver to be measured; absent for all that are left.
    driver: Option<String>,
    power_w: f64,
    load_ohm: f64,
    /// The level of the tone with which gains are set.
    tone_dbfs: f64,
    /// Whether that tone itself is to reach full power.
    overlap: bool,
    /// What is listened to, and how.
    listening: Listening,
    /// Whether a band is mistyped into the simulated processor, to see that it is noticed.
    slip: bool,
    tuning: TuneCard,
    /// Whether left and right are tuned by themselves.
    by_side: bool,
    /// In what delays are shown.
    delay_unit: DelayUnit,
    /// Whether the drivers' crossover filters were on when they were measured.
    filters_on: bool,
}

/// Everything that the window looks at.
struct Desk {
    updates: SyncSender<Update>,
    speaker: SyncSender<Cued>,
    revision: u64,
    changed: bool,
    job: Option<Job>,
    bench: Option<OpenRig>,
    tune: Tune,
    /// The state of the tuning that the job holds.
    kept_tuning: (u64, usize),
    history: History,
    captures: Captures,
    picked: Option<CaptureId>,
    work: Option<Work>,
    /// The captures that follow by themselves.
    orders: VecDeque<Order>,
    /// The recordings that are still to be searched for tracks.
    recordings: VecDeque<PathBuf>,
    /// The volume steps of the ladder that runs.
    rungs: Vec<tuning::OutputStep>,
    /// For how long something is being computed.
    thinking_s: u64,
    choices: Choices,
    source: Source,
    stage: view::Stage,
    face: Face,
    /// 1/N octave; 0 for none.
    smoothing: u32,
    output_dbfs: f64,
    muted: bool,
    /// Whether the bands are entered in the simulated processor.
    entered: bool,
    /// Whether the volts for the gain were looked at.
    gain_seen: bool,
    handed_over: bool,
    kept: Kept,
}

/// How long the session waits for a command when nothing runs, and when
/// something does.
const IDLE: Duration = Duration::from_millis(250);
const BUSY: Duration = Duration::from_millis(2);

/// How far below the test signals' peak the sounds for the person are.
const SOUND_BELOW_DB: f64 = 6.0;

/// Serves a window until it closes.
pub fn serve(end: &SessionEnd) {
    let Ok(tune) = Tune::restored(None, None, |_| Vec::new()) else { return };
    let mut desk = Desk::new(tune, end.updates.clone(), sounds::speaker());
    desk.send_snapshot();
    loop {
        let wait = if desk.work.is_some() { BUSY } else { IDLE };
        match end.commands.recv_timeout(wait) {
            Ok(view::Command::Close) | Err(RecvTimeoutError::Disconnected) => break,
            Ok(command) => desk.obey(command),
            Err(RecvTimeoutError::Timeout) => desk.rest(),
        }
        desk.pump();
        if desk.changed {
            desk.send_snapshot();
        }
    }
    desk.end();
}

impl Desk {
    fn new(tune: Tune, updates: SyncSender<Update>, speaker: SyncSender<Cued>) -> Self {
        Self {
            updates,
            speaker,
            revision: 0,
            changed: false,
            job: None,
            bench: None,
            tune,
            kept_tuning: (0, 0),
            history: History::default(),
            captures: Captures::default(),
            picked: None,
            work: None,
            orders: VecDeque::new(),
            recordings: VecDeque::new(),
            rungs: Vec::new(),
            thinking_s: 0,
            choices: Choices {
                signal: Signal::Sweep,
                times: 1,
                go_on: true,
                positions: 6,
                side: SetMark::Before,
                countdown_s: 5,
                max_bands: 8,
                driver: None,
                power_w: 100.0,
                load_ohm: 4.0,
                tone_dbfs: 0.0,
                overlap: false,
                listening: Listening { recording: false, file: String::new(), with_bands: true },
                slip: false,
                tuning: TuneCard::Bands,
                by_side: false,
                delay_unit: DelayUnit::Milliseconds,
                filters_on: true,
            },
            source: Source::default(),
            stage: view::Stage::Intake,
            face: Face::Steps,
            smoothing: USUAL_SMOOTHING,
            output_dbfs: -20.0,
            muted: false,
            entered: false,
            gain_seen: false,
            handed_over: false,
            kept: Kept::default(),
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

    /// Lets a sound be heard: through the rig's outputs, or through the
    /// system's while the car is a simulated one.
    fn sound(&self, sound: Sound) {
        let Some(bench) = &self.bench else { return };
        if self.muted {
            return;
        }
        let beside_simulated = || bench.car().map(|_| CueOutput::beside_simulated());
        let Some(output) = CueOutput::beside(bench.spec()).or_else(beside_simulated) else { return };
        let peak_dbfs = self.output_dbfs - SOUND_BELOW_DB;
        // One that would come late is not worth hearing.
        let _ = self.speaker.try_send(Cued { sound, output, peak_dbfs });
    }

    /// When nothing is asked: keeps in the job what has been edited.
    fn rest(&mut self) {
        if self.work.is_none() && self.tune.edits_and_undos() != self.kept_tuning {
            self.kept_tuning = self.tune.edits_and_undos();
            if let Err(error) = self.found() {
                self.notice(error.to_string(), false);
            }
        }
    }

    fn end(&mut self) {
        self.stop();
        // There is nobody left to be told.
        let _ = self.found();
    }

    fn use_simulated_car(&mut self) -> Result<()> {
        let bench = OpenRig::open(RigChoice::Simulated { car: String::new(), pace: Pace::RealTime })?;
        let Some(simulated) = bench.car() else { return Ok(()) };
        let car = simulated.car.clone();
        self.choices.positions = car.position_names().count();
        self.choices.countdown_s = 1;
        self.choices.times = 10;
        self.choices.filters_on = false;
        self.bench = Some(bench);
        self.entered = false;
        self.begin_job(Some("Simulated car"), &car.name)?;
        if let Some(job) = &mut self.job
            && job.data().intake.drivers.is_empty()
        {
            // What does not pass through the processor has no channel there.
            let drivers = car.drivers.iter().map(|part| {
                let driver = driver(&part.name, role_of(part.role));
                if part.processed { driver } else { Driver { channel: String::new(), ..driver } }
            });
            let drivers = drivers.collect();
            job.edit(|data| data.intake.drivers = drivers)?;
        }
        self.stage = view::Stage::Source;
        self.found()
    }

    /// Begins a job in the folder of the person's work when there is none: what is measured is
    /// kept in any case, with what was chosen before.
    fn begin_job(&mut self, name: Option<&str>, vehicle: &str) -> Result<()> {
        if self.job.is_some() {
            return Ok(());
        }
        let folder = place::unused(&place::work(), "");
        self.job = Some(procedure::create_job(&folder, name, vehicle)?);
        self.notice(format!("The job is kept in {}", folder.display()), true);
        self.keep_tuning()
    }

    /// Takes a job on the desk, with its captures and its tuning.
    fn hold(&mut self, job: Job) -> Result<()> {
        self.captures = Captures::of_job(&job);
        let data = job.data();
        let processor = match &data.processor {
            Some(job::PresetOrInline::Preset(name)) => Some(name.as_str()),
            Some(job::PresetOrInline::Inline(_)) | None => None,
        };
        self.tune = Tune::restored(data.target.as_ref(), processor, |_| {
            data.bands.iter().map(DeskBand::of_job).collect()
        })?;
        self.choices.tuning = TuneCard::Bands;
        self.choices.by_side = self.tune.bands().iter().any(|band| !band.channel.is_empty())
            || self.captures.iter().any(|held| !held.channel.is_empty());
        self.look_at("");
        self.kept_tuning = self.tune.edits_and_undos();
        self.history = History::default();
        self.picked = None;
        self.rungs.clear();
        self.handed_over = data.stages.contains_key(&job::Stage::Handover);
        self.gain_seen = data.stages.contains_key(&job::Stage::Gain);
        self.kept = Kept::default();
        self.job = Some(job);
        Ok(())
    }
}
