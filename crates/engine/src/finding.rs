//! What happened on the way, in words for people and codes for programs.

use crate::SpecError;

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum EngineLevel {
    /// Worth knowing.
    Note,
    /// The recording is doubtful.
    Caution,
    /// The recording is incomplete or worthless.
    Stop,
}

/// One remark about a capture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EngineFinding {
    /// How much it weighs.
    pub level: EngineLevel,
    /// Lower-case words joined by hyphens, listed in `docs/findings.md`.
    pub code: &'static str,
    /// What happened, and what to do about it.
    pub text: String,
}

impl EngineFinding {
    pub(crate) fn note(code: &'static str, text: impl Into<String>) -> Self {
        Self { level: EngineLevel::Note, code, text: text.into() }
    }

    pub(crate) fn caution(code: &'static str, text: impl Into<String>) -> Self {
        Self { level: EngineLevel::Caution, code, text: text.into() }
    }

    pub(crate) fn stop(code: &'static str, text: impl Into<String>) -> Self {
        Self { level: EngineLevel::Stop, code, text: text.into() }
    }
}

/// Why a capture could not begin.
#[derive(Debug, thiserror::Error)]
pub enum EngineError {
    /// The rig file is at fault.
    #[error(transparent)]
    Spec(#[from] SpecError),
    /// A device is not there.
    #[error("{text}")]
    NoDevice {
        /// Which, and which ones there are.
        text: String,
    },
    /// A device does not run at the rig's sample rate.
    #[error("{text}")]
    Rate {
        /// Which rates it does run at.
        text: String,
    },
    /// A device is there but does not start.
    #[error("{text}")]
    Refused {
        /// What it said, and what to try.
        text: String,
    },
    /// The recording could not be begun.
    #[error("{text}")]
    Record {
        /// What the disk said.
        text: String,
    },
    /// The request makes no sense for this rig.
    #[error("{text}")]
    Request {
        /// What was asked for, and what can be done.
        text: String,
    },
}

impl EngineError {
    /// The same as a finding, for a reading that could not be made.
    #[must_use]
    pub fn finding(&self) -> EngineFinding {
        let code = match self {
            Self::Spec(_) | Self::Request { .. } => "rig-unfit",
            Self::NoDevice { .. } => "device-missing",
            Self::Rate { .. } => "rate-mismatch",
            Self::Refused { .. } => "device-refused",
            Self::Record { .. } => "record-failed",
        };
        EngineFinding::stop(code, self.to_string())
    }

    pub(crate) fn request(text: impl Into<String>) -> Self {
        Self::Request { text: text.into() }
    }
}
