//! Listening: tracks are recognised as they play, and each is measured when it is over, without a
//! key pressed. One is computed while the next is heard.

use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel};
use std::thread::JoinHandle;

use engine::{CaptureRequest, Length, Next, Play};
use job::Set;
use library::{Error, Result, place};
use measure::{Finding, Reading, Segment, Stimulus};
use measurements::signals;
use rig::InputRole;
use serde::Serialize;

use crate::capture::{TELL_EVERY, WAIT};
use crate::capture_run::interruption;
use crate::excerpt::{CaptureContext, Excerpt, Placement};
use crate::session::Session;
use crate::track_listener::{ListenEvent, RecognisedTrack, TrackListener};
use crate::{BlockLevel, Event, Instruction};

/// What is listened for, and for how long.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ListenOrder {
    /// The input, from 0; by default the microphone's.
    pub input: Option<usize>,
    /// The set that the captures belong to.
    pub set: Option<Set>,
    /// It ends after so many tracks; 0 for no end.
    pub tracks: usize,
    /// It ends after so long, whatever was heard.
    pub seconds: Option<f64>,
    /// What the rig itself plays, one after another; a simulated car has nobody else
    /// to play something.
    pub play: Vec<Stimulus>,
}

/// A track that was heard, with its reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ListenedTrack {
    /// Its name.
    pub track: String,
    /// When it began, in seconds of listening.
    pub from_s: f64,
    /// When it was over.
    pub to_s: f64,
    /// Its number in the job, where it is kept in one.
    pub capture: Option<u32>,
    /// What was found.
    pub reading: Reading,
}

/// How long is waited between two tracks that the rig plays itself.
const PAUSE_S: f64 = 2.0;

/// How long is listened after the last of them, so that its end is recognised.
const AFTERWARDS_S: f64 = 4.0;

/// Waits for tracks and measures each when it is over, until the person says that it is enough
/// ([`Instruction::Continue`]), as many were heard as were asked for, or it is stopped. What is being
/// computed then is waited for and kept. `take` gets each as soon as it is measured, and nothing of it stays here, so
/// that it can go on for hours. What comes back are remarks.
///
/// # Errors
/// When the rig refuses, or the job cannot be written.
pub fn listen(
    session: &mut Session<'_>,
    order: &ListenOrder,
    take: &mut dyn FnMut(ListenedTrack),
) -> Result<Vec<Finding>> {
    let rig = &*session.rig;
    let (rate_hz, inputs) = (rig.spec().sample_rate_hz, rig.spec().inputs.len());
    let input = order.input.or_else(|| rig.input(InputRole::Microphone)).unwrap_or(0);
    let context = CaptureContext {
        channel: input,
        reference_channel: rig.input(InputRole::Loopback),
        calibration: rig.calibration(input),
        set: order.set.clone(),
        rig: rig.spec().name.clone(),
    };
    session.emit(Event::Progress { what: "Getting ready to listen".to_owned(), share: None });
    // What all tracks sound like is computed, which takes a moment.
    let mut listener = TrackListener::new(rate_hz, inputs, context);
    let (play, length) = programme(order, f64::from(rate_hz));
    // What a real car sounded like cannot be had again, so all of it goes to disk first.
    let record_to = (!session.rig.is_simulated()).then(|| place::loose_recording("listen")).transpose()?;
    if let Some(path) = &record_to {
        session.emit(Event::Recording(path.clone()));
    }
    let mut helper = Helper::new()?;
    let request = CaptureRequest { play, length, record_to, run: Some(session.token.clone()) };
    let mut capture = session.rig.capture(request)?;
    session.emit(Event::Progress { what: "Listening for a track".to_owned(), share: None });
    let mut ticker = session.ticker(TELL_EVERY);
    let (mut whole, mut ending) = (0, false);
    loop {
        let (events, over) = match capture.next_within(WAIT) {
            Next::Block(block) if !ending => {
                let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
                (listener.feed(&channels), false)
            }
            Next::Block(_) | Next::NotYet => (Vec::new(), false),
            Next::Over if ending => (Vec::new(), true),
            Next::Over => (listener.end(), true),
        };
        for event in events {
            match event {
                ListenEvent::Playing { track, from_s, to_s } => {
                    session.emit(Event::Recognised { track, from_s, to_s });
                }
                ListenEvent::Cut(finding) => session.emit(Event::Finding(finding)),
                ListenEvent::Whole(recognised) => {
                    whole += 1;
                    helper.compute(session, *recognised)?;
                }
            }
        }
        for done in helper.done() {
            take(noted(session, done)?);
        }
        if over {
            break;
        }
        if ticker.is_due(listener.elapsed_s()) {
            let elapsed_s = listener.elapsed_s();
            let blocks: Vec<BlockLevel> = Vec::new();
            session.emit(Event::Level { elapsed_s, input, meters: capture.meters(), blocks });
        }
        let enough = order.tracks > 0 && whole >= order.tracks;
        if !ending
            && (enough || matches!(session.instruction(), Some(Instruction::Continue | Instruction::Skip)))
        {
            ending = true;
            capture.stop();
        }
    }
    let end = capture.finish();
    for finding in end.findings.iter().map(rig::finding) {
        session.emit(Event::Finding(finding));
    }
    for done in helper.rest() {
        take(noted(session, done)?);
    }
    Ok(if session.is_stopped() && !ending { vec![interruption()] } else { Vec::new() })
}

