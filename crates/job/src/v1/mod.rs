//! Version 1 of the files on disk.
//!
//! These types are the form of the files and nothing else: they change only
//! together with `docs/formats.md` and, once released, only by a new version
//! beside this one. Each converts by hand to and from what the program works
//! with. Keys that are not known are errors: a file that says more than is
//! understood would lose it at the next save.

mod capture;
mod job;
mod number;
mod reading;
mod stimulus;
#[cfg(test)]
mod tests;

pub(crate) use capture::CaptureV1;
pub(crate) use job::JobV1;
pub(crate) use number::{Number, VersionOne, numbers, plain};
pub(crate) use reading::{FindingV1, ReadingFileV1};
pub(crate) use stimulus::StimulusV1;
