//! What is under way: a procedure on a worker, which has the rig meanwhile and tells what happens; or
//! a computation on a thread of its own. Both come to their end as mail.

use std::sync::mpsc::{Receiver, sync_channel};
use std::time::Instant;

use engine::{InputMeter, Pace, RunToken};
use procedure::{BlockLevel, Captured, Change, Event, Hand, Instruction, Session, Store, SweepNow, captures};
use rig::OpenRig;
use view::{Activity, Figure, Live, SourceTask, Stage, Update};

use super::live::{self, Trace};
use super::set_up::{NOTHING_DBFS, tried_bars};
use super::sounds::Sound;
use super::state::BusyWith;
use super::work::{Computing, Doing, Heading, Outcome, Running, Task, Work, nothing_more, unbroken};
use super::{Core, Mail};
use library::{Error, Result};

/// What a procedure has to work with.
pub(super) struct With {
    /// What is done, for people.
    pub(super) headings: Vec<Heading>,
    /// Where captures go.
    pub(super) store: Store,
    /// How fast a simulated car runs.
    pub(super) pace: Pace,
}

/// What comes of a worker: the rig, and whether the procedure came to its end.
type Worked = (Option<OpenRig>, Result<Outcome<Core>>);

/// How many words of a person may wait.
const INBOX_DEPTH: usize = 16;

impl Core {
    /// Begins what the stage captures: all of it, one after the other.
    pub(super) fn measure(&mut self) -> Result<()> {
        if self.state.muted {
            return Err(Error::input("The output is muted. Allow output first, then start."));
        }
        match (self.state.face.stage, self.state.face.source_task) {
            (Stage::Source, SourceTask::Headroom) => return self.sweep_volume(),
            (Stage::Source, SourceTask::Volts) => return self.hear_tone(),
            _ => {}
        }
        let orders = self.orders()?;
        self.begin_job("")?;
        let Some(pace) = orders.front().map(|order| order.pace) else { return Ok(()) };
        let (headings, plans): (Vec<_>, Vec<_>) =
            orders.into_iter().map(|order| (order.heading, order.plan)).unzip();
        let asked = plans.first().is_some_and(|plan| plan.request.is_some());
        let with = With { headings, store: self.store()?, pace };
        self.start(Doing::Capturing, with, asked, move |session| {
            captures(session, &plans)?;
            Ok(nothing_more())
        })
    }

    /// Where captures of the job go.
    pub(super) fn store(&self) -> Result<Store> {
        match &self.job {
            Some(job) => Ok(Store::Job(job.store()?)),
            None => Ok(Store::Nowhere),
        }
    }

    /// Begins a run: what it does belongs to what this face looks at, until it has ended.
    pub(super) fn begin_run(&mut self) -> RunToken {
        let run = self.switch.begin();
        self.run = Some(run.clone());
        self.stopping = false;
        self.run_face = self.state.face.clone();
        self.changed = true;
        run
    }

