//! What every procedure works with: the rig, a place for recordings, a person, and a listener.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError};
use std::time::{Duration, Instant};

use engine::RunToken;
use job::{CaptureMeta, CaptureStore, Pending};
use library::{Result, place};
use rig::OpenRig;

use crate::{Change, Event, Hand, Instruction, Request};

/// What a procedure works with.
///
/// It owns the rig while it runs, and no job: audio goes into the [`Store`], and what is to be
/// noted goes out as an [`Event`]. Whoever runs it holds the switch of `token`.
pub struct Session<'a> {
    /// What plays and records.
    pub rig: &'a mut OpenRig,
    /// Where recordings go.
    pub store: Store,
    /// Says when to stop: the output fades at once, what was recorded is kept, and the result is
    /// as far as there is one.
    pub token: RunToken,
    /// What the person says meanwhile. A sender that is gone means that nobody will say anything.
    pub inbox: &'a Receiver<Instruction>,
    /// How the person does what only a person can.
    pub hand: Hand,
    /// Gets everything that happens, in order, on the procedure's own thread.
    pub on_event: &'a mut dyn FnMut(Event),
}

/// Where recordings go.
#[derive(Clone)]
pub enum Store {
    /// Into captures of a job.
    Job(CaptureStore),
    /// The same, of a job that is opened or made when there is something to keep: what is refused
    /// leaves no empty job behind.
    WhenNeeded(MakeStore),
    /// Into the person's folder of recordings. What a simulated car plays is not kept: it can be
    /// had again, to the bit.
    Loose,
    /// Nowhere; for a measurement of which nothing is to be kept.
    Nowhere,
}

/// Opens or makes the job, and gives its store.
pub type MakeStore = Arc<dyn Fn() -> Result<CaptureStore> + Send + Sync>;

/// Where one recording goes.
#[derive(Debug, Clone, Default)]
pub(crate) struct Kept {
    pub(crate) pending: Option<Pending>,
    pub(crate) loose: Option<PathBuf>,
}

impl Store {
    /// The captures of the job, where there is one.
    pub(crate) fn captures(&self) -> Result<Option<CaptureStore>> {
        match self {
            Self::Job(store) => Ok(Some(store.clone())),
            Self::WhenNeeded(make) => make().map(Some),
            Self::Loose | Self::Nowhere => Ok(None),
        }
    }

    /// Makes room for one recording.
    pub(crate) fn begin(&self, meta: &CaptureMeta, simulated: bool) -> Result<Kept> {
        if let Some(store) = self.captures()? {
            return Ok(Kept { pending: Some(store.begin(meta)?), loose: None });
        }
        let keeps = matches!(self, Self::Loose) && !simulated;
        let loose = keeps.then(|| place::loose_recording(&meta.measurement)).transpose()?;
        Ok(Kept { pending: None, loose })
    }
}

/// How a procedure goes on after it asked or waited.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Go {
    /// It goes on.
    On,
    /// This part is left out.
    Skip,
    /// All of it ends.
    Stop,
}

/// How long a procedure that waits for a person sleeps before it looks at the switch again.
const LOOK_EVERY: Duration = Duration::from_millis(20);

impl Session<'_> {
    /// Tells what happened.
    pub(crate) fn emit(&mut self, event: Event) {
        (self.on_event)(event);
    }

    /// Has something noted in the project.
    pub(crate) fn change(&mut self, change: Change) {
        self.emit(Event::Change(change));
    }

    /// Whether the run is to end.
    pub(crate) fn is_stopped(&self) -> bool {
        self.token.is_stopped()
    }

    /// What the person has said since, if anything.
    pub(crate) fn instruction(&self) -> Option<Instruction> {
        self.inbox.try_recv().ok()
    }

    /// The same, and whether nobody will ever say anything more.
    pub(crate) fn next_instruction(&self) -> (Option<Instruction>, bool) {
        match self.inbox.try_recv() {
            Ok(instruction) => (Some(instruction), false),
            Err(TryRecvError::Empty) => (None, false),
            Err(TryRecvError::Disconnected) => (None, true),
        }
    }

    /// Asks for what only a hand can do, and waits until it is done. A simulated car does it by
    /// itself and needs no time for it.
    pub(crate) fn ask(&mut self, request: &Request) -> Go {
        let by_hand = !self.rig.is_simulated();
        self.emit(Event::Asked { request: request.clone(), by_hand });
        match self.hand {
            _ if self.is_stopped() => Go::Stop,
            Hand::SeesIt { seconds } => self.wait(request, Some(seconds)),
            _ if !by_hand => Go::On,
            Hand::Ready => Go::On,
            Hand::Confirms => self.wait(request, None),
            Hand::CountsDown { seconds } => self.wait(request, Some(seconds)),
        }
    }

    /// Waits for a word of the person, or for so many seconds.
    pub(crate) fn wait(&mut self, request: &Request, seconds: Option<f64>) -> Go {
        let begun = Instant::now();
        let mut shown = None;
        loop {
            if self.is_stopped() {
                return Go::Stop;
            }
            if let Some(seconds) = seconds {
                let left_s = seconds - begun.elapsed().as_secs_f64();
                if left_s <= 0.0 {
                    return Go::On;
                }
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some seconds")]
                let whole = left_s.ceil() as u32;
                if shown != Some(whole) {
                    shown = Some(whole);
                    self.emit(Event::Countdown { request: request.clone(), seconds: whole });
                }
            }
            match self.inbox.recv_timeout(LOOK_EVERY) {
                Ok(Instruction::Continue) => return Go::On,
                Ok(Instruction::Skip) => return Go::Skip,
                Ok(_) | Err(RecvTimeoutError::Timeout) => {}
                // Nobody will ever say that it is done.
                Err(RecvTimeoutError::Disconnected) if seconds.is_none() => return Go::On,
                Err(RecvTimeoutError::Disconnected) => std::thread::sleep(LOOK_EVERY),
            }
        }
    }
}

