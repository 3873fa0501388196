//! The project: what a job is while it is worked on, the one way in which it changes, and
//! what follows from it.
//!
//! - [`Project`] is plain data: what the job holds, and its captures with their readings.
//! - A [`Change`] is the only writer ([`Project::apply`]); each edit has an inverse, and
//!   [`History`] takes edits back and makes them again.
//! - What follows from a project is computed by pure functions in `derive`, each from its
//!   own inputs.
//!
//! Nothing here knows a file, a device, a clock or a thread. Whoever holds a job applies
//! the change first and saves it then.

mod change;
pub mod derive;
mod history;
mod model;
mod text;

pub use change::{Change, Placement, Refused};
pub use history::History;
pub use model::{CaptureEntry, Project};
pub use text::hertz;
