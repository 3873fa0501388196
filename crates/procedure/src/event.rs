//! What a procedure and those who look at it tell each other.

use std::path::PathBuf;

use engine::InputMeter;
use job::CaptureId;
use measure::{Finding, Reading, Stimulus};
use project::Change;
use tuning::Response;

use crate::preview::PreviewTuning;
use crate::sweep_now::SweepNow;

/// What a procedure is told while it runs. To stop is no instruction: that is the switch's.
#[derive(Debug, Clone, PartialEq)]
pub enum Instruction {
    /// Go on: what waits for a person begins, and what only a person ends (a volume sweep, a level
    /// that is watched) has come to its end.
    Continue,
    /// Leave out this part, and go on with the next.
    Skip,
    /// Another tuning for a preview.
    Tuning(Box<PreviewTuning>),
    /// Whether the bands are left out of what is heard.
    Bypass(bool),
    /// The other of the two ways to hear it.
    Switch,
    /// What the person reads from a meter, in volts RMS.
    Meter(f64),
}

/// What only a hand can do.
#[derive(Debug, Clone, PartialEq)]
pub enum Request {
    /// Connect the input to this output and turn the volume low: a tone begins, and the volume is
    /// then to be raised step by step.
    RaiseVolume {
        /// The output.
        output: String,
        /// The tone.
        tone_hz: f64,
    },
    /// Connect the input to this output, and set the volume to this step where one is named.
    Connect {
        /// The output.
        output: String,
        /// The volume step.
        step: Option<i64>,
    },
    /// Let the engine run at this speed, 0 for a standing one, with nothing playing.
    EngineSpeed {
        /// In turns a minute.
        rpm: f64,
    },
    /// Put the microphone there.
    MoveMicrophone {
        /// The place.
        position: String,
    },
    /// Let nothing but this sound.
    SoundAlone {
        /// The driver, or the side.
        what: String,
    },
    /// Play this track.
    PlayTrack {
        /// The track.
        track: String,
    },
    /// Nothing but time: to shut a door, to take a place.
    GetReady,
}

/// How the person does what only a hand can do. What is asked of a simulated car is done by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Hand {
    /// It is done already.
    Ready,
    /// They say so: [`Instruction::Continue`].
    Confirms,
    /// They have so long, unless they say so earlier.
    CountsDown {
        /// How long.
        seconds: f64,
    },
    /// The same, of a simulated car as well: so that a person sees what comes.
    SeesIt {
        /// How long.
        seconds: f64,
    },
}

/// An A-weighted level, the microphone's own response taken off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelA {
    /// A sine of full scale has 0.
    pub dbfs: f64,
    /// The same as sound pressure, where the microphone is calibrated.
    pub spl_db: Option<f64>,
}

/// What happens while a procedure runs.
#[expect(clippy::large_enum_variant, reason = "one event is on its way at a time, and it is moved once")]
#[derive(Debug, Clone)]
pub enum Event {
    /// Something is asked of the person; without `by_hand` the simulated car does it by itself.
    Asked {
        /// What.
        request: Request,
        /// Whether somebody has to do it.
        by_hand: bool,
    },
    /// It begins by itself in so many seconds.
    Countdown {
        /// What the person does meanwhile.
        request: Request,
        /// How many are left.
        seconds: u32,
    },
    /// A capture begins.
    Began {
        /// What it is called.
        label: String,
        /// Which one it is of those in a row, from 0, and of how many.
        place: (usize, usize),
        /// What is played.
        stimulus: Option<Stimulus>,
    },
    /// How far something is, from 0 to 1, where that is known.
    Progress {
        /// What.
        what: String,
        /// How far.
        share: Option<f64>,
    },
    /// How loud the inputs are, at least ten times a second while samples come in.
    Level {
        /// Since the capture began.
        elapsed_s: f64,
        /// The input that is measured.
        input: usize,
        /// All inputs.
        meters: Vec<InputMeter>,
        /// How loud the measured input was, block by block, since the last time.
        blocks: Vec<BlockLevel>,
    },
    /// What a volume sweep shows.
    Step(SweepNow),
    /// A track is being played.
    Recognised {
        /// Its name.
        track: String,
        /// When it began, in seconds of listening.
        from_s: f64,
        /// When it will be over.
        to_s: f64,
    },
    /// A recording is kept outside any job.
    Recording(PathBuf),
    /// A capture has its reading.
    Captured(Captured),
    /// What is heard of a preview has changed.
    Heard {
        /// When, since it began.
        at_s: f64,
        /// Whether the bands are on.
        with: bool,
    },
    /// What a preview's microphone hears, as a curve that follows.
    Spectrum {
        /// Whether the bands are on.
        with: bool,
        /// Its level per octave.
        response: Response,
        /// How loud it has been this way: the number by which the two ways are matched.
        level_a: Option<LevelA>,
    },
    /// A remark for the person, now.
    Finding(Finding),
    /// Something for the project to note. The procedure owns what it measured; where a capture belongs is
    /// noted when it begins, and is the project's from then on.
    Change(Change),
}

/// How loud the measured input was in one block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlockLevel {
    /// The middle of the block.
    pub at_s: f64,
    /// The mean of the squared samples.
    pub mean_square: f64,
}

/// A capture that has ended, with its reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Captured {
    /// Its number in the job, if it is kept in one.
    pub id: Option<CaptureId>,
    /// What it was called when it began.
    pub label: String,
    /// The input that was measured, from 0.
    pub input: usize,
    /// What was found.
    pub reading: Reading,
    /// Whether it was stopped before its end.
    pub interrupted: bool,
    /// The recording, when no job keeps it.
    pub recording: Option<PathBuf>,
}
