//! What is under way: a countdown, a capture, a computation. Several captures
//! in a row follow one another by themselves.

use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use engine::{Capture, CaptureRequest, InputRole, Next, Pace, Play, RunToken};
use measure::{Segment, Signal as Played, Stimulus};
use measurements::signals;
use units::LevelDbfs;
use view::{Activity, Stage, Update};

use super::audition::Audition;
use super::channels::SIDES;
use super::hark::Hark;
use super::live::{self, Trace};
use super::order::{Order, Purpose, Scene};
use super::sounds::Sound;
use super::{Desk, Held};
use crate::{Error, Result};
use procedure::{CaptureRun, Change, Computed, Ended, Pumped, Store, SweepWatch, Until};
use project::derive::mistype;
use rig::cabin_edge;
use tuning::channel_reaches;

/// What is under way.
pub(super) enum Work {
    /// The door can be shut.
    Countdown { order: Box<Order>, until: Instant, shown: u32 },
    /// Samples are coming in.
    Recording(Box<Recording>),
    /// Something is being computed.
    Thinking(Thinking),
    /// Something is listened to; nothing is kept.
    Auditioning(Box<Audition>),
    /// An input is watched; nothing is kept.
    Watching(Box<Watching>),
    /// Tracks are waited for.
    Listening(Box<Hark>),
}

/// What is done on the desk with something that was computed.
pub(super) type Outcome = Box<dyn FnOnce(&mut Desk) -> Result<()> + Send>;

/// A computation on a thread of its own.
pub(super) struct Thinking {
    thread: JoinHandle<Result<Outcome>>,
    task: Task,
    began: Instant,
}

/// What is computed, for people, and whether it may be dropped.
pub(super) struct Task {
    pub(super) title: String,
    pub(super) detail: &'static str,
    /// Without the answer nothing changes, so that *stop* need not wait for it.
    pub(super) idle: bool,
    /// What is said when it fails unexpectedly.
    pub(super) broken: &'static str,
}

/// An input that is watched, and what sounds meanwhile.
pub(super) struct Watching {
    capture: Capture,
    input: usize,
    looked: Instant,
    watch: Watch,
}

/// What an input is watched for.
pub(super) struct Watch {
    pub(super) title: String,
    pub(super) detail: String,
    /// Whether it is said how far an amplifier is still to be turned.
    pub(super) gain: bool,
}

/// A capture that is being made.
pub(super) struct Recording {
    take: CaptureRun,
    order: Order,
    trace: Trace,
    looked: Instant,
    /// The share that was shown last, in hundredths.
    shown: u32,
    /// The volume step at which the simulated radio is.
    step: Option<u32>,
    /// The highest sample at the measured input.
    peak: f64,
    /// What is seen of a ladder of volume steps.
    climb: Option<SweepWatch>,
    /// Whether it was said that the input's limit is near.
    warned: bool,
    /// Whether it was stopped before its end, so that there is no reading.
    broken_off: bool,
}

/// Live updates are sent at most so often.
pub(super) const LIVE_EVERY: Duration = Duration::from_millis(60);

impl Desk {
    /// Begins what the stage captures: all of it, one after the other.
    pub(super) fn measure(&mut self) -> Result<()> {
        if self.muted {
            return Err(Error::input("The output is muted. Allow output first, then start."));
        }
        self.orders = self.orders()?;
        self.begin_job(None, "")?;
        self.begin_run();
        self.next_order()
    }

    /// Begins the next capture of the series, if there is one.
    fn next_order(&mut self) -> Result<()> {
        let Some(order) = self.orders.pop_front() else { return Ok(()) };
        self.set_scene(&order)?;
        // Where nothing has to be done by hand, nobody waits.
        let shown = if order.hint.is_empty() { 0 } else { self.choices.countdown_s };
        let until = Instant::now() + Duration::from_secs(shown.into());
        if shown > 0 {
            self.sound(Sound::Tick);
        }
        self.work = Some(Work::Countdown { order: Box::new(order), until, shown });
        self.changed = true;
        Ok(())
    }

