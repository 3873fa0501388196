//! The app behind its faces: commands in, snapshots out.
//!
//! One thread owns everything but the rig while it is used. What measures is a procedure on a worker, which
//! tells what happens and what is to be noted as mail; what takes longer to compute goes to a thread of its
//! own. A stop waits for none of this: it goes from the face to the engine.

mod card;
mod channels;
mod check;
mod command;
mod drivers;
mod faces;
#[cfg(test)]
mod faces_tests;
mod handles;
#[cfg(test)]
mod heard_tests;
mod held;
mod history;
mod import;
mod listening;
mod live;
mod meaning;
mod memo;
mod order;
mod picture;
mod preview;
mod results;
mod rigs;
mod run;
mod sounds;
mod source;
mod target;
#[cfg(test)]
mod target_tests;
#[cfg(test)]
mod tests;
mod timing;
mod tune;
mod watching;

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Weak};
use std::time::{Duration, Instant};

use engine::{CueOutput, Pace, RunToken, StopSwitch};
use job::{Driver, Job};
use view::{Command, Cue, FaceState, HandleId, Link, SetMark, Signal, StopHandle, TuneCard, Update};

use crate::{Error, Result, place};
use drivers::driver;
pub(crate) use held::measured_car;
use held::{Captures, Held};
use history::History;
use picture::Kept;
use preview::PreviewChoices;
use procedure::{Change, Event, OpenJob};
use rig::{OpenRig, RigChoice, RigFacts, role_of};
use run::{Outcome, Work};
use sounds::{Cued, Sound};
use source::Source;
use tune::{DeskBand, Tune};

/// Over what part of an octave responses are looked at, 1/N, until a person chooses.
const USUAL_SMOOTHING: u32 = 12;

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
    /// What a preview plays, and how.
    preview: PreviewChoices,
    /// Whether a band is mistyped into the simulated processor, to see that it is noticed.
    slip: bool,
    /// Whether left and right are tuned by themselves.
    by_side: bool,
    /// Whether the drivers' crossover filters were on when they were measured.
    filters_on: bool,
}

/// A face that looks at the app.
struct Attached {
    id: FaceId,
    updates: SyncSender<Update>,
    state: FaceState,
    /// Whether its last snapshot did not fit.
    lags: bool,
}

/// Everything that faces look at.
struct Desk {
    faces: Vec<Attached>,
    /// What the face looks at that is being served.
    face: FaceState,
    switch: StopSwitch,
    /// The run that is under way, and what the face looked at that began it.
    run: Option<RunToken>,
    run_face: FaceState,
    /// Whether that run was stopped and is coming to its end.
    stopping: bool,
    speaker: SyncSender<Cued>,
    /// Where workers send what they have to tell.
    mail: Weak<SyncSender<Mail>>,
    revision: u64,
    changed: bool,
    job: Option<OpenJob>,
    /// What is known of the rig.
    rig: Option<RigFacts>,
    /// The rig itself, unless a procedure has it.
    idle_rig: Option<OpenRig>,
    tune: Tune,
    /// The state of the tuning that the job holds.
    kept_tuning: (u64, usize),
    history: History,
    captures: Captures,
    work: Option<Work>,
    /// The recordings that are still to be searched for tracks.
    recordings: VecDeque<PathBuf>,
    /// The volume steps of the sweep that runs.
    rungs: Vec<tuning::OutputStep>,
    choices: Choices,
    source: Source,
    output_dbfs: f64,
    muted: bool,
    /// Whether the bands are entered in the simulated processor.
    entered: bool,
    /// Whether the volts for the gain were looked at.
    gain_seen: bool,
    handed_over: bool,
    /// Whether the last face has gone.
    over: bool,
    kept: Kept,
}

/// How long the app waits for mail before it looks up: at what was stopped past its mailbox, and at what has
/// been edited and not kept.
const LOOK_EVERY: Duration = Duration::from_millis(250);

/// How long a procedure may take to come to its end when the last face has gone.
const LAST_WAIT: Duration = Duration::from_secs(10);

/// How far below the test signals' peak the sounds for the person are.
const SOUND_BELOW_DB: f64 = 6.0;

/// How many messages of all faces may wait.
const MAILBOX_DEPTH: usize = view::LINK_DEPTH;

/// The number of a face.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct FaceId(u64);

/// What reaches the app.
enum Mail {
    Attach(FaceId, SyncSender<Update>),
    Command(FaceId, Command),
    Left(FaceId),
    /// What the procedure of a run tells.
    Told(u64, Box<Event>),
    /// A run is over: its rig comes back, and what is to be done with the result.
    Ended(u64, Option<Box<OpenRig>>, Result<Outcome>),
}

/// The one application behind all faces.
#[derive(Debug)]
pub struct App {
    door: Door,
    mailbox: Receiver<Mail>,
}

/// Where faces attach to an app, from any thread.
#[derive(Debug, Clone)]
pub struct Door {
    mail: Arc<SyncSender<Mail>>,
    switch: StopSwitch,
    attached: Arc<AtomicU64>,
}

