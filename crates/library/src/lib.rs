//! What a person names, by file or by preset, and where their things lie.
//!
//! Everything that reads a response, a target, a processor profile or a calibration for a
//! person comes here, so that a name means the same everywhere and a mistake in a file is
//! described in one way. [`Error`] is the message that a person gets when something cannot
//! be done: what was wrong, and what to do.

mod error;
pub mod files;
pub mod place;
mod presets;
mod remembered;
mod responses;
pub mod targets;

pub use error::{Error, Fault, Result};
pub use presets::{calibration, profile, target, text};
pub use remembered::{Remembered, RememberedJob, RememberedLook, RememberedRig};
pub use responses::{
    NamedResponse, is_part_of_job, named_response, named_responses, reading_response, response, responses,
};