    /// Begins a run: what it does belongs to what this face looks at, until it ends or is stopped.
    pub(super) fn begin_run(&mut self) -> RunToken {
        let run = self.switch.begin();
        self.run = Some(run.clone());
        self.stopping = false;
        self.run_face = self.face.clone();
        run
    }

    /// Ends what is under way; what was recorded is kept.
    pub(super) fn stop(&mut self) {
        if let Some(run) = &self.run {
            self.switch.stop_run(run.run());
            self.stopping = true;
        }
        self.orders.clear();
        self.recordings.clear();
        if let Some(Work::Listening(hark)) = self.work.take_if(|work| matches!(work, Work::Listening(_))) {
            self.stop_harking(*hark);
        }
        match &mut self.work {
            Some(Work::Recording(recording)) => {
                recording.broken_off = recording.order.plan.until != Until::Told;
                recording.take.stop();
            }
            Some(Work::Countdown { .. }) => self.work = None,
            Some(Work::Thinking(thinking)) if thinking.task.idle => self.work = None,
            Some(Work::Watching(_) | Work::Auditioning(_)) => {
                self.work = None;
                self.send_live(view::Live::default());
            }
            Some(Work::Thinking(_) | Work::Listening(_)) | None => {}
        }
        self.changed = true;
    }

    /// Sets the simulated car as the order needs it; with devices a person does.
    pub(super) fn set_scene(&mut self, order: &Order) -> Result<()> {
        let mut bands = if self.entered { self.enabled_bands() } else { Vec::new() };
        if let Some(others) = &order.scene.bands {
            bands.clone_from(others);
        } else if self.choices.slip {
            mistype(bands.iter_mut().map(|(_, band)| band), self.tune.profile());
        }
        self.set_car(&order.scene, order.pace, bands)
    }

    /// Sets the simulated car, with these bands in its processor.
    pub(super) fn set_car(
        &mut self,
        scene: &Scene,
        pace: Pace,
        bands: Vec<(String, tuning::Band)>,
    ) -> Result<()> {
        let channels = self.job.as_ref().map(|job| job.project().data.channels.clone()).unwrap_or_default();
        let (scene, filters_on) = (scene.clone(), self.choices.filters_on);
        let Some(bench) = &mut self.bench else { return Ok(()) };
        let Some(simulated) = bench.car() else { return Ok(()) };
        let car = simulated.car.clone();
        bench.set_pace(pace)?;
        bench.set(|setup| {
            let alone = scene.driver.is_some();
            let of_side =
                |name: &str| SIDES.iter().all(|side| *side == scene.side || !channel_reaches(side, name));
            let sounds = |name: &str| scene.side.is_empty() || of_side(name);
            // What does not pass through the processor is faded out while the sound at the head is tuned.
            let tuned = scene.position.is_some() && car.drivers.iter().any(|driver| driver.processed);
            let heard =
                car.drivers.iter().filter(|driver| sounds(&driver.name) && (driver.processed || !tuned));
            setup.active = match scene.driver {
                Some(name) => Some(vec![name]),
                None => (tuned || !scene.side.is_empty())
                    .then(|| heard.map(|driver| driver.name.clone()).collect()),
            };
            if let Some(position) = scene.position.filter(|name| car.position(name).is_some()) {
                setup.mic_position = position;
            }
            setup.engine_rpm = scene.engine_rpm;
            if let Some(tap) = scene.tap {
                setup.tap_output = tap;
            }
            if let Some(step) = scene.step {
                setup.volume_step = step.min(car.radio.last_step());
            }
            for driver in car.drivers.iter().filter(|driver| driver.processed) {
                let entry = setup.processor.entry(driver.name.clone()).or_default();
                let own = bands.iter().filter(|(channel, _)| channel_reaches(channel, &driver.name));
                entry.bands = own.map(|(_, band)| *band).collect();
                // A driver alone is measured as it is wired, without what is entered for it.
                let entered = channels.iter().find(|channel| !alone && channel.channel == driver.name);
                let delay_s = entered.map_or(driver.channel.delay_s, |entered| entered.delay_s);
                entry.delay_s = delay_s.min(car.processor.longest_delay_s);
                entry.gain_db = driver.channel.gain_db + entered.map_or(0.0, |entered| entered.gain_db);
                let filtered = !alone || filters_on;
                let own = |edge: Option<cabin::Edge>| edge.filter(|_| filtered);
                let found =
                    entered.filter(|entered| entered.high_pass.is_some() || entered.low_pass.is_some());
                entry.high_pass = match found {
                    Some(found) => found.high_pass.as_ref().map(cabin_edge),
                    None => own(driver.channel.high_pass),
                };
                entry.low_pass = match found {
                    Some(found) => found.low_pass.as_ref().map(cabin_edge),
                    None => own(driver.channel.low_pass),
                };
                entry.invert = driver.channel.invert != entered.is_some_and(|entered| entered.inverted);
            }
        })
    }

