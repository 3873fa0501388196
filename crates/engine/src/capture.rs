//! A capture that is under way.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::meter::Meters;
use crate::{ClockRatio, EngineFinding, InputMeter, RunToken};

/// One stretch of captured samples, a row per input of the rig, all of one length.
#[derive(Debug, Clone, PartialEq)]
pub struct CapturedBlock {
    /// The number of the first frame; lost frames are counted too.
    pub first_frame: u64,
    /// The samples of each input.
    pub channels: Vec<Vec<f32>>,
    /// Whether samples were lost before this block.
    pub gap: bool,
}

/// A place where samples are missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// Where.
    pub at_frame: u64,
    /// How many frames.
    pub frames: u64,
}

/// How a capture ended.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureEnd {
    /// How many frames were recorded, lost ones included.
    pub frames: u64,
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// How many inputs.
    pub channels: usize,
    /// The file that holds it all.
    pub recorded_to: Option<PathBuf>,
    /// Where samples are missing.
    pub gaps: Vec<Gap>,
    /// The recorder's clock against the player's, where both ran long enough to tell.
    pub clock: Option<ClockRatio>,
    /// What happened on the way.
    pub findings: Vec<EngineFinding>,
}

/// The answer of [`Capture::next_within`].
#[derive(Debug, Clone, PartialEq)]
pub enum Next {
    /// Samples.
    Block(CapturedBlock),
    /// Nothing yet.
    NotYet,
    /// The capture is over; [`Capture::finish`] tells how.
    Over,
}

/// What a running capture and its owner tell each other.
#[derive(Debug, Default)]
pub(crate) struct Control {
    stop: AtomicBool,
    /// The run that the capture belongs to.
    run: Option<RunToken>,
    /// Whether it was said that the callbacks of this rig run without priority.
    pub(crate) priority_told: Arc<AtomicBool>,
    pub(crate) frames: AtomicU64,
    /// Whether the quiet approach to a new level is still being played.
    pub(crate) approaching: AtomicBool,
    /// Whether it was heard to its end.
    pub(crate) approached: AtomicBool,
}

impl Control {
    /// For a capture of this run; `priority_told` belongs to the rig.
    pub(crate) fn of(run: Option<RunToken>, priority_told: &Arc<AtomicBool>) -> Self {
        Self { run, priority_told: Arc::clone(priority_told), ..Self::default() }
    }

    /// Asks the capture to end.
    fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Whether the capture, or the run that it belongs to, was stopped.
    pub(crate) fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed) || self.run.as_ref().is_some_and(RunToken::is_stopped)
    }
}

/// Stops a capture from anywhere.
#[derive(Debug, Clone)]
pub struct Stopper(Arc<Control>);

impl Stopper {
    /// Fades the output out within one buffer and ends the capture.
    pub fn stop(&self) {
        self.0.stop();
    }
}

/// A rig that computes a block whenever one is asked for.
pub(crate) trait Pull: Send {
    /// The next block, or nothing when it is over.
    fn pull(&mut self) -> Option<CapturedBlock>;
    /// How it ended.
    fn end(self: Box<Self>) -> CaptureEnd;
}

/// Where the blocks come from.
pub(crate) enum Source {
    /// A thread that runs by itself, and its blocks.
    Thread(JoinHandle<CaptureEnd>, Receiver<CapturedBlock>),
    /// Work that is done as it is asked for.
    Pull(Box<dyn Pull>),
}

/// A capture that is under way. Dropping it stops it.
pub struct Capture {
    source: Option<Source>,
    control: Arc<Control>,
    meters: Arc<Meters>,
    endless: bool,
}

impl std::fmt::Debug for Capture {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Capture").field("control", &self.control).finish_non_exhaustive()
    }
}

impl Capture {
    pub(crate) fn new(source: Source, control: Arc<Control>, meters: Arc<Meters>, endless: bool) -> Self {
        Self { source: Some(source), control, meters, endless }
    }

    /// Waits for the next block; nothing when the capture is over.
    ///
    /// Every sample is on its way to disk before it is seen here. Whoever asks too slowly
    /// misses blocks (the next one has `gap` set, and a finding says so) but the recording is
    /// complete; a simulated rig at full speed waits instead.
    pub fn next_block(&mut self) -> Option<CapturedBlock> {
        match self.source.as_mut()? {
            Source::Thread(_, blocks) => blocks.recv().ok(),
            Source::Pull(work) => work.pull(),
        }
    }

    /// Waits for the next block for so long at most.
    pub fn next_within(&mut self, limit: Duration) -> Next {
        match self.source.as_mut() {
            Some(Source::Thread(_, blocks)) => match blocks.recv_timeout(limit) {
                Ok(block) => Next::Block(block),
                Err(RecvTimeoutError::Timeout) => Next::NotYet,
                Err(RecvTimeoutError::Disconnected) => Next::Over,
            },
            Some(Source::Pull(work)) => work.pull().map_or(Next::Over, Next::Block),
            None => Next::Over,
        }
    }

    /// Fades the output out within one buffer and ends the capture. What is on its way still
    /// comes as blocks.
    pub fn stop(&self) {
        self.stopper().stop();
    }

    /// A handle that stops this capture from another thread.
    #[must_use]
    pub fn stopper(&self) -> Stopper {
        Stopper(Arc::clone(&self.control))
    }

    /// The levels of all inputs at the moment.
    #[must_use]
    pub fn meters(&self) -> Vec<InputMeter> {
        self.meters.read()
    }

    /// How many frames were recorded so far.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.control.frames.load(Ordering::Relaxed)
    }

    /// Whether the quiet approach to a new level is still being played; nothing is
    /// recorded meanwhile.
    #[must_use]
    pub fn is_approaching(&self) -> bool {
        self.control.approaching.load(Ordering::Relaxed)
    }

    /// Waits for the end and sums up. A capture without an end of its own is stopped.
    /// Blocks that were not asked for are dropped; they are in the recording.
    #[must_use]
    pub fn finish(mut self) -> CaptureEnd {
        if self.endless {
            self.stop();
        }
        self.end().unwrap_or_else(|| unreachable!("only `finish` and `drop` take the source"))
    }

    fn end(&mut self) -> Option<CaptureEnd> {
        match self.source.take()? {
            Source::Thread(thread, blocks) => {
                blocks.iter().for_each(drop);
                match thread.join() {
                    Ok(end) => Some(end),
                    Err(panic) => std::panic::resume_unwind(panic),
                }
            }
            Source::Pull(mut work) => {
                while work.pull().is_some() {}
                Some(work.end())
            }
        }
    }
}

impl Drop for Capture {
    fn drop(&mut self) {
        self.control.stop();
        if !std::thread::panicking() {
            self.end();
        }
    }
}
