//! The app behind its faces: commands in, snapshots out.
//!
//! One thread owns everything but the rig while it is used. What measures is a procedure on a worker, which
//! tells what happens and what is to be noted as mail; what takes longer to compute goes to a thread of its
//! own. A stop waits for none of this: it goes from the face to the engine.

#[cfg(test)]
mod anything_tests;
mod captures;
mod card;
mod cars;
mod channels;
mod check;
#[cfg(test)]
mod check_tests;
mod command;
mod derivation;
mod derive;
mod driver_card;
mod drivers;
mod faces;
#[cfg(test)]
mod faces_tests;
mod gain;
mod gain_meter;
mod handles;
mod handover;
mod history;
#[cfg(test)]
mod honest_tests;
mod import;
mod intake;
mod listening;
#[cfg(test)]
mod listening_tests;
mod live;
mod meaning;
mod memo;
mod memos;
mod order;
mod picture;
mod pictures;
mod placing;
mod preview;
mod proposal;
mod proposals;
mod question;
mod recent;
mod results;
mod rigs;
mod run;
mod set_up;
mod setup;
#[cfg(test)]
mod setup_tests;
mod sounds;
mod source;
#[cfg(test)]
mod stage_tests;
mod start;
#[cfg(test)]
mod start_tests;
mod state;
#[cfg(test)]
mod state_tests;
mod target;
#[cfg(test)]
mod target_tests;
#[cfg(test)]
mod test_samples;
#[cfg(test)]
mod tests;
mod timing;
mod tune;
mod typed_band;
mod watching;
mod whole_car;
#[cfg(test)]
mod whole_car_tests;
mod work;

use std::collections::VecDeque;
use std::ops::Deref;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Weak};
use std::time::{Duration, Instant};

use engine::{CueOutput, Pace, RunToken, StopSwitch};
use job::Driver;
use library::{Remembered, RememberedRig};
use view::{
    CaptureId, Command, Cue, FaceState, HandleId, Link, Look, Now, RecentJob, SetMark, StopHandle, TuneCard,
    Update,
};

use captures::{CaptureView, Captures};
use derivation::Derivation;
use derive::{Derived, FaceId, Wish, deriver};
use drivers::driver;
use gain_meter::GainMeter;
use history::History;
use library::{Error, Result, place};
use memos::Memos;
use procedure::{Change, Event, OpenJob};
use rig::{CarFacts, OpenRig, RigChoice, role_of};
use sounds::{Cued, Sound};
use state::{Busy, JobView, State};
use tune::Tune;
use typed_band::TypedBand;
use work::{Outcome, Questions, Work};

/// A face that looks at the app.
struct Attached {
    id: FaceId,
    updates: SyncSender<Update>,
    state: FaceState,
    /// Whether its last snapshot did not fit.
    lags: bool,
}

/// The app: what it knows, and what has to do with threads, faces and the disk.
struct Core {
    state: State,
    /// What was computed last, for the threads that compute.
    memos: Arc<Memos>,
    faces: Vec<Attached>,
    /// The face that is being served, or was last.
    served: FaceId,
    questions: Questions,
    switch: StopSwitch,
    /// The run that is under way, and what the face looked at that began it.
    run: Option<RunToken>,
    run_face: FaceState,
    /// Whether that run was stopped and is coming to its end.
    stopping: bool,
    work: Option<Work>,
    /// The recordings that are still to be searched for tracks.
    recordings: VecDeque<PathBuf>,
    /// The rig, unless a procedure has it.
    idle_rig: Option<OpenRig>,
    /// How the rig in use is found again.
    rig_in_use: Option<RememberedRig>,
    /// What is remembered from one start to the next; nothing where a test looks by itself.
    memory: Option<Remembered>,
    /// The job: it is changed and saved here, and nowhere else.
    job: Option<OpenJob>,
    history: History,
    /// The state of the tuning that the job holds.
    kept_tuning: (u64, usize),
    speaker: SyncSender<Cued>,
    /// Where workers send what they have to tell.
    mail: Weak<SyncSender<Mail>>,
    /// Computes what is shown; nothing where a test looks by itself.
    deriver: Option<SyncSender<Wish>>,
    /// Since when it computes.
    deriving: Option<Instant>,
    /// What faces were told last of what is going on: the activity, the run, and whether their pictures are older.
    told: Option<(Busy, bool)>,
    /// What was computed last, for the job to keep, and of which state.
    unkept: Option<(u64, Vec<Change>)>,
    last_command: Instant,
    /// What is taken off a response that is being measured.
    live_offset_db: Option<f64>,
    changed: bool,
    /// Whether simulated cars run as fast as they can be computed.
    hurried: bool,
    /// Whether the last face has gone.
    over: bool,
}