    /// Moves what is under way on by one small step, for the face that began it.
    pub(super) fn pump(&mut self) {
        if !self.stopping && self.run.as_ref().is_some_and(RunToken::is_stopped) {
            self.stop();
        }
        let own = std::mem::replace(&mut self.face, self.run_face.clone());
        self.step();
        self.face = own;
        if self.work.is_none() && self.orders.is_empty() && self.recordings.is_empty() {
            self.changed |= self.run.take().is_some();
        }
    }

    fn step(&mut self) {
        let Some(work) = self.work.take() else {
            if !self.recordings.is_empty() {
                let result = self.next_recording();
                self.refuse(result);
            }
            return;
        };
        let result = match work {
            Work::Countdown { order, until, shown } => self.count_down(order, until, shown),
            Work::Recording(recording) => self.record(recording),
            Work::Thinking(thinking) => self.think_on(thinking),
            Work::Auditioning(audition) => self.audition_on(audition),
            Work::Watching(watching) => {
                self.watch_on(watching);
                Ok(())
            }
            Work::Listening(hark) => self.hark_on(hark),
        };
        self.refuse(result);
    }

    /// Says what went wrong, if something did, and goes on with nothing.
    fn refuse(&mut self, result: Result<()>) {
        if let Err(error) = result {
            self.orders.clear();
            self.changed = true;
            self.sound(Sound::Refused);
            self.notice(error.to_string(), false);
        }
    }

    fn count_down(&mut self, order: Box<Order>, until: Instant, shown: u32) -> Result<()> {
        let left = until.saturating_duration_since(Instant::now());
        if !left.is_zero() {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few seconds")]
            let seconds = left.as_secs_f64().ceil() as u32;
            if seconds != shown {
                self.changed = true;
                self.sound(Sound::Tick);
            }
            self.work = Some(Work::Countdown { order, until, shown: seconds });
            std::thread::sleep(Duration::from_millis(10));
            return Ok(());
        }
        self.changed = true;
        self.rungs.clear();
        let Some(bench) = &mut self.bench else { return Ok(()) };
        let store = match self.job.as_ref().filter(|_| order.purpose == Purpose::Capture) {
            Some(job) => Store::Job(job.store()?),
            None => Store::Nowhere,
        };
        let take = CaptureRun::begin(&order.plan, bench, &store, self.run.clone())?;
        let step = order.climb.map(|climb| climb.first);
        let volts_per_fs = bench.calibration(order.plan.input).volts_per_fs;
        self.work = Some(Work::Recording(Box::new(Recording {
            trace: Trace::new(take.stimulus(), self.live_offset_db()),
            take,
            climb: (order.plan.measurement == "headroom")
                .then(|| SweepWatch::new(&order.plan.position, volts_per_fs)),
            order: *order,
            looked: Instant::now(),
            shown: 0,
            step,
            peak: 0.0,
            warned: false,
            broken_off: false,
        })));
        Ok(())
    }

