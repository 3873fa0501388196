//! What a plugin has to be able to do.

use alloc::string::String;

use crate::{Block, Manifest, Reading, Start};

/// A measurement. The order of calls is `begin`, any number of `feed` and
/// `reading`, `finish`.
pub trait Plugin: Sized {
    /// What it is called, wants and takes.
    fn manifest() -> Manifest;

    /// Prepares for a stream.
    ///
    /// # Errors
    /// When the measurement cannot be made this way.
    fn begin(start: &Start) -> Result<Self, Refusal>;

    /// Takes the next block, of 1 to 4,096 frames. It has half a second for it,
    /// and should need a small part of the time that the block lasts.
    fn feed(&mut self, block: &Block<'_>) -> Feed;

    /// What is known so far; asked about ten times a second.
    fn reading(&mut self) -> Reading;

    /// The final reading.
    fn finish(&mut self) -> Reading {
        self.reading()
    }
}

/// What a plugin says after a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Feed {
    /// It can use more.
    More,
    /// It has all that it needs; the capture may stop.
    Enough,
}

/// Why a plugin does not begin.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// Lower-case words joined by hyphens, for programs.
    pub code: String,
    /// What is missing and what to do, for people.
    pub text: String,
}

impl Refusal {
    /// A refusal.
    #[must_use]
    pub fn new(code: &str, text: &str) -> Self {
        Self { code: code.into(), text: text.into() }
    }
}