/// Has the reading of a track noted.
fn noted(session: &mut Session<'_>, done: Done) -> Result<ListenedTrack> {
    let Done { task, reading } = done;
    let reading = match reading {
        Ok(reading) => reading,
        Err(error) => {
            if let Some(excerpt) = task.excerpt {
                session.change(excerpt.interrupted());
            }
            return Err(error);
        }
    };
    let capture = task.excerpt.map(|excerpt| {
        let (change, captured) = excerpt.done(reading.clone());
        session.change(change);
        let id = captured.id;
        session.emit(Event::Captured(captured));
        id
    });
    let RecognisedTrack { track, from_s, to_s, .. } = task.recognised;
    Ok(ListenedTrack { track, from_s, to_s, capture: capture.flatten().map(|id| id.0), reading })
}

/// What the rig plays meanwhile, and when listening ends by itself.
fn programme(order: &ListenOrder, sample_rate_hz: f64) -> (Play, Length) {
    let until = order.seconds.map_or(Length::UntilStopped, Length::Seconds);
    if order.play.is_empty() {
        return (Play::Nothing, until);
    }
    let mut segments = vec![Segment::silence(PAUSE_S)];
    for track in &order.play {
        segments.extend(track.segments.iter().cloned());
        segments.push(Segment::silence(PAUSE_S));
    }
    let programme = Stimulus { name: "programme".to_owned(), segments };
    let length = match until {
        Length::UntilStopped => Length::Playback { tail_s: AFTERWARDS_S },
        until => until,
    };
    (Play::Once(signals::render_stereo(&programme, sample_rate_hz).into()), length)
}

/// A track that is to be computed; with its excerpt where a job keeps it.
struct Task {
    recognised: RecognisedTrack,
    excerpt: Option<Excerpt>,
}

/// A track that was computed.
struct Done {
    task: Task,
    reading: Result<Reading>,
}

/// Computes one track after the other on a thread of its own, while the next one is heard.
struct Helper {
    tasks: Option<SyncSender<Task>>,
    results: Receiver<Done>,
    thread: Option<JoinHandle<()>>,
}

impl Helper {
    /// So many tracks may wait: more than anybody plays while one is computed.
    const MOST: usize = 64;