    fn record(&mut self, mut recording: Box<Recording>) -> Result<()> {
        if recording.take.pump(Duration::from_millis(20)) == Pumped::Over {
            return self.recorded(*recording);
        }
        self.climb(&mut recording)?;
        if recording.looked.elapsed() >= LIVE_EVERY {
            recording.looked = Instant::now();
            let meter = recording.take.meters().get(recording.take.input()).copied();
            recording.peak = recording.peak.max(meter.unwrap_or_default().peak);
            recording.trace.hear(&recording.take.levels());
            self.watch_climb(&mut recording);
            let live = self.live(&recording);
            self.send_live(live);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share")]
            let shown = recording
                .take
                .progress()
                .map_or_else(|| recording.take.elapsed_s() as u32, |share| (100.0 * share) as u32);
            self.changed |= shown != recording.shown;
            recording.shown = shown;
        }
        self.work = Some(Work::Recording(recording));
        Ok(())
    }

    /// Follows a climb: what is not clean ends one that a person makes.
    fn watch_climb(&mut self, recording: &mut Recording) {
        let Recording { take, order, climb: Some(watch), peak, warned, .. } = recording else { return };
        let (reading, elapsed_s) = (take.reading(), take.elapsed_s());
        let now = watch.look(&reading, elapsed_s, *peak);
        self.climbed(&reading, &now);
        if let Some(warning) = now.warning.filter(|_| !*warned) {
            *warned = true;
            self.notice(warning, false);
        }
        if order.plan.until == Until::Told && watch.has_seen_enough(elapsed_s) {
            take.stop();
        }
    }

    /// Lets the simulated radio climb.
    fn climb(&mut self, recording: &mut Recording) -> Result<()> {
        let Some(climb) = recording.order.climb else { return Ok(()) };
        let due = climb.due(recording.take.elapsed_s());
        if recording.step != Some(due) {
            recording.step = Some(due);
            if let Some(bench) = &mut self.bench {
                bench.set(|setup| setup.volume_step = due)?;
            }
        }
        Ok(())
    }

    fn live(&self, recording: &Recording) -> view::Live {
        let take = &recording.take;
        let input = take.meters().get(take.input()).copied();
        let calibration =
            self.bench.as_ref().map(|bench| bench.calibration(take.input())).unwrap_or_default();
        let (meter, figure) = live::meter(input.unwrap_or_default(), &calibration);
        let figures = match self.rungs.last() {
            Some(rung) if recording.order.plan.measurement == "headroom" => super::source::figures(rung),
            _ => vec![figure],
        };
        view::Live { meter: Some(meter), figures, lines: recording.trace.line().into_iter().collect() }
    }

    pub(super) fn send_live(&mut self, live: view::Live) {
        // Only the newest counts: what does not fit is dropped.
        self.tell(&Update::Live(live));
    }

    fn recorded(&mut self, recording: Recording) -> Result<()> {
        self.changed = true;
        self.send_live(view::Live::default());
        let mut take = recording.take;
        if recording.order.plan.until == Until::Told {
            // A person ends it, by whatever key.
            take.finish();
        }
        let ended = take.end();
        // The engine may have heard of a stop before this thread did.
        if recording.broken_off || ended.is_interrupted() {
            for change in ended.abandoned() {
                self.note(change)?;
            }
            return Ok(());
        }
        let task = Task {
            title: recording.order.title,
            detail: "computing",
            idle: false,
            broken: "The measurement broke off. The recording is kept in the job.",
        };
        let (purpose, peak_dbfs) = (recording.order.purpose, LevelDbfs::from_peak(recording.peak).0);
        self.think(task, move || {
            let computed = first(ended)?;
            Ok(Box::new(move |desk| match purpose {
                Purpose::Capture => desk.keep(computed),
                Purpose::Volts => desk.hear_volts(&computed.reading, peak_dbfs),
            }))
        })
    }

