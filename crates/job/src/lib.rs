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
//! - Files of any older version are read for ever; the newest is written, and read back
//!   before it replaces the old one (`file`).
//! - One process writes a job at a time; others may read it.
//! - Time stamps come from the caller; nothing here looks at a clock.

mod capture;
mod capture_id;
mod check;
mod data;
mod error;
mod file;
mod folder;
mod from_tuning;
mod job;
mod json;
mod list;
mod lock;
mod results;
mod save;
mod seal;
mod sense;
mod setting;
mod stage;
mod store;

pub use capture::{Capture, CaptureMeta, CaptureState, Conditions, ImportSource, PlacedBy, Set};
pub use capture_id::CaptureId;
pub use check::{Check, CheckLine, check};
pub use data::{
    Amplifier, Choices, Driver, Head, Intake, JobData, Outcome, Source, SourceOutput, SourceUnit,
};
pub use error::JobError;
pub use job::Job;
pub use list::{Listed, list};
pub use results::{
    AuditLine, AuditRecord, Basis, ChannelAudit, ChannelFitRecord, ChannelTune, CrossoverTiming, Deviation,
    DriverTiming, EngineNoise, EngineNoiseLine, FitRecord, GainRecord, GainStageRecord, Judgement, LeftAlone,
    NoiseLevel, NoiseRecord, OutputDifference, OutputTone, PlaceError, SideDifference, SideError, SumTiming,
    TimingRecord, ToneChange, ToneRecord, TuneRecord,
};
pub use save::write_atomically;
pub use seal::sha256_of_file;
pub use setting::{ChannelSetting, Crossover, EnteredBand, PresetOrInline, ProcessorSetting};
pub use stage::{Stage, StageResult, StageState};
pub use store::{CaptureStore, Pending};
