//! The job folder: one car's work as plain files that survive a power cut.
//!
//! A folder holds `job.json` (what was found, chosen and entered), one folder
//! per capture under `captures/` (`capture.json`, `audio.wav`, `reading.json`),
//! and `exports/` and `discarded/`. The exact form is in `docs/formats.md`.
//!
//! Invariants:
//!
//! - A file is replaced whole or not at all: [`write_atomically`].
//! - What a capture needs to be computed again is on disk before its first
//!   sample, so a crash costs at most the last moments of the audio.
//! - Nothing here deletes a recording. Discarding moves it, checking repairs it.
//! - The forms on disk (`v1`) are types of their own, converted by hand, so
//!   that a change in memory cannot change a file unnoticed.
//! - One process writes a job at a time; others may read it.
//! - Time stamps come from the caller; nothing here looks at a clock.

mod capture;
mod check;
mod data;
mod error;
mod folder;
mod job;
mod json;
mod list;
mod lock;
mod save;
mod stage;
mod store;
mod v1;

pub use capture::{Capture, CaptureId, CaptureMeta, CaptureState, Set};
pub use check::{Check, CheckLine, check};
pub use data::{
    Amplifier, AuditLine, Band, BandType, ChannelSetting, Crossover, Driver, Head, Intake, JobData,
    LeftAlone, NameOrText, Outcome, Source, SourceOutput, SourceUnit,
};
pub use error::JobError;
pub use job::Job;
pub use list::{Listed, list};
pub use save::write_atomically;
pub use stage::{Stage, StageResult, StageState};
pub use store::{CaptureStore, Pending};