/// Tells the app that a face has gone.
struct Seat(FaceId, Arc<SyncSender<Mail>>);

impl Drop for Seat {
    fn drop(&mut self) {
        // An app that has ended knows already.
        let _ = self.1.send(Mail::Left(self.0));
    }
}

impl Door {
    /// Attaches a face. It leaves when it closes, or when its link is dropped.
    #[must_use]
    pub fn attach(&self) -> Link {
        let id = FaceId(self.attached.fetch_add(1, Ordering::Relaxed));
        let (updates, from_app) = sync_channel(view::LINK_DEPTH);
        // An app that has ended takes nobody, which the face sees by its updates.
        let _ = self.mail.send(Mail::Attach(id, updates));
        let seat = Seat(id, Arc::clone(&self.mail));
        let switch = self.switch.clone();
        Link {
            commands: view::Commands::new(move |command| {
                view::sent(seat.1.try_send(Mail::Command(seat.0, command)))
            }),
            updates: from_app,
            stop: StopHandle::new(move |run| match run {
                Some(run) => switch.stop_run(run),
                None => switch.stop(),
            }),
        }
    }
}

impl Default for App {
    fn default() -> Self {
        let (mail, mailbox) = sync_channel(MAILBOX_DEPTH);
        let door = Door { mail: Arc::new(mail), switch: StopSwitch::default(), attached: Arc::default() };
        Self { door, mailbox }
    }
}

impl App {
    /// Where faces attach.
    #[must_use]
    pub fn door(&self) -> Door {
        self.door.clone()
    }

    /// Serves the faces until the last one has gone.
    pub fn serve(self) {
        let Ok(tune) = Tune::restored(None, None, |_| Vec::new()) else { return };
        let mail = Arc::downgrade(&self.door.mail);
        let mut desk = Desk::new(tune, self.door.switch.clone(), sounds::speaker(), mail);
        // While this end of the door is held, the mailbox cannot end by itself.
        drop(self.door);
        serve_all(&self.mailbox, &mut desk);
    }
}

/// Serves the faces until the last one has gone.
fn serve_all(mailbox: &Receiver<Mail>, desk: &mut Desk) {
    while !desk.over {
        match mailbox.recv_timeout(LOOK_EVERY) {
            Ok(mail) => desk.take_mail(mail),
            Err(RecvTimeoutError::Timeout) => desk.rest(),
            Err(RecvTimeoutError::Disconnected) => break,
        }
        desk.look_up();
        desk.send_snapshots();
    }
    desk.end(mailbox);
}

