//! The files on disk: their envelopes, their versions, and what older versions said otherwise.
//!
//! Version 2 only adds to version 1, so one reader reads both and only what differs is
//! mirrored here. A change here is a change of `docs/formats.md` and, once released, a new
//! version. Keys that are not known are errors: a file that says more than is
//! understood would lose it at the next save.

mod capture;
mod job;
mod number;
mod reading;
mod stimulus;
#[cfg(test)]
mod tests;

pub(crate) use capture::CaptureFile;
pub(crate) use job::JobFile;
pub(crate) use number::{Number, Version, numbers, plain};
pub(crate) use reading::{FindingV1, ReadingFile};
pub(crate) use stimulus::StimulusV1;