    /// Runs a procedure on a worker, which has the rig until it has ended. `asked` says that the person
    /// has something to do before it begins.
    pub(super) fn start(
        &mut self,
        doing: Doing,
        with: With,
        asked: bool,
        procedure: impl FnOnce(&mut Session<'_>) -> Result<Outcome<Core>> + Send + 'static,
    ) -> Result<()> {
        let Some(mut rig) = self.idle_rig.take() else {
            return Err(Error::input("Choose what to measure with first: devices, or the simulated car."));
        };
        let With { headings, store, pace } = with;
        let seconds = self.state.choices.countdown_s;
        let hand = Hand::SeesIt { seconds: seconds.into() };
        let countdown = asked.then_some(seconds);
        self.work_on(doing, headings, countdown, move |token, inbox, on_event| {
            let result = unbroken(|| {
                rig.set_pace(pace)?;
                procedure(&mut Session { rig: &mut rig, store, token, inbox, hand, on_event })
            });
            (Some(rig), result)
        })
    }

    /// Runs something on a worker that tells what happens.
    pub(super) fn work_on(
        &mut self,
        doing: Doing,
        headings: Vec<Heading>,
        countdown: Option<u32>,
        work: impl FnOnce(RunToken, &Receiver<Instruction>, &mut dyn FnMut(Event)) -> Worked + Send + 'static,
    ) -> Result<()> {
        let token = self.begin_run();
        let run = token.run();
        let (inbox, instructions) = sync_channel(INBOX_DEPTH);
        let mail = self.mail()?;
        let worker = std::thread::Builder::new().name("procedure".to_owned());
        let worker = worker.spawn(move || {
            let tell = |event: Event| {
                let passing = matches!(
                    event,
                    Event::Level { .. }
                        | Event::Progress { .. }
                        | Event::Step(SweepNow { alarm: false, .. })
                        | Event::Spectrum { .. }
                );
                let mail_of_it = Mail::Told(run, Box::new(event));
                // What passes is worth nothing late, and nobody waits for room for it. An app that has ended
                // has nobody who would read.
                _ = if passing { mail.try_send(mail_of_it).is_ok() } else { mail.send(mail_of_it).is_ok() };
            };
            let (rig, result) = work(token, &instructions, &mut { tell });
            _ = mail.send(Mail::Ended(run, rig.map(Box::new), result));
        });
        worker.map_err(|error| Error::measurement(format!("The worker could not begin: {error}")))?;
        self.work = Some(Work::Procedure(Box::new(Running {
            doing,
            inbox,
            headings,
            at: 0,
            countdown,
            share: None,
            elapsed_s: 0.0,
            trace: Trace::new(None, None),
            warned: false,
        })));
        Ok(())
    }

    /// Computes something on a thread of its own; its outcome is carried out here when it is there, unless
    /// it was stopped before.
    pub(super) fn think(
        &mut self,
        task: Task,
        compute: impl FnOnce() -> Result<Outcome<Core>> + Send + 'static,
    ) -> Result<()> {
        let (run, mail) = (self.begin_run().run(), self.mail()?);
        let thread = std::thread::Builder::new().name("compute".to_owned());
        let thread = thread.spawn(move || {
            // An app that has ended wants no answer.
            _ = mail.send(Mail::Ended(run, None, unbroken(compute)));
        });
        thread.map_err(|error| Error::measurement(format!("The computation could not begin: {error}")))?;
        self.work = Some(Work::Computing(Computing { task, began: Instant::now(), shown_s: 0 }));
        Ok(())
    }

    /// Ends what is under way; what was recorded is kept. A computation is dropped.
    pub(super) fn stop(&mut self) {
        if let Some(run) = &self.run {
            self.switch.stop_run(run.run());
            self.stopping = true;
        }
        self.recordings.clear();
        if matches!(self.work, Some(Work::Computing(_))) {
            self.work = None;
            self.run = None;
        }
        self.changed = true;
    }

    /// Sees what was stopped past the mailbox, and how long something has been computed.
    pub(super) fn look_up(&mut self) {
        if !self.stopping && self.run.as_ref().is_some_and(RunToken::is_stopped) {
            self.stop();
        }
        if let Some(Work::Computing(computing)) = &mut self.work {
            let seconds = computing.began.elapsed().as_secs();
            self.changed |= seconds != computing.shown_s;
            computing.shown_s = seconds;
        }
        self.refresh();
    }

    /// Takes what a procedure tells, for the face that began it.
    pub(super) fn on_event(&mut self, run: u64, event: Event) {
        let Some(Work::Procedure(mut running)) = self.work.take_if(|work| matches!(work, Work::Procedure(_)))
        else {
            return;
        };
        debug_assert_eq!(self.run.as_ref().map(RunToken::run), Some(run), "one runs at a time");
        let own = std::mem::replace(&mut self.state.face, self.run_face.clone());
        let before = running.seen();
        let result = self.take_event(&mut running, event);
        self.changed |= running.seen() != before;
        self.work = Some(Work::Procedure(running));
        self.state.face = own;
        self.refuse(result);
    }

    fn take_event(&mut self, running: &mut Running, event: Event) -> Result<()> {
        match event {
            Event::Asked { .. } | Event::Recording(_) => {}
            Event::Countdown { seconds, .. } => {
                running.countdown = Some(seconds);
                self.sound(Sound::Tick);
            }
            Event::Began { place, stimulus, .. } => {
                (running.at, running.countdown, running.share, running.elapsed_s) =
                    (place.0, None, None, 0.0);
                running.trace = Trace::new(stimulus.as_ref(), self.live_offset_db);
                self.state.sweep_steps.clear();
                self.changed = true;
            }
            Event::Progress { what, share } => {
                running.share = share;
                if let Doing::Listening(listening) = &mut running.doing {
                    self.changed |= listening.what != what;
                    listening.what = what;
                }
            }
            Event::Level { elapsed_s, input, meters, blocks } => {
                running.elapsed_s = elapsed_s;
                self.show_level(running, input, &meters, &blocks);
            }
            Event::Step(now) => self.on_step(&now, &mut running.warned),
            Event::Recognised { track, from_s, to_s } => {
                if let Doing::Listening(listening) = &mut running.doing {
                    listening.playing = Some((track, from_s, to_s));
                }
                self.sound(Sound::Tick);
                self.changed = true;
            }
            Event::Captured(captured) => self.captured(running, &captured)?,
            Event::Heard { with, .. } => {
                if let Doing::Previewing(previewing) = &mut running.doing {
                    previewing.with = with;
                }
            }
            Event::Spectrum { with, response, level_a } => {
                if let Doing::Previewing(previewing) = &mut running.doing {
                    previewing.curves[usize::from(with)] = Some(response);
                    previewing.levels[usize::from(with)] = level_a.or(previewing.levels[usize::from(with)]);
                }
            }
            Event::Finding(finding) => {
                if let Doing::Listening(listening) = &mut running.doing {
                    listening.playing = None;
                }
                self.sound(Sound::Refused);
                self.notice(finding.text, false);
                self.changed = true;
            }
            Event::Change(change) => self.take_change(running, change)?,
        }
        Ok(())
    }

    /// Makes a change that a procedure asks for. A capture that nobody asked for by name gets its place
    /// in the order of the work when it begins.
    fn take_change(&mut self, running: &mut Running, mut change: Change) -> Result<()> {
        let unplaced = matches!(running.doing, Doing::Listening(_) | Doing::Importing { .. });
        match &mut change {
            Change::CaptureBegun { meta, .. } if unplaced => {
                if let Some(track) = meta.stimulus.clone() {
                    let mut place = self.place_for(&track);
                    // The simulated car plays what was asked for: that is no guess.
                    if self.is_simulated() && matches!(running.doing, Doing::Listening(_)) {
                        place.placed_by = None;
                    }
                    if matches!(running.doing, Doing::Importing { .. }) {
                        // Nobody said at which step a recording was made.
                        place.volume_step = None;
                    }
                    place.note(meta);
                }
            }
            Change::CaptureDone { .. } => match &mut running.doing {
                Doing::Importing { found, .. } => *found += 1,
                Doing::Listening(listening) => {
                    listening.playing = None;
                    listening.heard += 1;
                }
                _ => {}
            },
            _ => {}
        }
        self.apply(change)?;
        if let Doing::Listening(listening) = &mut running.doing
            && let Ok(next) = self.next_heard()
        {
            listening.next = next.text();
        }
        Ok(())
    }

    /// Says what came of a capture; what comes next shows by itself.
    fn captured(&mut self, running: &mut Running, captured: &Captured) -> Result<()> {
        self.changed = true;
        let is_last = running.at + 1 >= running.headings.len();
        running.at = (running.at + 1).min(running.headings.len().saturating_sub(1));
        running.share = None;
        if matches!(running.doing, Doing::Importing { .. }) || captured.interrupted {
            return Ok(());
        }
        if let Some(stop) = captured.reading.stopped() {
            self.cue("No result", false);
            self.sound(Sound::Refused);
            self.notice(stop.text.clone(), false);
            return Ok(());
        }
        let held = captured.id.and_then(|id| self.state.captures.get(view::CaptureId(id.0)));
        let listens = matches!(running.doing, Doing::Listening(_));
        let name = held.map(|held| if listens { held.label.clone() } else { held.position.clone() });
        let name = name.filter(|name| !name.is_empty()).unwrap_or_else(|| captured.label.clone());
        if is_last && !listens {
            self.sound(Sound::AllDone);
            self.cue_all_done(&name)?;
        } else {
            self.sound(Sound::Done);
            self.cue(format!("{name} done"), true);
        }
        Ok(())
    }

    /// Shows that all of it is done, and what came of it.
    fn cue_all_done(&mut self, label: &str) -> Result<()> {
        match self.state.face.stage {
            Stage::Source => {
                return self.ask(|derivation| {
                    let text = derivation.clean_text().unwrap_or_else(|| "Source done".to_owned());
                    Box::new(move |core| {
                        core.cue(text, true);
                        Ok(())
                    })
                });
            }
            Stage::Drivers => self.cue("All drivers done", true),
            Stage::Tune => self.cue("All positions done", true),
            _ => self.cue(format!("{label} done"), true),
        }
        Ok(())
    }

    fn show_level(
        &mut self,
        running: &mut Running,
        input: usize,
        meters: &[InputMeter],
        blocks: &[BlockLevel],
    ) {
        let measured = meters.get(input).copied().unwrap_or_default();
        let calibration = self.state.rig.as_ref().map(|rig| rig.calibration(input)).unwrap_or_default();
        let (meter, figure) = live::meter(measured, &calibration);
        if !self.state.rig_heard && meters.iter().any(|meter| meter.peak > 0.0) {
            (self.state.rig_heard, self.changed) = (true, true);
        }
        running.trace.hear(blocks);
        let mut ribbon = None;
        let (figures, lines) = match &running.doing {
            Doing::Sweeping if !self.state.sweep_steps.is_empty() => (
                self.state.sweep_steps.last().map(super::source::sweep_chart::figures).unwrap_or_default(),
                Vec::new(),
            ),
            Doing::Trying { channels } => {
                let level = |meter: &InputMeter| units::LevelDbfs::from_peak(meter.peak).0.max(NOTHING_DBFS);
                let levels: Vec<(u16, f64)> =
                    channels.iter().copied().zip(meters.iter().map(level)).collect();
                self.tried(&levels);
                let (figures, lines) = (self.tried_figures(&levels), tried_bars(&levels));
                self.send_live(Live { figures, lines, ..Live::default() });
                return;
            }
            Doing::Watching { gain } => {
                // While it is stopped the tone fades, which says nothing of where the amplifier stands.
                let counts = *gain && !self.run.as_ref().is_some_and(RunToken::is_stopped);
                let volts = calibration.volts_per_fs.map(|volts| volts * measured.rms).filter(|_| counts);
                let figures = match volts.map(|volts| self.read_gain(volts, running.elapsed_s)) {
                    Some((volts, to_go)) => {
                        let value = format!("{volts:.2} V");
                        std::iter::once(Figure { value, ..figure }).chain(to_go).collect()
                    }
                    None => vec![figure],
                };
                (figures, Vec::new())
            }
            Doing::Previewing(previewing) => {
                let levels = previewing.level_figures();
                let figures = if levels.is_empty() { vec![figure] } else { levels };
                let heard = previewing.curves[usize::from(previewing.with)].as_ref();
                let way = if previewing.with { "with the bands" } else { "without the bands" };
                ribbon =
                    heard.and_then(|heard| self.live_ribbon(heard, &format!("Heard {way} \u{2212} target")));
                (figures, self.previewed_lines(previewing))
            }
            _ => {
                let so_far = running.trace.response();
                ribbon =
                    so_far.and_then(|so_far| self.live_ribbon(&so_far, "This sweep so far \u{2212} target"));
                (vec![figure], running.trace.line().into_iter().collect())
            }
        };
        self.send_live(Live { meter: Some(meter), figures, lines, ribbon });
        self.changed |= matches!(&running.doing, Doing::Listening(listening) if listening.playing.is_some());
    }

    pub(super) fn send_live(&mut self, live: Live) {
        // Only the newest counts: what does not fit is dropped.
        self.tell(&Update::Live(live));
    }

    /// A worker or a computation has come to its end.
    pub(super) fn ended(&mut self, run: u64, rig: Option<OpenRig>, result: Result<Outcome<Core>>) {
        if let Some(rig) = rig {
            self.idle_rig = Some(rig);
        }
        // A computation that was stopped, and another has begun.
        if self.run.as_ref().map(RunToken::run) != Some(run) {
            return;
        }
        self.changed = true;
        let was_stopped = self.run.take().is_some_and(|run| run.is_stopped());
        if was_stopped && !self.stopping {
            // A face stops the engine itself, and the work may have ended before the app has looked. What was brought after
            // a stop that it saw is wanted.
            self.recordings.clear();
        }
        self.stopping = false;
        let work = self.work.take();
        if let Some(Work::Procedure(running)) = &work
            && let Doing::Watching { gain: true } = running.doing
        {
            let kept = self.keep_gain();
            self.refuse(kept);
        }
        // What a procedure found is told to the face that began it.
        let own = matches!(work, Some(Work::Procedure(_)))
            .then(|| std::mem::replace(&mut self.state.face, self.run_face.clone()));
        let result = match (result, work) {
            (Ok(outcome), work) => {
                self.send_live(Live::default());
                outcome(self).and_then(|()| match work {
                    Some(Work::Procedure(running)) => self.ended_well(running.doing, was_stopped),
                    Some(Work::Computing(_)) | None => Ok(()),
                })
            }
            // That nothing was found is what a person expects who stopped it.
            (Err(_), _) if was_stopped => {
                self.send_live(Live::default());
                Ok(())
            }
            (Err(error), _) => Err(error),
        };
        if let Some(own) = own {
            self.state.face = own;
        }
        self.refuse(result);
        if self.work.is_none() && !self.recordings.is_empty() {
            let result = self.next_recording();
            self.refuse(result);
        }
    }

    fn ended_well(&mut self, doing: Doing, was_stopped: bool) -> Result<()> {
        match doing {
            Doing::Importing { file, found: 0 } if was_stopped => {
                self.notice(format!("The search of {file} was stopped; nothing was added."), true);
                Ok(())
            }
            Doing::Importing { file, found } => self.imported(&file, found),
            Doing::Listening(listening) if !was_stopped => self.listened(&listening),
            _ => Ok(()),
        }
    }

    /// Says what went wrong, if something did, and goes on with nothing.
    fn refuse(&mut self, result: Result<()>) {
        if let Err(error) = result {
            self.changed = true;
            self.send_live(Live::default());
            self.sound(Sound::Refused);
            self.notice(error.to_string(), false);
        }
    }

    /// What is going on, for the window.
    pub(super) fn activity(&self) -> Activity {
        let running = match &self.work {
            None => return Activity::Idle,
            Some(Work::Computing(Computing { task, shown_s, .. })) => {
                let detail = match shown_s {
                    0 => task.detail.to_owned(),
                    seconds => format!("{seconds} s; {}", task.detail),
                };
                return Activity::Running { title: task.title.clone(), detail, progress: None };
            }
            Some(Work::Procedure(running)) => running,
        };
        let Heading { title, hint, detail } = running.heading();
        #[expect(clippy::cast_possible_truncation, reason = "a share of 1")]
        let progress = running.share.map(|share| share as f32);
        match (&running.doing, running.countdown) {
            _ if self.stopping => {
                Activity::Running { title, detail: "coming to its end".to_owned(), progress: None }
            }
            (_, Some(seconds)) => Activity::Countdown { title, hint, seconds },
            (Doing::Listening(listening), None) => listening.activity(running.elapsed_s),
            (Doing::Previewing(previewing), None) => Activity::Running {
                title,
                detail: if previewing.with { "with the bands" } else { "without the bands" }.to_owned(),
                progress: None,
            },
            (_, None) => Activity::Running { title, detail, progress },
        }
    }

    /// What runs, as far as cards and charts are others meanwhile.
    pub(super) fn busy_with(&self) -> Option<BusyWith> {
        match self.work.as_ref()? {
            Work::Procedure(running) => Some(match running.doing {
                Doing::Sweeping => BusyWith::Sweep,
                Doing::Previewing(_) => BusyWith::Preview,
                Doing::Trying { .. } => BusyWith::Trying,
                _ => BusyWith::Other,
            }),
            Work::Computing(_) => Some(BusyWith::Other),
        }
    }
}
