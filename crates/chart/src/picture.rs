//! What is shown where a chart would have nothing to say.

use crate::{Cabin, Chain, Drawing, Inks, Size};

/// What is shown where a chart would have nothing to say.
#[derive(Debug, Clone, PartialEq)]
pub enum Picture {
    /// The cabin from above.
    Cabin(Cabin),
    /// The chain from the radio to the speaker.
    Chain(Chain),
}

impl Picture {
    /// What it shows.
    #[must_use]
    pub fn title(&self) -> &str {
        match self {
            Self::Cabin(cabin) => &cabin.title,
            Self::Chain(chain) => &chain.title,
        }
    }

    /// Draws it.
    #[must_use]
    pub fn draw(&self, size: Size, inks: &Inks) -> Drawing {
        match self {
            Self::Cabin(cabin) => Drawing::of_cabin(cabin, size, inks),
            Self::Chain(chain) => Drawing::of_chain(chain, size, inks),
        }
    }
}
