//! What a car is aligned from, and what comes of it.

use measure::Finding;
use serde::Serialize;

use super::sum::CarSum;
use crate::{AlignError, CarFilter, DelayEntry, Feed, Profile, Response, Role};

/// One driver of the car.
#[derive(Debug, Clone, PartialEq)]
pub struct CarDriver {
    /// Its name. Where neither `role` nor `feed` is known, it says what it can: `left` or `right` which
    /// side it plays (others play both), `centre` or `rear` that it stands beside the chain of a side.
    pub name: String,
    /// What it is for, when that is known.
    pub role: Option<Role>,
    /// Which input feeds it, when that is known.
    pub feed: Option<Feed>,
    /// What it does at the listener's place: with phase, all on one time reference,
    /// and without a crossover filter unless the input says otherwise.
    pub response: Response,
    /// How far it is from the listener, when that was measured with a tape.
    pub distance_m: Option<f64>,
    /// When its sound arrives, when that was measured.
    pub arrival_s: Option<f64>,
}

/// A car and what may be set.
#[derive(Debug, Clone, Copy)]
pub struct CarInput<'a> {
    /// Two drivers or more.
    pub drivers: &'a [CarDriver],
    /// The processor: its delays and crossovers.
    pub profile: &'a Profile,
    /// The crossovers from the lowest up, where they are settled; found otherwise.
    pub crossovers_hz: &'a [f64],
    /// The filters are in the responses already, so that none is to be added.
    pub filtered: bool,
    /// For the way of the sound.
    pub temperature_c: f64,
}

/// What to enter for one driver.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CarSetting {
    /// The driver.
    pub driver: String,
    /// The delay, on the processor's grid.
    pub delay_s: f64,
    /// The same in the units in which processors take it.
    pub delay: DelayEntry,
    /// The gain to add; the loudest stays at 0.
    pub gain_db: f64,
    /// Whether to turn the polarity over.
    pub invert: bool,
    /// The filter that keeps it from what lies below its range.
    pub high_pass: Option<CarFilter>,
    /// The filter that keeps it from what lies above.
    pub low_pass: Option<CarFilter>,
    /// From where it plays.
    pub usable_from_hz: f64,
    /// Up to where.
    pub usable_to_hz: f64,
}

/// How two neighbours add up at their crossover.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CarCrossover {
    /// The drivers that play below.
    pub lower: Vec<String>,
    /// Those that play above.
    pub upper: Vec<String>,
    /// Where they meet.
    pub frequency_hz: f64,
    /// Why it is there, in plain words.
    pub why: String,
    /// The worst loss against perfect addition over the octave about it, over sixths of an octave.
    pub worst_db: f64,
    /// The same with equal delays and polarities as wired.
    pub before_worst_db: f64,
}

/// What to enter for a whole car.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CarAlignment {
    /// The drivers in the order given.
    pub drivers: Vec<CarSetting>,
    /// The crossovers from the lowest up.
    pub crossovers: Vec<CarCrossover>,
    /// What each side adds up to, and all drivers together.
    pub sums: Vec<CarSum>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// Why a car cannot be aligned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CarError {
    /// One driver is no car.
    #[error("a car needs at least two drivers; {0} given")]
    TooFew(usize),
    /// Two of the same name.
    #[error("there are two drivers called `{0}`; give each its own name")]
    Twice(String),
    /// A response that cannot be used.
    #[error(
        "the response of `{0}` has no phase; measure it with `sweep` against one time reference and keep the \
         column `phase_deg`"
    )]
    NoPhase(String),
    /// Some have distances or arrivals and others do not.
    #[error("`{0}` has no distance and no arrival, but others do; give one for every driver or for none")]
    NoPlace(String),
    /// Not as many crossovers as there are meetings.
    #[error("{given} crossovers were given; these drivers meet at {wanted} places, from the lowest up")]
    Crossovers {
        /// How many were given.
        given: usize,
        /// How many there are.
        wanted: usize,
    },
    /// A pair cannot be aligned.
    #[error("{lower} and {upper}: {error}")]
    Pair {
        /// The lower one.
        lower: String,
        /// The upper one.
        upper: String,
        /// What is wrong.
        error: AlignError,
    },
}