impl Desk {
    fn new(tune: Tune, switch: StopSwitch, speaker: SyncSender<Cued>, mail: Weak<SyncSender<Mail>>) -> Self {
        Self {
            faces: Vec::new(),
            face: FaceState::default(),
            switch,
            run: None,
            run_face: FaceState::default(),
            stopping: false,
            speaker,
            mail,
            revision: 0,
            changed: false,
            job: None,
            rig: None,
            idle_rig: None,
            tune,
            kept_tuning: (0, 0),
            history: History::default(),
            captures: Captures::default(),
            work: None,
            recordings: VecDeque::new(),
            rungs: Vec::new(),
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
                preview: PreviewChoices { recording: false, file: String::new(), with_bands: true },
                slip: false,
                by_side: false,
                filters_on: true,
            },
            source: Source::default(),
            output_dbfs: -20.0,
            muted: false,
            entered: false,
            gain_seen: false,
            handed_over: false,
            over: false,
            kept: Kept::default(),
        }
    }

    /// Takes a message; a command is carried out for the face that gave it.
    fn take_mail(&mut self, mail: Mail) {
        match mail {
            Mail::Attach(id, updates) => {
                self.faces.push(Attached { id, updates, state: FaceState::default(), lags: true });
            }
            Mail::Left(id) | Mail::Command(id, Command::Close) => {
                self.over |= !self.faces.is_empty();
                self.faces.retain(|face| face.id != id);
                self.over &= self.faces.is_empty();
            }
            Mail::Command(id, command) => {
                let Some(at) = self.faces.iter().position(|face| face.id == id) else { return };
                self.face = self.faces[at].state.clone();
                self.obey(command);
                self.faces[at].state = self.face.clone();
            }
            Mail::Told(run, event) => self.told(run, *event),
            Mail::Ended(run, rig, result) => self.ended(run, rig.map(|rig| *rig), result),
        }
    }

    /// What each face looks at, and what is being served.
    fn every_face(&mut self) -> impl Iterator<Item = &mut FaceState> {
        self.faces.iter_mut().map(|face| &mut face.state).chain([&mut self.face])
    }

    /// Shows each face what has changed for it.
    fn send_snapshots(&mut self) {
        if !self.changed && self.faces.iter().all(|face| !face.lags) {
            return;
        }
        self.revision += 1;
        for at in 0..self.faces.len() {
            if !self.changed && !self.faces[at].lags {
                continue;
            }
            self.face = self.faces[at].state.clone();
            let snapshot = Update::Snapshot(Arc::new(self.snapshot()));
            // A full queue means that the face lags; it is tried again.
            self.faces[at].lags =
                matches!(self.faces[at].updates.try_send(snapshot), Err(TrySendError::Full(_)));
        }
        self.changed = false;
    }

    /// Tells every face; what does not fit is dropped.
    fn tell(&self, update: &Update) {
        for face in &self.faces {
            let _ = face.updates.try_send(update.clone());
        }
    }

    fn notice(&mut self, text: impl Into<String>, good: bool) {
        self.tell(&Update::Notice { text: text.into(), good });
    }

    fn cue(&mut self, text: impl Into<String>, good: bool) {
        self.tell(&Update::Cue(Cue { text: text.into(), good }));
    }

    /// The chosen band, shelf or point, where there is one.
    fn selected(&self) -> Option<HandleId> {
        self.face.selected.filter(|handle| self.tune.has(*handle))
    }

    /// Chooses one, or none.
    fn select(&mut self, handle: Option<HandleId>) {
        self.face.selected = handle.filter(|handle| self.tune.has(*handle));
    }

    /// Whether a capture's curve is shown.
    fn is_shown(&self, held: &Held) -> bool {
        !self.face.hidden.contains(&held.id)
    }

    /// Lets a sound be heard: through the rig's outputs, or through the
    /// system's while the car is a simulated one.
    fn sound(&self, sound: Sound) {
        let Some(rig) = &self.rig else { return };
        if self.muted {
            return;
        }
        let beside_simulated = || rig.car().map(|_| CueOutput::beside_simulated());
        let Some(output) = CueOutput::beside(rig.spec()).or_else(beside_simulated) else { return };
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

    /// Where a worker sends what it has to tell.
    fn mail(&self) -> Result<SyncSender<Mail>> {
        let gone = || Error::measurement("The app is coming to its end.");
        self.mail.upgrade().map(|mail| (*mail).clone()).ok_or_else(gone)
    }

    /// The last face has gone: what runs ends, and what it recorded is kept.
    fn end(&mut self, mailbox: &Receiver<Mail>) {
        self.stop();
        let until = Instant::now() + LAST_WAIT;
        while self.work.is_some() {
            match mailbox.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(Mail::Told(run, event)) => self.told(run, *event),
                Ok(Mail::Ended(run, rig, result)) => self.ended(run, rig.map(|rig| *rig), result),
                Ok(_) => {}
                Err(_) => break,
            }
        }
        // There is nobody left to be told.
        let _ = self.found();
    }

    fn use_simulated_car(&mut self) -> Result<()> {
        self.refuse_while_busy()?;
        let rig = OpenRig::open(RigChoice::Simulated { car: String::new(), pace: Pace::RealTime })?;
        let Some(simulated) = rig.car() else { return Ok(()) };
        let car = simulated.car.clone();
        self.choices.positions = car.position_names().count();
        self.choices.countdown_s = 1;
        self.choices.times = 10;
        self.choices.filters_on = false;
        self.hold_rig(rig);
        self.entered = false;
        self.begin_job(Some("Simulated car"), &car.name)?;
        if let Some(job) = &mut self.job
            && job.project().data.intake.drivers.is_empty()
        {
            // What does not pass through the processor has no channel there.
            let drivers = car.drivers.iter().map(|part| {
                let driver = driver(&part.name, role_of(part.role));
                if part.processed { driver } else { Driver { channel: String::new(), ..driver } }
            });
            let intake = job::Intake { drivers: drivers.collect(), ..job.project().data.intake.clone() };
            job.apply(Change::Intake(intake))?;
        }
        self.face.stage = view::Stage::Source;
        self.found()
    }

    /// Begins a job in the folder of the person's work when there is none: what is measured is
    /// kept in any case, with what was chosen before.
    fn begin_job(&mut self, name: Option<&str>, vehicle: &str) -> Result<()> {
        if self.job.is_some() {
            return Ok(());
        }
        let folder = place::unused(&place::work(), "");
        self.job = Some(OpenJob::new(procedure::create_job(&folder, name, vehicle)?));
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
        self.choices.by_side = self.tune.bands().iter().any(|band| !band.channel.is_empty())
            || self.captures.iter().any(|held| !held.channel.is_empty());
        self.kept_tuning = self.tune.edits_and_undos();
        self.history = History::default();
        for state in self.every_face() {
            state.tune_card = TuneCard::Bands;
            state.picked = None;
            state.selected = None;
            state.hidden.clear();
        }
        self.rungs.clear();
        self.handed_over = data.stages.contains_key(&job::Stage::Handover);
        self.gain_seen = data.stages.contains_key(&job::Stage::Gain);
        self.kept = Kept::default();
        self.job = Some(OpenJob::new(job));
        Ok(())
    }
}