impl Deref for Core {
    type Target = State;

    fn deref(&self) -> &State {
        &self.state
    }
}

/// The captures that several changes at once put elsewhere.
fn placed_together(change: &Change) -> Vec<job::CaptureId> {
    let Change::Together(changes) = change else { return Vec::new() };
    let placed = changes.iter().filter(|change| matches!(change, Change::Placed { .. }));
    placed.filter_map(Change::capture).collect()
}

/// How long the app waits for mail before it looks up: at what was stopped past its mailbox, and at how long
/// something has been computed.
const LOOK_EVERY: Duration = Duration::from_millis(250);

/// How long a procedure may take to come to its end when the last face has gone.
const LAST_WAIT: Duration = Duration::from_secs(10);

/// How far below the test signals' peak the sounds for the person are.
const SOUND_BELOW_DB: f64 = 6.0;

/// How many messages of all faces may wait.
const MAILBOX_DEPTH: usize = view::LINK_DEPTH;

/// What reaches the app.
enum Mail {
    Attach(FaceId, SyncSender<Update>),
    Command(FaceId, Command),
    Left(FaceId),
    /// What the procedure of a run tells.
    Told(u64, Box<Event>),
    /// A run is over: its rig comes back, and what is to be done with the result.
    Ended(u64, Option<Box<OpenRig>>, Result<Outcome<Core>>),
    /// What a question about the state came to, for the face that asked.
    Answered(FaceId, Result<Outcome<Core>>),
    /// What is shown was computed.
    Derived(Derived),
    /// The recent jobs, as far as they were looked at.
    Recent(Vec<RecentJob>),
}

/// The one application behind all faces.
#[derive(Debug)]
pub struct App {
    door: Door,
    mailbox: Receiver<Mail>,
    memory: Option<Remembered>,
    hurried: bool,
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
        Self { door, mailbox, memory: None, hurried: false }
    }
}

impl App {
    /// An app that goes on where the person stopped: it remembers jobs, rig and look, and begins with the
    /// start page.
    #[must_use]
    pub fn remembering() -> Self {
        Self { memory: Some(Remembered::load()), ..Self::default() }
    }

    /// The same app, in which simulated cars run as fast as they can be computed and nothing is counted down:
    /// for whoever drives it without a person.
    #[must_use]
    pub fn hurried(self) -> Self {
        Self { hurried: true, ..self }
    }

    /// How the window was left.
    #[must_use]
    pub fn look(&self) -> Look {
        self.memory.as_ref().map_or_else(Look::default, recent::look)
    }

    /// Where faces attach.
    #[must_use]
    pub fn door(&self) -> Door {
        self.door.clone()
    }

    /// Serves the faces until the last one has gone.
    pub fn serve(self) {
        let Ok(tune) = Tune::restored(None, None, |_| Vec::new()) else { return };
        let mail = Arc::downgrade(&self.door.mail);
        let mut core = Core::new(tune, self.door.switch.clone(), sounds::speaker(), mail);
        core.deriver = Some(deriver());
        core.hurried = self.hurried;
        if let Some(remembered) = self.memory {
            core.remembering(remembered);
        }
        // While this end of the door is held, the mailbox cannot end by itself.
        drop(self.door);
        serve_all(&self.mailbox, &mut core);
    }
}

