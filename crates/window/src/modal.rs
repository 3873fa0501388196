//! Which of the sheets is open over the window, and what is typed into it.

use view::{CaptureId, ChoiceKey};

/// The text field of a sheet, so that it gets the keyboard when it opens.
pub(crate) const FIELD: &str = "sheet-field";
/// Its safe button, for sheets without a field.
pub(crate) const SAFE: &str = "sheet-safe";

/// What is open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Modal {
    /// The list of keys.
    Keys,
    /// The question before a capture is discarded.
    Discard {
        /// Which.
        capture: CaptureId,
        /// Its label.
        label: String,
    },
    /// A new label for a capture.
    Rename {
        /// Which.
        capture: CaptureId,
        /// The label as it is typed.
        text: String,
    },
    /// The folder in which a job begins or lies.
    Job {
        /// The path as it is typed.
        path: String,
    },
    /// The recordings that are searched for tracks.
    Import {
        /// The path as it is typed.
        path: String,
    },
    /// The choices of a setting.
    Choose {
        /// Which setting.
        setting: ChoiceKey,
    },
}

impl Modal {
    /// What has the keyboard when it opens.
    pub(crate) fn first_focus(&self) -> &'static str {
        match self {
            Self::Keys | Self::Discard { .. } | Self::Choose { .. } => SAFE,
            Self::Rename { .. } | Self::Job { .. } | Self::Import { .. } => FIELD,
        }
    }

    /// The path that is typed into it, where it asks for one.
    pub(crate) fn path(&self) -> Option<&str> {
        match self {
            Self::Job { path } | Self::Import { path } => Some(path),
            Self::Keys | Self::Discard { .. } | Self::Rename { .. } | Self::Choose { .. } => None,
        }
    }

    /// What is typed into its field.
    pub(crate) fn type_text(&mut self, typed: String) {
        if let Self::Rename { text, .. } | Self::Job { path: text } | Self::Import { path: text } = self {
            *text = typed;
        }
    }
}
