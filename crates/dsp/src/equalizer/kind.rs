//! The shapes of bands.

use std::fmt;

use serde::{Deserialize, Serialize};

/// The shapes that a band can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BandKind {
    /// Lifts or lowers around its frequency.
    Peak,
    /// Lifts or lowers everything below its frequency.
    LowShelf,
    /// Lifts or lowers everything above its frequency.
    HighShelf,
}

impl BandKind {
    /// All kinds.
    pub const ALL: [Self; 3] = [Self::Peak, Self::LowShelf, Self::HighShelf];

    /// The word that files and JSON use.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Peak => "peak",
            Self::LowShelf => "low-shelf",
            Self::HighShelf => "high-shelf",
        }
    }

    /// The kind of a word, if there is one.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

impl fmt::Display for BandKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}