/// Serves the faces until the last one has gone.
fn serve_all(mailbox: &Receiver<Mail>, core: &mut Core) {
    while !core.over {
        match mailbox.recv_timeout(LOOK_EVERY) {
            Ok(mail) => core.take_mail(mail),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        core.look_up();
        core.tell_now();
        core.send_snapshots();
        core.keep_when_settled();
    }
    core.end(mailbox);
}

impl Core {
    fn new(tune: Tune, switch: StopSwitch, speaker: SyncSender<Cued>, mail: Weak<SyncSender<Mail>>) -> Self {
        Self {
            state: State::new(tune),
            memos: Arc::default(),
            faces: Vec::new(),
            served: FaceId(0),
            questions: Questions::default(),
            switch,
            run: None,
            run_face: FaceState::default(),
            stopping: false,
            work: None,
            recordings: VecDeque::new(),
            idle_rig: None,
            rig_in_use: None,
            memory: None,
            job: None,
            history: History::default(),
            kept_tuning: (0, 0),
            speaker,
            mail,
            deriver: None,
            deriving: None,
            told: None,
            unkept: None,
            last_command: Instant::now(),
            live_offset_db: None,
            changed: false,
            hurried: false,
            over: false,
        }
    }

    /// Takes a message; a command is carried out for the face that gave it.
    fn take_mail(&mut self, mail: Mail) {
        match mail {
            Mail::Attach(id, updates) => {
                let state = FaceState { at_start: self.memory.is_some(), ..FaceState::default() };
                self.faces.push(Attached { id, updates, state, lags: true });
            }
            Mail::Left(id) | Mail::Command(id, Command::Close) => {
                self.over |= !self.faces.is_empty();
                self.faces.retain(|face| face.id != id);
                self.over &= self.faces.is_empty();
            }
            Mail::Command(id, command) => {
                self.last_command = Instant::now();
                self.serve(id, |core| core.obey(command));
            }
            Mail::Answered(id, answer) => {
                self.questions.open -= 1;
                self.serve(id, |core| core.carry(|core| answer?(core)));
            }
            Mail::Told(run, event) => self.on_event(run, *event),
            Mail::Ended(run, rig, result) => self.ended(run, rig.map(|rig| *rig), result),
            Mail::Derived(derived) => self.derived(derived),
            Mail::Recent(jobs) => self.take_recent(jobs),
        }
        self.refresh();
    }

    /// Works for a face, with what it looks at; one that has gone wants nothing more.
    fn serve(&mut self, id: FaceId, work: impl FnOnce(&mut Self)) {
        let Some(at) = self.faces.iter().position(|face| face.id == id) else { return };
        self.served = id;
        self.state.face = self.faces[at].state.clone();
        work(self);
        self.faces[at].state = self.state.face.clone();
    }

    /// The state as it is now, for another thread to compute from.
    fn derivation(&self) -> Derivation {
        Derivation::of(self.state.now(), Arc::clone(&self.memos))
    }

    /// Brings up to date what the state says of what runs and of the job.
    fn refresh(&mut self) {
        let busy = Busy {
            activity: self.activity(),
            run: self.run.as_ref().map(RunToken::run),
            what: self.busy_with(),
        };
        self.state.busy = busy;
        self.state.can_undo = self.history.can_undo();
        self.refresh_job();
    }

    fn refresh_job(&mut self) {
        let Some(job) = &self.job else {
            self.state.job = None;
            return;
        };
        let data = &job.project().data;
        let (known, revision) = (self.state.job.as_ref(), self.state.captures.revision());
        let same_data = known.filter(|known| *known.data == *data && known.dir == job.job().dir());
        if same_data.is_some_and(|known| known.revision == revision) {
            return;
        }
        // What has not changed is not copied.
        let same_captures = same_data.or(known).filter(|known| known.revision == revision);
        let captures = same_captures.map(|known| Arc::clone(&known.captures));
        self.state.job = Some(JobView {
            data: same_data.map_or_else(|| Arc::new(data.clone()), |known| Arc::clone(&known.data)),
            dir: job.job().dir().to_owned(),
            captures: captures.unwrap_or_else(|| job.project().captures.as_slice().into()),
            revision,
        });
    }

    /// Makes a change of the job, and saves it; without a job nothing is kept.
    fn apply(&mut self, change: Change) -> Result<()> {
        let Some(job) = &mut self.job else { return Ok(()) };
        let id = change.capture();
        let is_placed = matches!(change, Change::Placed { .. });
        let together = placed_together(&change);
        job.apply(change)?;
        for capture in together.iter().filter_map(|id| job.job().capture(*id)) {
            self.state.captures.place(capture);
        }
        if let Some(id) = id {
            match (job.job().capture(id), job.project().capture(id)) {
                (Some(capture), _) if is_placed => self.state.captures.place(capture),
                (_, Some(capture)) => self.state.captures.insert(CaptureView::of(capture)),
                (_, None) => self.state.captures.remove(CaptureId(id.0)),
            }
        }
        self.changed = true;
        self.refresh_job();
        Ok(())
    }

    /// What each face looks at, and what is being served.
    fn every_face(&mut self) -> impl Iterator<Item = &mut FaceState> {
        self.faces.iter_mut().map(|face| &mut face.state).chain([&mut self.state.face])
    }

    /// Has computed what each face sees, where something has changed and nothing is being computed.
    fn send_snapshots(&mut self) {
        let (Some(deriver), Ok(mail)) = (&self.deriver, self.mail()) else { return };
        if self.deriving.is_some() || (!self.changed && self.faces.iter().all(|face| !face.lags)) {
            return;
        }
        self.state.revision += 1;
        let wanted = self.faces.iter().filter(|face| self.changed || face.lags);
        let faces = wanted.map(|face| (face.id, face.updates.clone(), face.state.clone())).collect();
        let wish = Wish {
            derivation: self.derivation(),
            faces,
            run_face: self.run_face.clone(),
            answer: Box::new(move |derived| {
                // An app that has ended wants no answer.
                let _ = mail.send(Mail::Derived(derived));
            }),
        };
        self.deriving = deriver.try_send(wish).is_ok().then(Instant::now);
        self.changed = false;
    }

    /// Tells every face at once what is going on, and whether its picture is older and takes long.
    fn tell_now(&mut self) {
        let older = self.deriving.is_some_and(|since| since.elapsed() > LOOK_EVERY);
        let told = (self.state.busy.clone(), older);
        if self.told.as_ref() == Some(&told) {
            return;
        }
        let Busy { activity, run, .. } = told.0.clone();
        // The next picture that is asked for knows of it.
        let now = Now { revision: self.state.revision + 1, activity, run, older };
        self.told = Some(told);
        self.changed = true;
        self.tell(&Update::Now(now));
    }

    /// Takes what was computed. What it says of an earlier state is shown, and not kept.
    fn derived(&mut self, derived: Derived) {
        self.deriving = None;
        for face in &mut self.faces {
            face.lags = derived.lagging.contains(&face.id);
        }
        self.live_offset_db = derived.live_offset_db;
        self.unkept = Some((derived.revision, derived.results));
    }

    /// Keeps results once the person has paused: a drag is not saved at each of its places.
    fn keep_when_settled(&mut self) {
        if self.last_command.elapsed() < LOOK_EVERY || self.changed || self.deriving.is_some() {
            return;
        }
        if let Some((revision, results)) = self.unkept.take()
            && revision == self.state.revision
        {
            self.keep(results);
        }
    }

    /// Keeps results in the job, as far as they are new.
    fn keep(&mut self, results: Vec<Change>) {
        let Some(job) = self.job.as_ref().filter(|job| job.job().is_writable()) else { return };
        let before = job.project().data.clone();
        let mut results = results;
        results.push(Change::Choices(self.state.chosen(&before.choices)));
        let kept = self.apply(Change::Together(results));
        self.kept_tuning = self.state.tune.edits_and_undos();
        self.changed = self.job.as_ref().is_some_and(|job| job.project().data != before);
        if let Err(error) = kept {
            self.notice(error.to_string(), false);
        }
    }

    /// Tells every face; what does not fit is dropped.
    fn tell(&self, update: &Update) {
        for face in &self.faces {
            let _ = face.updates.try_send(update.clone());
        }
    }

    fn notice(&mut self, text: impl Into<String>, good: bool) {
        self.tell(&Update::Notice { text: text.into(), good, path: None });
    }

    /// Good news of something that can be opened.
    fn notice_of(&mut self, text: impl Into<String>, path: &std::path::Path) {
        let path = Some(path.display().to_string());
        self.tell(&Update::Notice { text: text.into(), good: true, path });
    }

    fn cue(&mut self, text: impl Into<String>, good: bool) {
        self.tell(&Update::Cue(Cue { text: text.into(), good }));
    }

    /// Chooses one, or none.
    fn select(&mut self, handle: Option<HandleId>) {
        self.state.face.selected = handle.filter(|handle| self.state.tune.has(*handle));
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

    /// Where a worker sends what it has to tell.
    fn mail(&self) -> Result<SyncSender<Mail>> {
        let gone = || Error::measurement("The app is coming to its end.");
        self.mail.upgrade().map(|mail| (*mail).clone()).ok_or_else(gone)
    }

    /// The last face has gone: what runs ends, and what it recorded is kept.
    fn end(&mut self, mailbox: &Receiver<Mail>) {
        self.stop();
        let until = Instant::now() + LAST_WAIT;
        while self.work.is_some() || self.questions.open > 0 {
            match mailbox.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(Mail::Told(run, event)) => self.on_event(run, *event),
                Ok(Mail::Ended(run, rig, result)) => self.ended(run, rig.map(|rig| *rig), result),
                Ok(Mail::Answered(_, answer)) => {
                    self.questions.open -= 1;
                    self.carry(|core| answer?(core));
                }
                Ok(_) => {}
                Err(_) => break,
            }
        }
        self.refresh();
        // There is nobody left to be told.
        self.keep(self.derivation().results());
    }

    /// Uses a simulated car as the rig from now on; nothing stands for the usual one.
    fn take_car(&mut self, name: &str) -> Result<Option<CarFacts>> {
        self.refuse_while_busy()?;
        let rig = OpenRig::open(RigChoice::Simulated { car: name.to_owned(), pace: Pace::RealTime })?;
        let Some(facts) = rig.facts().car().cloned() else { return Ok(None) };
        self.state.choices.positions = facts.car.position_names().count();
        let (countdown_s, times) = if self.hurried { (0, order::UNWATCHED) } else { (1, 10) };
        (self.state.choices.countdown_s, self.state.choices.times) = (countdown_s, times);
        self.state.choices.filters_on = false;
        self.hold_rig(rig, RememberedRig::Simulated(name.to_owned()));
        self.state.entered = self.state.has_entered();
        Ok(Some(facts))
    }

    fn use_simulated_car(&mut self, name: &str) -> Result<()> {
        let Some(CarFacts { car, .. }) = self.take_car(name)? else { return Ok(()) };
        self.begin_job(&car.name)?;
        if let Some(job) = &self.job {
            // What the person has said of the car stays.
            let data = &job.project().data;
            let mut intake = data.intake.clone();
            if intake.drivers.is_empty() {
                // What does not pass through the processor has no channel there.
                let drivers = car.drivers.iter().map(|part| {
                    let driver = driver(&part.name, role_of(part));
                    if part.processed { driver } else { Driver { channel: String::new(), ..driver } }
                });
                intake.drivers = drivers.collect();
            }
            let mut changes = Vec::new();
            if intake.vehicle.trim().is_empty() {
                intake.vehicle.clone_from(&car.name);
                if data.head.name == self.state.proposed_name() {
                    changes.push(Change::Named(self.state.name_for(&intake)));
                }
            }
            changes.push(Change::Intake(intake));
            self.apply(Change::Together(changes))?;
        }
        self.state.face.at_start = false;
        self.state.face.stage = view::Stage::Source;
        Ok(())
    }

    /// Begins a job in the folder of the person's work when there is none: what is measured is
    /// kept in any case, with what was chosen before.
    fn begin_job(&mut self, vehicle: &str) -> Result<()> {
        if self.job.is_some() {
            return Ok(());
        }
        let folder = place::unused(&place::work(), "");
        let name = Some(vehicle).filter(|vehicle| !vehicle.is_empty());
        self.job = Some(OpenJob::new(procedure::create_job(&folder, name, vehicle)?));
        self.refresh_job();
        self.remember_job();
        self.notice_of(format!("The job is kept in {}", folder.display()), &folder);
        self.keep_tuning()
    }

    /// Begins a job beside the open one, in this folder or in one of its own.
    fn new_job(&mut self, folder: &str) -> Result<()> {
        self.refuse_while_busy()?;
        let folder = if folder.is_empty() { place::unused(&place::work(), "") } else { folder.into() };
        self.hold(OpenJob::new(procedure::create_job(&folder, None, "")?))?;
        self.state.face.stage = view::Stage::Intake;
        self.take_last_rig();
        self.notice_of(format!("The job is kept in {}", folder.display()), &folder);
        Ok(())
    }

    /// Takes a job, with its captures and its tuning.
    fn hold(&mut self, open: OpenJob) -> Result<()> {
        let job = open.job();
        let data = job.data();
        let processor = match &data.processor {
            Some(job::PresetOrInline::Preset(name)) => Some(name.as_str()),
            Some(job::PresetOrInline::Inline(_)) | None => None,
        };
        self.state.tune = Tune::restored(data.target.as_ref(), processor, |_| {
            data.bands.iter().map(TypedBand::of_job).collect()
        })?
        .with_car(proposal::CarProposal::entered(data));
        let usual = state::Choices::default();
        let choices = &mut self.state.choices;
        choices.seat = data.choices.seat.unwrap_or(usual.seat);
        choices.equalizer = data.choices.equalizer.unwrap_or(usual.equalizer);
        choices.max_boost_db = data.choices.max_boost_db;
        self.state.proposals = proposals::Proposals::default();
        if self.state.tune.car().is_some() {
            // What the job holds as entered is in the processor, and what is measured next comes after it.
            self.state.entered = true;
            self.state.choices.side = SetMark::After;
        }
        self.state.captures = Captures::of_project(open.project());
        // Another job's captures may have the same revision.
        self.state.job = None;
        self.state.choices.by_side = self.state.tune.bands().iter().any(|band| !band.channel.is_empty())
            || self.state.captures.iter().any(|held| !held.channel.is_empty());
        self.kept_tuning = self.state.tune.edits_and_undos();
        self.history = History::default();
        let stage = captures::view_stage(recent::reached(data));
        for state in self.every_face() {
            (state.at_start, state.stage) = (false, stage);
            state.tune_card = TuneCard::Bands;
            state.picked = None;
            state.selected = None;
            state.hidden.clear();
        }
        self.state.sweep_steps.clear();
        self.state.handed_over = data.stages.contains_key(&job::Stage::Handover);
        self.state.gain_meter = GainMeter::of_job(data);
        self.state.inverted_instead.clear();
        self.memos = Arc::default();
        let (folder, choices) = (job.dir().to_owned(), job.data().choices.clone());
        self.job = Some(open);
        self.refresh();
        self.take_rig_of(&folder);
        if let Some(positions) = choices.positions {
            self.state.choices.positions = positions as usize;
        }
        if let Some(bands) = choices.max_bands {
            self.state.choices.max_bands = bands as usize;
        }
        self.state.entered = self.state.has_entered();
        self.state.choices.side = if self.state.entered { SetMark::After } else { SetMark::Before };
        self.refresh();
        self.remember_job();
        Ok(())
    }
}