    /// Computes something on a thread of its own; its outcome is carried out here when it is there.
    pub(super) fn think(
        &mut self,
        task: Task,
        compute: impl FnOnce() -> Result<Outcome> + Send + 'static,
    ) -> Result<()> {
        let thread = std::thread::Builder::new().name("session-think".to_owned());
        let thread = thread
            .spawn(compute)
            .map_err(|error| Error::measurement(format!("The computation could not begin: {error}")))?;
        if self.run.is_none() {
            self.begin_run();
        }
        self.thinking_s = 0;
        self.changed = true;
        self.work = Some(Work::Thinking(Thinking { thread, task, began: Instant::now() }));
        Ok(())
    }

    fn think_on(&mut self, thinking: Thinking) -> Result<()> {
        if thinking.thread.is_finished() {
            self.changed = true;
            return match thinking.thread.join() {
                Ok(outcome) => outcome?(self),
                Err(_) => Err(Error::measurement(thinking.task.broken)),
            };
        }
        let seconds = thinking.began.elapsed().as_secs();
        self.changed |= seconds != self.thinking_s;
        self.thinking_s = seconds;
        self.work = Some(Work::Thinking(thinking));
        std::thread::sleep(Duration::from_millis(5));
        Ok(())
    }

    fn keep(&mut self, computed: Computed) -> Result<()> {
        let (change, captured) = computed.noted();
        let stopped = captured.reading.stopped().map(|finding| finding.text.clone());
        if let Some(change) = change {
            self.note(change)?;
        }
        if let Some(text) = stopped {
            self.orders.clear();
            self.cue("No result", false);
            self.sound(Sound::Refused);
            self.notice(text, false);
            return Ok(());
        }
        self.found()?;
        let label = self.captures.iter().next_back().map_or("", |held| &held.position).to_owned();
        if self.orders.is_empty() {
            self.sound(Sound::AllDone);
            self.cue(self.done_text(&label), true);
            return Ok(());
        }
        self.sound(Sound::Done);
        self.cue(format!("{label} done"), true);
        self.next_order()
    }

    /// Keeps in the job what a capture came to, and takes it on the desk.
    pub(super) fn note(&mut self, change: Change) -> Result<()> {
        let Some(job) = &mut self.job else { return Ok(()) };
        let (id, reading) = (change.capture(), change.reading().cloned());
        job.apply(change)?;
        if let Some(capture) = id.and_then(|id| job.job().capture(id)) {
            self.captures.insert(Held::new(capture, reading));
        }
        Ok(())
    }

    /// Shows the level at an input until it is stopped.
    pub(super) fn watch(&mut self) -> Result<()> {
        let Some(bench) = &mut self.bench else {
            return Err(Error::input("Choose what to measure with first: devices, or the simulated car."));
        };
        let input = bench
            .input(InputRole::Electrical)
            .ok_or_else(|| Error::input("The rig has no electrical input. Add one to its file."))?;
        let mut stimulus = None;
        if bench.car().is_some() {
            let clean = self.job.as_ref().and_then(|job| job.project().data.source.clean_step);
            bench.set_pace(Pace::RealTime)?;
            bench.set(|setup| setup.volume_step = clean.unwrap_or(setup.volume_step))?;
            let level_dbfs = self.choices.tone_dbfs - 0.01;
            let tone = Segment::of(Played::Sine { frequency_hz: 1000.0 }, 1.0, level_dbfs, 0.0);
            stimulus = Some(Stimulus { name: "tone".to_owned(), segments: vec![tone] });
        }
        self.gain_seen = true;
        let (title, detail) = ("Listening", "the volts at the tap, until you press Space");
        let watch = Watch { title: title.to_owned(), detail: detail.to_owned(), gain: true };
        self.watch_input(input, stimulus.as_ref(), watch)
    }

