//! The measurement interface: the narrow waist between signals and readings.
//!
//! A [`Measurement`] is told how it starts ([`Start`]), is fed [`Block`]s of
//! samples, and answers with a [`Reading`]. Everything that passes is plain
//! data: no reference into the host, no callback into it, no file, clock or
//! thread. A measurement can therefore live in this process, in a sandbox or
//! in another process, and what the built-in ones can do a third party's can.

mod block;
mod finding;
mod manifest;
mod nearest;
mod parameter;
mod reading;
mod start;
mod stimulus;

pub use block::{Block, Feed};
pub use finding::{Finding, FindingLevel};
pub use manifest::{Manifest, StimulusWanted};
pub use nearest::nearest;
pub use parameter::{Parameter, ParameterError, ParameterKind, ParameterValue, Parameters};
pub use reading::{Cell, Curve, Reading, Table};
pub use start::{Calibration, CalibrationCurve, Start};
pub use stimulus::{Segment, Side, Signal, Stimulus};

/// Something that turns a stream of blocks into a reading.
///
/// The order of calls is `start`, any number of `feed` and `reading`, `finish`.
/// A measurement may be started again after `finish`.
pub trait Measurement: Send {
    /// What this measurement is called, wants and takes.
    fn manifest(&self) -> Manifest;

    /// Prepares for a stream.
    ///
    /// # Errors
    /// A finding of level *stop* when the measurement cannot be made this way,
    /// for example without a stimulus that it needs.
    fn start(&mut self, start: &Start) -> Result<(), Finding>;

    /// Takes the next block. Blocks come in order; a block that follows lost
    /// samples says so in [`Block::gap`].
    fn feed(&mut self, block: &Block<'_>) -> Feed;

    /// What is known so far; cheap enough to be asked ten times a second.
    fn reading(&mut self) -> Reading;

    /// The final reading.
    fn finish(&mut self) -> Reading;
}
