//! A track that was heard, and how much of it.

/// A track that was heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// The track's name.
    pub track: String,
    /// When the track begins, in seconds from the first sample fed; negative when its
    /// opening silence is not in the recording.
    pub start_s: f64,
    /// When it ends. A tone may end earlier than its track: it is what was heard of it.
    pub end_s: f64,
    /// How much of it there is.
    pub extent: Extent,
    /// How far it stands out from what else was heard; of use to compare two guesses.
    pub(crate) clearness: f64,
}

impl Heard {
    /// A track of which somebody says that it was played then.
    #[must_use]
    pub fn told(track: &str, start_s: f64, end_s: f64) -> Self {
        let extent = Extent::Whole;
        Self { track: track.to_owned(), start_s, end_s, extent, clearness: f64::INFINITY }
    }
}

/// How much of a track has been heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extent {
    /// All that is needed.
    Whole,
    /// It goes on: what is missing is not due yet.
    Playing,
    /// A part is missing: the recording begins too late or ends too early, the player
    /// was stopped, or something drowned it.
    Cut,
}