    /// Shows the level at an input, and plays something again and again meanwhile.
    pub(super) fn watch_input(
        &mut self,
        input: usize,
        stimulus: Option<&Stimulus>,
        watch: Watch,
    ) -> Result<()> {
        self.begin_run();
        let Some(bench) = &mut self.bench else { return Ok(()) };
        let rate_hz = f64::from(bench.spec().sample_rate_hz);
        let play = stimulus.map_or(Play::Nothing, |stimulus| {
            Play::Endless(signals::render_stereo(stimulus, rate_hz).into())
        });
        let request = CaptureRequest { play, run: self.run.clone(), ..CaptureRequest::watch() };
        let capture = bench.capture(request)?;
        self.work =
            Some(Work::Watching(Box::new(Watching { capture, input, looked: Instant::now(), watch })));
        self.changed = true;
        Ok(())
    }

    fn watch_on(&mut self, mut watching: Box<Watching>) {
        let input = watching.input;
        if watching.capture.next_within(Duration::from_millis(20)) == Next::Over {
            self.changed = true;
            for finding in watching.capture.finish().findings {
                self.notice(finding.text, false);
            }
            self.send_live(view::Live::default());
            return;
        }
        if watching.looked.elapsed() >= LIVE_EVERY {
            watching.looked = Instant::now();
            let calibration = self.bench.as_ref().map(|bench| bench.calibration(input)).unwrap_or_default();
            let measured = watching.capture.meters().get(input).copied().unwrap_or_default();
            let (meter, figure) = live::meter(measured, &calibration);
            let volts = calibration.volts_per_fs.map(|volts| volts * measured.rms);
            let mut figures = vec![figure];
            figures.extend(self.gain_figure(volts).filter(|_| watching.watch.gain));
            self.send_live(view::Live { meter: Some(meter), figures, lines: Vec::new() });
        }
        self.work = Some(Work::Watching(watching));
    }

    /// What is going on, for the window.
    pub(super) fn activity(&self) -> Activity {
        match &self.work {
            None => Activity::Idle,
            Some(Work::Countdown { order, shown, .. }) => {
                Activity::Countdown { title: order.title.clone(), hint: order.hint.clone(), seconds: *shown }
            }
            Some(Work::Recording(recording)) => Activity::Running {
                title: recording.order.title.clone(),
                detail: recording.order.detail.clone(),
                #[expect(clippy::cast_possible_truncation, reason = "a share of 1")]
                progress: recording.take.progress().map(|share| share as f32),
            },
            Some(Work::Thinking(Thinking { task, .. })) => Activity::Running {
                title: task.title.clone(),
                detail: match self.thinking_s {
                    0 => task.detail.to_owned(),
                    seconds => format!("{seconds} s; {}", task.detail),
                },
                progress: None,
            },
            Some(Work::Listening(hark)) => hark.activity(),
            Some(Work::Auditioning(_)) => Activity::Running {
                title: "Listening".to_owned(),
                detail: if self.choices.listening.with_bands {
                    "with the bands"
                } else {
                    "without the bands"
                }
                .to_owned(),
                progress: None,
            },
            Some(Work::Watching(watching)) => Activity::Running {
                title: watching.watch.title.clone(),
                detail: watching.watch.detail.clone(),
                progress: None,
            },
        }
    }

    /// The volume steps that were found so far, of the capture that runs.
    pub(super) fn is_climbing(&self) -> bool {
        matches!(&self.work, Some(Work::Recording(recording)) if recording.order.plan.measurement == "headroom")
    }

    fn done_text(&self, label: &str) -> String {
        match self.face.stage {
            Stage::Source => self.clean_text().unwrap_or_else(|| "Source done".to_owned()),
            Stage::Drivers => "All drivers done".to_owned(),
            Stage::Tune => "All positions done".to_owned(),
            _ => format!("{label} done"),
        }
    }
}

/// What came of the one input that is measured here.
fn first(ended: Ended) -> Result<Computed> {
    let nothing = || Error::measurement("The measurement broke off. The recording is kept in the job.");
    ended.compute().into_iter().next().ok_or_else(nothing)
}
