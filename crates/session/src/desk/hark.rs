//! Listening: a track is waited for, recognised as it plays, captured, and its result shown,
//! without a key pressed.

use std::collections::VecDeque;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use engine::{Capture, CaptureRequest, InputRole, Length, Next, Play};
use measure::{Reading, Segment, Stimulus};
use measurements::signals;
use view::Activity;

use super::filing::Filed;
use super::order::Order;
use super::sounds::Sound;
use super::work::{LIVE_EVERY, Task, Work};
use super::{Desk, live};
use crate::{Error, Result};
use procedure::{CaptureContext, Excerpt, ListenEvent, RecognisedTrack, TrackListener, at_peak};

/// What the simulated source waits before it plays, and what follows, so that the end is heard.
const PAUSE_S: (f64, f64) = (1.5, 3.0);

/// A stream that is listened to.
pub(super) struct Hark {
    capture: Capture,
    listening: TrackListener,
    input: usize,
    looked: Instant,
    /// The track that is being played, from when to when.
    playing: Option<(String, f64, f64)>,
    /// What comes next, as a person reads it.
    next: String,
    /// What is being computed, the oldest first.
    computing: VecDeque<JoinHandle<Result<(Excerpt, Reading)>>>,
    filed: Filed,
}

impl Desk {
    /// Begins to listen. The simulated car plays what comes next by itself.
    pub(super) fn hark(&mut self) -> Result<()> {
        let order = self.next_heard()?;
        self.begin_job(None, "")?;
        let Some(bench) = &self.bench else { return Ok(()) };
        let (rate_hz, inputs) = (bench.spec().sample_rate_hz, bench.spec().inputs.len());
        let context = CaptureContext {
            channel: order.plan.input,
            reference_channel: bench.input(InputRole::Loopback),
            calibration: bench.calibration(order.plan.input),
            set: order.plan.set,
            rig: bench.spec().name.clone(),
        };
        let task = Task {
            title: "Getting ready to listen".to_owned(),
            detail: "learning the tracks",
            idle: true,
            broken: "Listening could not begin.",
        };
        // What all tracks sound like is computed, which takes a moment.
        self.think(task, move || {
            let listening = TrackListener::new(rate_hz, inputs, context);
            Ok(Box::new(move |desk| desk.hark_with(listening, Filed::default())))
        })
    }

    fn next_heard(&self) -> Result<Order> {
        self.orders()?.pop_front().ok_or_else(|| Error::input("Nothing is left to be heard."))
    }

    fn hark_with(&mut self, listening: TrackListener, filed: Filed) -> Result<()> {
        let order = self.next_heard()?;
        self.set_scene(&order)?;
        let run = self.run.clone();
        let Some(bench) = &mut self.bench else { return Ok(()) };
        let rate_hz = f64::from(bench.spec().sample_rate_hz);
        let simulated = bench.car().is_some();
        let (play, length) = match order.plan.stimulus.as_ref().filter(|_| simulated) {
            Some(stimulus) => {
                let programme = between_pauses(at_peak(stimulus.clone(), order.plan.peak_dbfs));
                let rows = signals::render_stereo(&programme, rate_hz);
                (Play::Once(rows.into()), Length::Seconds(programme.duration_s()))
            }
            None if simulated => {
                return Err(Error::input("The simulated source has no track for this measurement."));
            }
            None => (Play::Nothing, Length::UntilStopped),
        };
        // What a real car sounded like cannot be had again, so all of it goes to disk first.
        let record_to = (!simulated).then(|| crate::place::loose_recording("listen")).transpose()?;
        let capture = bench.capture(CaptureRequest { play, length, record_to, run })?;
        self.work = Some(Work::Listening(Box::new(Hark {
            capture,
            listening,
            input: order.plan.input,
            looked: Instant::now(),
            playing: None,
            next: next_text(&order),
            computing: VecDeque::new(),
            filed,
        })));
        self.changed = true;
        Ok(())
    }

    /// Takes what has come in.
    pub(super) fn hark_on(&mut self, mut hark: Box<Hark>) -> Result<()> {
        let events = match hark.capture.next_within(Duration::from_millis(20)) {
            Next::Block(block) => {
                let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
                hark.listening.feed(&channels)
            }
            Next::NotYet => Vec::new(),
            Next::Over => {
                let events = hark.listening.end();
                self.hear(&mut hark, events)?;
                return self.harked(*hark);
            }
        };
        self.hear(&mut hark, events)?;
        while hark.computing.front().is_some_and(JoinHandle::is_finished) {
            let thread = hark.computing.pop_front();
            self.take_heard(thread, true)?;
            if hark.computing.is_empty() {
                // All that was filed is a capture now.
                hark.filed = Filed::default();
            }
            if let Ok(mut orders) = self.orders()
                && let Some(order) = orders.pop_front()
            {
                hark.next = next_text(&order);
            }
        }
        if hark.looked.elapsed() >= LIVE_EVERY {
            hark.looked = Instant::now();
            let meter = hark.capture.meters().get(hark.input).copied().unwrap_or_default();
            let calibration =
                self.bench.as_ref().map(|bench| bench.calibration(hark.input)).unwrap_or_default();
            let (meter, figure) = live::meter(meter, &calibration);
            self.send_live(view::Live { meter: Some(meter), figures: vec![figure], lines: Vec::new() });
            self.changed |= hark.playing.is_some();
        }
        self.work = Some(Work::Listening(hark));
        Ok(())
    }

