//! One plain-language remark.

use serde::{Deserialize, Serialize};

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FindingLevel {
    /// Worth knowing.
    Note,
    /// The result is doubtful.
    Caution,
    /// There is no result.
    Stop,
}

/// A remark with a code that a program can test and a text that a person can
/// act on. The codes are listed in `docs/findings.md`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// How much it weighs.
    pub level: FindingLevel,
    /// Lower-case words joined by hyphens.
    pub code: String,
    /// What was found, and what to do about it.
    pub text: String,
}

impl Finding {
    /// Something worth knowing.
    pub fn note(code: &str, text: impl Into<String>) -> Self {
        Self { level: FindingLevel::Note, code: code.to_owned(), text: text.into() }
    }

    /// A reason to doubt the result.
    pub fn caution(code: &str, text: impl Into<String>) -> Self {
        Self { level: FindingLevel::Caution, code: code.to_owned(), text: text.into() }
    }

    /// The reason why there is no result.
    pub fn stop(code: &str, text: impl Into<String>) -> Self {
        Self { level: FindingLevel::Stop, code: code.to_owned(), text: text.into() }
    }
}