    fn new() -> Result<Self> {
        let (tasks, inbox) = sync_channel::<Task>(Self::MOST);
        let (outbox, results) = sync_channel(Self::MOST);
        let thread = std::thread::Builder::new().name("procedure-compute".to_owned());
        let thread = thread
            .spawn(move || {
                for task in inbox {
                    let reading = match &task.excerpt {
                        Some(excerpt) => excerpt.reading(),
                        None => task.recognised.reading(),
                    };
                    if outbox.send(Done { task, reading }).is_err() {
                        break;
                    }
                }
            })
            .map_err(|error| Error::measurement(format!("no thread could be started: {error}")))?;
        Ok(Self { tasks: Some(tasks), results, thread: Some(thread) })
    }

    /// Writes a track to disk, where a job keeps it, and has it computed.
    fn compute(&mut self, session: &mut Session<'_>, mut recognised: RecognisedTrack) -> Result<()> {
        let place = Placement::named(&recognised.track);
        let excerpt = match session.store.captures()? {
            Some(store) => Some(recognised.begin(&store, &place)?),
            None => None,
        };
        if let Some(excerpt) = &excerpt {
            // Many may wait where the machine has other work.
            recognised.forget_audio();
            session.change(excerpt.begun());
        }
        if let Some(tasks) = &self.tasks {
            // The thread takes tasks until this sender is dropped.
            let _ = tasks.send(Task { recognised, excerpt });
        }
        Ok(())
    }

    /// What has been computed since.
    fn done(&self) -> Vec<Done> {
        let mut done = Vec::new();
        loop {
            match self.results.try_recv() {
                Ok(one) => done.push(one),
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => return done,
            }
        }
    }

    /// Waits for all that is left.
    fn rest(mut self) -> VecDeque<Done> {
        drop(self.tasks.take());
        let rest = self.results.iter().collect();
        if let Some(Err(panic)) = self.thread.take().map(JoinHandle::join) {
            std::panic::resume_unwind(panic);
        }
        rest
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Trial;
    use crate::{Change, OpenJob, Store};

    fn order(tracks: &[&str]) -> ListenOrder {
        ListenOrder {
            tracks: tracks.len(),
            play: tracks.iter().map(|name| signals::track(name).expect("a track")).collect(),
            ..ListenOrder::default()
        }
    }

    /// Two tracks in one go, into a job: each is announced, kept with its audio, computed, and noted in
    /// the order in which they were played.
    #[test]
    fn tracks_are_measured_in_their_order_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let mut job = OpenJob::open_or_create(&folder.path().join("job")).unwrap();
        let mut trial = Trial::car("");
        trial.store = Store::Job(job.store().unwrap());
        let mut names = Vec::new();
        let mut take = |heard: ListenedTrack| names.push(heard.track);
        let findings =
            trial.run(|session| listen(session, &order(&["polarity", "sweep-high"]), &mut take)).unwrap();
        assert_eq!(names, ["polarity", "sweep-high"]);
        assert!(findings.is_empty(), "{findings:?}");
        let recognised =
            trial.events.iter().filter(|event| matches!(event, Event::Recognised { .. })).count();
        assert_eq!(recognised, 2);
        for change in trial.changes() {
            job.apply(change.clone()).unwrap();
        }
        let kept: Vec<&str> = job.job().captures().iter().map(|one| one.meta.label.as_str()).collect();
        assert_eq!(kept, ["polarity", "sweep-high"]);
        assert!(job.job().captures().iter().all(|one| job.job().audio_path(one.id).is_file()));
    }

    /// A stop while the first track is playing: nothing was heard to its end, and it is said so.
    #[test]
    fn a_stop_ends_listening_and_what_was_heard_is_kept() {
        let mut trial = Trial::car("");
        trial.stop_after = Some(60);
        let mut take = |heard: ListenedTrack| panic!("{} was heard to its end", heard.track);
        let findings = trial.run(|session| listen(session, &order(&["sweep-high"]), &mut take)).unwrap();
        assert_eq!(findings[0].code, "interrupted");
        assert!(!trial.changes().any(|change| matches!(change, Change::CaptureDone { .. })));
    }
}
