//! What is under way, as it is known while it runs.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::SyncSender;
use std::time::Instant;

use library::{Error, Result};
use procedure::{Instruction, LevelA, PreviewTuning};
use tuning::Response;
use view::Activity;

use super::live::Trace;

/// What is under way.
pub(super) enum Work {
    /// A procedure on its worker.
    Procedure(Box<Running>),
    /// Something is being computed.
    Computing(Computing),
}

/// Which procedure it is, with what is known of it so far.
pub(super) enum Doing {
    /// Captures, one after the other.
    Capturing,
    /// The volume is raised, output by output.
    Sweeping,
    /// A tone is heard until a meter was read.
    Calibrating,
    /// Tracks are waited for.
    Listening(Listening),
    /// A tuning is heard; nothing is kept.
    Previewing(Box<Previewing>),
    /// The tune of the whole car is searched for.
    Tuning,
    /// An input is watched; nothing is kept.
    Watching {
        /// Whether it is said how far an amplifier is still to be turned.
        gain: bool,
    },
    /// Every input of the interface shows its level.
    Trying {
        /// Their channels.
        channels: Vec<u16>,
    },
    /// A recording is searched for tracks.
    Importing {
        /// Its name.
        file: String,
        /// The captures that were made of it.
        found: usize,
    },
}

/// What a capture is called while it is made, for people.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Heading {
    /// What comes: "Driver 2 of 7: left-mid".
    pub(super) title: String,
    /// What the person does before it.
    pub(super) hint: String,
    /// What happens meanwhile.
    pub(super) detail: String,
}

/// A procedure that runs.
pub(super) struct Running {
    pub(super) doing: Doing,
    pub(super) inbox: SyncSender<Instruction>,
    /// What the captures of the run are called, and which of them is next or under way.
    pub(super) headings: Vec<Heading>,
    pub(super) at: usize,
    /// The seconds that are left to shut a door.
    pub(super) countdown: Option<u32>,
    /// How far the capture is, and how long it takes.
    pub(super) share: Option<f64>,
    pub(super) elapsed_s: f64,
    pub(super) trace: Trace,
    /// Whether it was said that the input's limit is near.
    pub(super) warned: bool,
}

impl Running {
    /// Tells the procedure something; whether there was room.
    pub(super) fn say(&self, instruction: Instruction) -> bool {
        self.inbox.try_send(instruction).is_ok()
    }

    pub(super) fn heading(&self) -> Heading {
        self.headings.get(self.at).cloned().unwrap_or_default()
    }

    /// What a person sees of it when they look again.
    pub(super) fn seen(&self) -> (usize, Option<u32>, u32) {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share, or seconds")]
        let shown = self.share.map_or(self.elapsed_s, |share| 100.0 * share) as u32;
        (self.at, self.countdown, shown)
    }
}

/// What is done with something that was computed, or when a procedure has ended.
pub(super) type Outcome<App> = Box<dyn FnOnce(&mut App) -> Result<()> + Send>;

/// The questions that are on their way.
#[derive(Debug, Default)]
pub(super) struct Questions {
    /// How many have no answer yet.
    pub(super) open: usize,
    /// Whether one of them is what the open stage offers first, and is still wanted.
    pub(super) start: bool,
}

/// A computation on a thread of its own.
pub(super) struct Computing {
    pub(super) task: Task,
    pub(super) began: Instant,
    /// For how many seconds it has been computed, as it is shown.
    pub(super) shown_s: u64,
}

/// What is computed, for people.
pub(super) struct Task {
    pub(super) title: String,
    pub(super) detail: &'static str,
}

/// What comes of work on another thread; a fault of the program there ends the work and not the app.
pub(super) fn unbroken<T>(work: impl FnOnce() -> Result<T>) -> Result<T> {
    let broken =
        "This broke off, by a fault of the program. What was recorded is kept, and nothing else was changed.";
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| Err(Error::measurement(broken)))
}

/// Nothing is left to be done when it has ended.
pub(super) fn nothing_more<App>() -> Outcome<App> {
    Box::new(|_| Ok(()))
}

/// What is known of a run that listens.
#[derive(Debug, Default)]
pub(super) struct Listening {
    /// What it does, as the procedure says.
    pub(super) what: String,
    /// The track that is being played, from when to when.
    pub(super) playing: Option<(String, f64, f64)>,
    /// How many tracks were measured.
    pub(super) heard: usize,
    /// What comes next, as a person reads it.
    pub(super) next: String,
}

impl Listening {
    pub(super) fn activity(&self, now_s: f64) -> Activity {
        let Some((track, from_s, to_s)) = &self.playing else {
            return Activity::Running { title: self.what.clone(), detail: self.next.clone(), progress: None };
        };
        Activity::Running {
            title: format!("{track} is being played"),
            detail: format!("{:.0} s to go; it is measured when it is over", (to_s - now_s).max(0.0)),
            #[expect(clippy::cast_possible_truncation, reason = "a share of 1")]
            progress: Some(((now_s - from_s) / (to_s - from_s)).clamp(0.0, 1.0) as f32),
        }
    }
}

/// What is known of a preview that runs.
#[derive(Debug)]
pub(super) struct Previewing {
    /// Whether the bands are heard.
    pub(super) with: bool,
    /// The curves without the bands and with them, as far as they were heard.
    pub(super) curves: [Option<Response>; 2],
    /// How loud each way has been, by the number that is matched.
    pub(super) levels: [Option<LevelA>; 2],
    /// What the procedure was told last: the tuning, and whether its bands are on.
    pub(super) told: (PreviewTuning, bool),
}
