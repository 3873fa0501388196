//! What a fit is made from, and what comes of it.

use measure::Finding;
use serde::{Deserialize, Serialize};

use super::explain::hertz;
use crate::{AverageError, Band, Profile, Response, ResponseError, Target};

/// What a fit is made from.
#[derive(Debug, Clone)]
pub struct FitInput<'a> {
    /// One response, or one per position: several are averaged, and where they
    /// disagree they count less.
    pub responses: &'a [Response],
    /// What the response should become.
    pub target: &'a Target,
    /// What the processor can hold.
    pub profile: &'a Profile,
    /// What may be done.
    pub options: &'a FitOptions,
}

/// What a fit may do.
#[derive(Debug, Clone, PartialEq)]
pub struct FitOptions {
    /// Use at most so many bands, locked ones included; by default all the profile has.
    pub max_bands: Option<usize>,
    /// The lower end of the range that counts.
    pub from_hz: f64,
    /// The upper end of the range that counts.
    pub to_hz: f64,
    /// Boost no frequency by more than this, all bands together, counted from the level of the
    /// whole where the bands lower that; by default what the profile says.
    pub max_boost_db: Option<f64>,
    /// Hold the level of the target at this offset instead of choosing it freely.
    pub offset_db: Option<f64>,
    /// Bands that stay as they are, as typed; the others are fitted around them.
    pub locked: Vec<Band>,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            max_bands: None,
            from_hz: 20.0,
            to_hz: 20_000.0,
            max_boost_db: None,
            offset_db: None,
            locked: Vec::new(),
        }
    }
}

impl FitOptions {
    pub(super) fn max_boost(&self, profile: &Profile) -> f64 {
        self.max_boost_db.unwrap_or(profile.max_boost_db).min(profile.gain_db.max()).max(0.0)
    }
}

/// Bands for a processor, and what they do.
///
/// `response + bands ≈ target + offset_db`. Serialises to the JSON of the
/// interface contract.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitResult {
    /// The bands by ascending frequency, the locked ones among them; every value
    /// is on the profile's grid.
    pub bands: Vec<FittedBand>,
    /// Where the target lies against the measured level.
    pub offset_db: f64,
    /// What is between response and target without bands, each at its best offset.
    pub before: Deviations,
    /// What the bands leave.
    pub after: Deviations,
    /// What was not corrected, and why.
    pub left_alone: Vec<LeftAlone>,
    /// Remarks.
    pub findings: Vec<Finding>,
    /// How much louder the bands make the loudest frequency: so much lower must the
    /// level before them be, lest they clip.
    #[serde(default)]
    pub headroom_cost_db: f64,
    /// What the bands add to the level of the whole, on average over the range.
    #[serde(default)]
    pub level_db: f64,
    /// The range that was fitted: the one asked for, as far as the data go.
    #[serde(skip)]
    pub range_hz: (f64, f64),
}

/// One band of a fit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FittedBand {
    /// The band with the cookbook's Q.
    #[serde(flatten)]
    pub band: Band,
    /// The Q to type, where the processor's definition differs from the cookbook's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entered_q: Option<f64>,
    /// Why it is there, in plain words.
    pub why: String,
}

impl FittedBand {
    /// The band as it is typed into the processor.
    #[must_use]
    pub fn typed(&self) -> Band {
        Band { q: self.entered_q.unwrap_or(self.band.q), ..self.band }
    }
}

/// How far a response lies from a target.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Deviations {
    /// Root mean square over log frequency.
    pub rms_db: f64,
    /// The largest, without its sign.
    pub max_db: f64,
}

/// A place that was not corrected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LeftAlone {
    /// Where.
    pub frequency_hz: f64,
    /// Why, in a word that a program can test.
    pub why: LeftAloneReason,
    /// Why, for the person.
    pub text: String,
}

/// Why a place was not corrected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeftAloneReason {
    /// Two sounds meet there in opposite phase.
    Cancellation,
    /// The end of the range that the drivers play.
    RollOff,
    /// A stretch so far below the rest that the boost allowed could not mend it.
    OutOfReach,
}

impl LeftAloneReason {
    /// The word of the interface contract.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Cancellation => "cancellation",
            Self::RollOff => "roll-off",
            Self::OutOfReach => "out-of-reach",
        }
    }

    /// Why the place was left alone, for a person.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Self::Cancellation => "cancellation",
            Self::RollOff => "the end of what the drivers play",
            Self::OutOfReach => "too far below the rest to be lifted",
        }
    }
}

/// The places that were left alone, a line for each reason: `74 Hz, 132 Hz: cancellation`.
#[must_use]
pub fn left_alone_lines(places: &[LeftAlone]) -> Vec<String> {
    let mut reasons: Vec<(LeftAloneReason, Vec<String>)> = Vec::new();
    for place in places {
        let at = hertz(place.frequency_hz);
        match reasons.iter_mut().find(|(why, _)| *why == place.why) {
            Some((_, all)) => all.push(at),
            None => reasons.push((place.why, vec![at])),
        }
    }
    let line = |(why, all): (LeftAloneReason, Vec<String>)| format!("{}: {}", all.join(", "), why.sentence());
    reasons.into_iter().map(line).collect()
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// No response was given.
    #[error("there is no response to fit; give at least one")]
    NoResponse,
    /// A response is not one.
    #[error("response {number} cannot be used: {error}")]
    Response {
        /// Which one, from 1.
        number: usize,
        /// What is wrong with it.
        error: ResponseError,
    },
    /// The responses do not go together.
    #[error(transparent)]
    Average(AverageError),
    /// The range holds no data to speak of.
    #[error(
        "the range {from_hz} Hz to {to_hz} Hz holds less than a third of an octave of the response, \
         which goes from {lowest_hz:.1} Hz to {highest_hz:.1} Hz; widen the range"
    )]
    Range {
        /// The lower end asked for.
        from_hz: f64,
        /// The upper end asked for.
        to_hz: f64,
        /// Where the data begin.
        lowest_hz: f64,
        /// Where they end.
        highest_hz: f64,
    },
    /// Nothing in the range is certain enough.
    #[error(
        "nothing between {from_hz:.0} Hz and {to_hz:.0} Hz is certain enough to be corrected: the coherence is too \
         low or all of it is cancellation; measure again, louder and at more positions"
    )]
    NothingCertain {
        /// The lower end of the range.
        from_hz: f64,
        /// The upper end of the range.
        to_hz: f64,
    },
    /// A locked band that the processor does not take.
    #[error(
        "the locked band {number} ({} at {} Hz, {} dB, Q {}) is not one that this processor can hold; \
         change it to values that the processor offers",
        band.kind, band.frequency_hz, band.gain_db, band.q
    )]
    Locked {
        /// Which one, from 1.
        number: usize,
        /// The band as given.
        band: Band,
    },
}
