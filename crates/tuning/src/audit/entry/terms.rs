//! What an entry is audited from, and what is said of it.

use measure::Finding;
use serde::Serialize;

use crate::{Band, CarFilter, Profile, Response, ResponseError};

/// What is set, or to be set, for one channel of a processor.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct ChannelSetting {
    /// Its gain.
    pub gain_db: f64,
    /// Its delay.
    pub delay_s: f64,
    /// Whether its polarity is inverted.
    pub inverted: bool,
    /// The filter that keeps it from what lies below its range.
    pub high_pass: Option<CarFilter>,
    /// The filter that keeps it from what lies above.
    pub low_pass: Option<CarFilter>,
    /// Its bands as they are typed (Q in the profile's definition).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub bands: Vec<Band>,
}

/// One channel before and after its entry.
#[derive(Debug, Clone, Copy)]
pub struct EntryChannel<'a> {
    /// Its name.
    pub channel: &'a str,
    /// Its driver alone before the entry, with phase.
    pub before: &'a Response,
    /// The same after it.
    pub after: &'a Response,
    /// What was set when it was captured before.
    pub was: &'a ChannelSetting,
    /// What should have been entered.
    pub meant: &'a ChannelSetting,
}

/// What an audit of the whole entry is made from.
#[derive(Debug, Clone, Copy)]
pub struct EntryInput<'a> {
    /// The channels, each captured at the same place and against the same time reference.
    pub channels: &'a [EntryChannel<'a>],
    /// What the processor can hold; without it 48 kHz, the cookbook's Q and any filter.
    pub profile: Option<&'a Profile>,
}

/// What became of every channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EntryAudit {
    /// The channels in the order given.
    pub channels: Vec<AuditedChannel>,
    /// By how much everything was louder after than it should be: taken out of all channels.
    pub level_db: f64,
    /// By how much everything came later: taken out of all channels.
    pub later_s: f64,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// What became of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AuditedChannel {
    /// Its name.
    pub channel: String,
    /// The verdict in a word; of several mistakes, the one that changes most.
    pub verdict: ChannelVerdict,
    /// What it sounds like where a value is another; as meant otherwise.
    pub found: ChannelSetting,
    /// The channel that it was swapped with.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub swapped_with: Option<String>,
    /// The verdict in a sentence for each mistake, or one.
    pub text: String,
}

/// What can have become of a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChannelVerdict {
    /// It does what it should.
    AsMeant,
    /// Another gain.
    WrongLevel,
    /// Another delay.
    WrongDelay,
    /// The other polarity.
    WrongPolarity,
    /// Another crossover, or one missing.
    WrongCrossover,
    /// What was meant for it is in another channel, or another driver plays.
    Swapped,
    /// Nothing plays.
    Silent,
    /// It cannot be told, or two explanations fit equally well.
    Unclear,
}

impl ChannelVerdict {
    /// The word of the interface contract.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::AsMeant => "as-meant",
            Self::WrongLevel => "wrong-level",
            Self::WrongDelay => "wrong-delay",
            Self::WrongPolarity => "wrong-polarity",
            Self::WrongCrossover => "wrong-crossover",
            Self::Swapped => "swapped",
            Self::Silent => "silent",
            Self::Unclear => "unclear",
        }
    }

    /// Whether something is wrong for certain.
    #[must_use]
    pub fn is_mistake(self) -> bool {
        !matches!(self, Self::AsMeant | Self::Unclear)
    }
}

/// Why there is no audit of the entry.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EntryError {
    /// A response is not one.
    #[error("the capture of `{channel}` {when} cannot be used: {error}")]
    Response {
        /// The channel.
        channel: String,
        /// `before` or `after`.
        when: &'static str,
        /// What is wrong with it.
        error: ResponseError,
    },
    /// A response without phase.
    #[error(
        "the capture of `{channel}` {when} has no phase; measure it with `sweep` against one time reference and keep \
         the column `phase_deg`"
    )]
    NoPhase {
        /// The channel.
        channel: String,
        /// `before` or `after`.
        when: &'static str,
    },
    /// A setting that no filter has.
    #[error("what is {when} for `{channel}` cannot be: {problem}; correct it")]
    Setting {
        /// The channel.
        channel: String,
        /// `was set` or `meant`.
        when: &'static str,
        /// What is wrong with it.
        problem: String,
    },
    /// Two of the same name.
    #[error("there are two channels called `{0}`; give each its own name")]
    Twice(String),
}