/// Tells when it is time to look: by the clock, or by the samples of a simulation that runs faster.
#[derive(Debug)]
pub(crate) struct Ticker {
    every: Duration,
    looked: Instant,
    looked_s: f64,
    by_the_clock: bool,
}

impl Ticker {
    pub(crate) fn new(every: Duration, by_the_clock: bool) -> Self {
        Self { every, looked: Instant::now(), looked_s: 0.0, by_the_clock }
    }

    /// Whether it is time, so many seconds of samples after the beginning.
    pub(crate) fn is_due(&mut self, elapsed_s: f64) -> bool {
        let due = if self.by_the_clock {
            self.looked.elapsed() >= self.every
        } else {
            elapsed_s - self.looked_s >= self.every.as_secs_f64()
        };
        if due {
            (self.looked, self.looked_s) = (Instant::now(), elapsed_s);
        }
        due
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::Trial;

    fn countdowns(trial: &Trial) -> Vec<u32> {
        let shown = trial.events.iter().filter_map(|event| match event {
            Event::Countdown { seconds, .. } => Some(*seconds),
            _ => None,
        });
        shown.collect()
    }

    #[test]
    fn a_countdown_is_shown_second_by_second_and_then_it_begins() {
        let mut trial = Trial::car("");
        let begun = Instant::now();
        let go = trial.run(|session| session.wait(&Request::GetReady, Some(1.2)));
        assert_eq!(go, Go::On);
        assert!((1.2..2.5).contains(&begun.elapsed().as_secs_f64()));
        assert_eq!(countdowns(&trial), [2, 1]);
    }

    #[test]
    fn a_person_begins_at_once_or_leaves_out() {
        for (said, wanted) in [(Instruction::Continue, Go::On), (Instruction::Skip, Go::Skip)] {
            for seconds in [None, Some(60.0)] {
                let mut trial = Trial::car("");
                // What means nothing here is dropped.
                trial.say(Instruction::Switch);
                trial.say(said.clone());
                let begun = Instant::now();
                assert_eq!(trial.run(|session| session.wait(&Request::GetReady, seconds)), wanted);
                assert!(begun.elapsed() < Duration::from_secs(5));
            }
        }
    }

    #[test]
    fn a_stop_ends_waiting_and_nobody_keeps_nobody_waiting() {
        let mut trial = Trial::car("");
        trial.stop_after = Some(1);
        assert_eq!(trial.run(|session| session.wait(&Request::GetReady, Some(60.0))), Go::Stop);
        // Without a person there is nobody who could say that it is done.
        assert_eq!(Trial::car("").run(|session| session.wait(&Request::GetReady, None)), Go::On);
    }

    /// A simulated car does what is asked by itself, whatever the hand; a person is told so.
    #[test]
    fn a_simulated_car_needs_no_hand() {
        let request = Request::MoveMicrophone { position: "left ear".to_owned() };
        let mut trial = Trial::car("");
        let go = trial.run(|session| {
            session.hand = Hand::CountsDown { seconds: 60.0 };
            session.ask(&request)
        });
        assert_eq!(go, Go::On);
        assert!(
            matches!(&trial.events[..], [Event::Asked { by_hand: false, request: asked }] if *asked == request)
        );
    }

    #[test]
    fn it_is_looked_by_the_clock_or_by_the_samples() {
        let mut samples = Ticker::new(Duration::from_millis(50), false);
        let due: Vec<bool> = [0.02, 0.05, 0.06, 0.11].map(|at_s| samples.is_due(at_s)).into();
        assert_eq!(due, [false, true, false, true]);
        let mut clock = Ticker::new(Duration::from_millis(20), true);
        assert!(!clock.is_due(1_000.0), "samples do not count");
        std::thread::sleep(Duration::from_millis(25));
        assert!(clock.is_due(1_000.0));
    }
}
