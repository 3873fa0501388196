//! What bands are audited from, and what is said of them.

use measure::Finding;
use serde::{Deserialize, Serialize};

use crate::{Band, Profile, Response, ResponseError};

/// What an audit is made from.
#[derive(Debug, Clone, Copy)]
pub struct AuditInput<'a> {
    /// The response without the bands.
    pub before: &'a Response,
    /// The response with the bands entered.
    pub after: &'a Response,
    /// The bands as they were meant to be typed (Q in the profile's definition).
    pub bands: &'a [Band],
    /// What the processor can hold; without it 48 kHz and the cookbook's Q.
    pub profile: Option<&'a Profile>,
}

/// What became of each band. Serialises to the JSON of the interface contract.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AuditResult {
    /// One entry per meant band in the order given, then those that nobody meant.
    pub bands: Vec<AuditedBand>,
    /// What the found bands leave unexplained.
    pub residual_rms_db: f64,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// What became of one band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AuditedBand {
    /// Its number in the list, from 1.
    pub index: usize,
    /// The verdict in a word.
    pub verdict: Verdict,
    /// What was meant; empty for a band that nobody meant.
    pub meant: MaybeBand,
    /// What it sounds like; empty for a band that is missing.
    pub found: MaybeBand,
    /// The verdict in a sentence.
    pub text: String,
}

/// A band with the cookbook's Q, or an empty object.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct MaybeBand {
    /// The band.
    #[serde(flatten)]
    pub band: Option<Band>,
    /// The Q as it is typed, where the processor's definition differs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entered_q: Option<f64>,
}

/// What can have become of a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// It does what it should.
    AsMeant,
    /// It does nothing.
    Missing,
    /// Boost instead of cut or the other way round.
    WrongSign,
    /// Another gain.
    WrongGain,
    /// Another frequency.
    WrongFrequency,
    /// Another Q, or another meaning of Q.
    WrongQ,
    /// Nobody meant it.
    Extra,
    /// It cannot be told; or something is wrong with it, but two explanations fit equally well.
    Unclear,
}

impl Verdict {
    /// The word of the interface contract.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::AsMeant => "as-meant",
            Self::Missing => "missing",
            Self::WrongSign => "wrong-sign",
            Self::WrongGain => "wrong-gain",
            Self::WrongFrequency => "wrong-frequency",
            Self::WrongQ => "wrong-q",
            Self::Extra => "extra",
            Self::Unclear => "unclear",
        }
    }
}

/// Why there is no audit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AuditError {
    /// A response is not one.
    #[error("the response {name} cannot be used: {error}")]
    Response {
        /// `before` or `after`.
        name: &'static str,
        /// What is wrong with it.
        error: ResponseError,
    },
    /// The two have no range in common.
    #[error(
        "the responses before and after have no frequency range in common; measure both over the same range"
    )]
    NothingInCommon,
    /// Too little to tell bands apart.
    #[error(
        "the responses have only {0} points in common; export them with at least 12, better 24 per octave"
    )]
    TooFewPoints(usize),
    /// More bands than are told apart in some seconds.
    #[error(
        "{0} bands are more than can be told apart, which is {MOST_AUDITED}; audit the bands of one channel, with \
         responses of what this channel plays alone"
    )]
    TooManyBands(usize),
    /// A band that is not one.
    #[error(
        "band {number} ({} Hz, {} dB, Q {}) is not one: its frequency must lie between 0 and half the processor's \
         sample rate, its gain within ±{MOST_GAIN_DB} dB, and its Q above 0; correct the list",
        band.frequency_hz, band.gain_db, band.q
    )]
    Band {
        /// Which one, from 1.
        number: usize,
        /// The band as given.
        band: Band,
    },
}

impl AuditInput<'_> {
    pub(super) fn sample_rate_hz(&self) -> f64 {
        self.profile.map_or(48_000.0, |profile| profile.sample_rate_hz)
    }

    /// A typed band with the cookbook's Q.
    pub(super) fn cookbook(&self, typed: &Band) -> Band {
        self.profile.map_or(*typed, |profile| profile.cookbook(typed))
    }
}

/// The most bands that are audited at once: two equalizers of 31, one behind the other, have less. What is tried grows with
/// their number and with how many are wrong: 62 of 62 take 5 s of a processor, 40 of 124 take 16 s.
pub(super) const MOST_AUDITED: usize = 64;
/// No equalizer has more gain than this (common practice, no source).
pub(super) const MOST_GAIN_DB: f64 = 60.0;