    fn hear(&mut self, hark: &mut Hark, events: Vec<ListenEvent>) -> Result<()> {
        for event in events {
            self.changed = true;
            match event {
                ListenEvent::Playing { track, from_s, to_s } => {
                    self.sound(Sound::Tick);
                    hark.playing = Some((track, from_s, to_s));
                }
                ListenEvent::Cut { finding, .. } => {
                    hark.playing = None;
                    self.sound(Sound::Refused);
                    self.notice(finding.text, false);
                }
                ListenEvent::Whole(heard) => {
                    hark.playing = None;
                    self.compute_heard(hark, &heard)?;
                }
            }
        }
        Ok(())
    }

    /// Writes what was heard to disk, and computes it on a thread of its own.
    fn compute_heard(&mut self, hark: &mut Hark, heard: &RecognisedTrack) -> Result<()> {
        let filing = self.file(heard.stimulus(), &mut hark.filed);
        let Some(job) = &self.job else { return Ok(()) };
        let kept = heard.begin(&job.store()?, &filing)?;
        let thread = std::thread::Builder::new().name("session-heard".to_owned());
        let thread = thread
            .spawn(move || kept.reading().map(|reading| (kept, reading)))
            .map_err(|error| Error::measurement(format!("The reading could not be computed: {error}")))?;
        hark.computing.push_back(thread);
        Ok(())
    }

    /// Keeps what was computed, and tells it.
    fn take_heard(
        &mut self,
        thread: Option<JoinHandle<Result<(Excerpt, Reading)>>>,
        more: bool,
    ) -> Result<()> {
        let Some(thread) = thread else { return Ok(()) };
        let broken = || Error::measurement("The measurement broke off. The recording is kept in the job.");
        let (kept, reading) = thread.join().map_err(|_| broken())??;
        let stopped = reading.stopped().map(|finding| finding.text.clone());
        let (change, captured) = kept.done(reading);
        let label = captured.label;
        self.note(change)?;
        self.changed = true;
        match stopped {
            Some(text) => {
                self.cue("No result", false);
                self.sound(Sound::Refused);
                self.notice(text, false);
            }
            None => {
                self.sound(if more { Sound::Done } else { Sound::AllDone });
                self.cue(format!("{label} done"), true);
            }
        }
        self.found()
    }

    /// The stream has ended: the simulated car plays the next track.
    fn harked(&mut self, hark: Hark) -> Result<()> {
        self.changed = true;
        self.send_live(view::Live::default());
        let heard = self.captures.iter().count();
        for thread in hark.computing {
            self.take_heard(Some(thread), true)?;
        }
        for finding in hark.capture.finish().findings {
            self.notice(finding.text, false);
        }
        let simulated = self.bench.as_ref().is_some_and(|bench| bench.car().is_some());
        let any = self.captures.iter().count() > heard;
        // When all are measured the orders begin anew, and nobody wants that here.
        if simulated && any && self.left_to_hear() && self.choices.go_on {
            return self.hark_with(hark.listening, hark.filed);
        }
        Ok(())
    }

    /// Whether the open stage has something that has not been measured.
    fn left_to_hear(&self) -> bool {
        match self.face.stage {
            view::Stage::Drivers => {
                let (measured, of, _) = self.drivers_result();
                measured < of && self.choices.driver.is_none()
            }
            view::Stage::Tune => !self.places_open().is_empty(),
            _ => false,
        }
    }

    /// Ends listening; what is being computed is waited for and kept.
    pub(super) fn stop_harking(&mut self, hark: Hark) {
        hark.capture.stop();
        self.send_live(view::Live::default());
        for thread in hark.computing {
            if let Err(error) = self.take_heard(Some(thread), false) {
                self.notice(error.to_string(), false);
            }
        }
        drop(hark.capture.finish());
    }
}

impl Hark {
    pub(super) fn activity(&self) -> Activity {
        let now_s = self.listening.elapsed_s();
        match &self.playing {
            Some((track, from_s, to_s)) => Activity::Running {
                title: format!("{track} is being played"),
                detail: format!("{:.0} s to go; it is measured when it is over", (to_s - now_s).max(0.0)),
                #[expect(clippy::cast_possible_truncation, reason = "a share of 1")]
                progress: Some(((now_s - from_s) / (to_s - from_s)).clamp(0.0, 1.0) as f32),
            },
            None if !self.computing.is_empty() => Activity::Running {
                title: "Measuring what was heard".to_owned(),
                detail: "the next track may be played".to_owned(),
                progress: None,
            },
            None => Activity::Running {
                title: "Listening for a track".to_owned(),
                detail: self.next.clone(),
                progress: None,
            },
        }
    }
}

fn next_text(order: &Order) -> String {
    let track = order.plan.stimulus.as_ref().map(|stimulus| stimulus.name.as_str()).unwrap_or_default();
    let track = if track.is_empty() { String::new() } else { format!(", track {track}") };
    format!("Next: {}{track}. Press Space when all are heard.", order.plan.label)
}

/// A track as a person plays it: some time after the listening began.
fn between_pauses(stimulus: Stimulus) -> Stimulus {
    let mut segments = vec![Segment::silence(PAUSE_S.0)];
    segments.extend(stimulus.segments);
    segments.push(Segment::silence(PAUSE_S.1));
    Stimulus { name: stimulus.name, segments }
}
