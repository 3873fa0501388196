//! A whole car: delays, crossovers, polarity and gain of every driver, and what all
//! of them add up to.

mod chain;
mod drivers;
mod junction;
mod plan;
mod role;
mod sum;
mod wiring;

use dsp::biquad::{Cascade, DesignError};
use measure::Finding;
use serde::Serialize;

use crate::{AlignError, CrossoverFamily, DelayEntry, Feed, Profile, Response, Role};

pub(crate) use plan::{filter, two_digits};
pub use sum::CarSum;

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

/// One crossover filter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CarFilter {
    /// Its alignment.
    pub family: CrossoverFamily,
    /// Its slope.
    pub slope_db_per_octave: u32,
    /// Its corner.
    pub frequency_hz: f64,
}

impl CarFilter {
    /// The filter as one that lets pass what lies above its corner.
    ///
    /// # Errors
    /// When the family has no such slope, or the corner is out of range.
    pub fn high_pass(&self, sample_rate_hz: f64) -> Result<Cascade, DesignError> {
        dsp::crossover::high_pass(sample_rate_hz, self.family.into(), self.order(), self.frequency_hz)
    }

    /// The filter as one that lets pass what lies below its corner.
    ///
    /// # Errors
    /// When the family has no such slope, or the corner is out of range.
    pub fn low_pass(&self, sample_rate_hz: f64) -> Result<Cascade, DesignError> {
        dsp::crossover::low_pass(sample_rate_hz, self.family.into(), self.order(), self.frequency_hz)
    }

    /// Its order: 6 dB per octave each.
    fn order(&self) -> usize {
        usize::try_from(self.slope_db_per_octave / 6).unwrap_or(0)
    }
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

/// Finds what to enter for every driver of a car.
///
/// Delays come from arrivals first: `t_max − t`, the arrivals being those measured, or
/// `distance / c`, or read from the phase beyond minimum phase. Polarities come from the wiring
/// first: of left and right drivers that are wired against each other one is turned over, the one
/// that is backwards by its own sound (see `wiring.rs`). Each crossover lies in what both neighbours
/// can play; then, from the highest down, delay, polarity and gain of the lower neighbour are searched
/// about its arrival, for the left and the right side at once and with one polarity for both (see
/// `junction.rs`), so that the sides stay in phase and keep their time to each other.
/// A driver of no side is aligned to the complex sum of its upper neighbours.
///
/// References: `(d_max − d)/c`: common practice, no source; speed of sound ISO 9613-1.
/// Accuracy: a three-way car of Linkwitz-Riley filters with known places is put right
/// within one step of the grid, `a_car_of_known_places_is_put_right`; of 50 random cars without
/// filters none is left with a pair in antiphase, `left_and_right_are_never_left_in_antiphase`.
///
/// # Errors
/// When the drivers cannot be used.
pub fn align_car(input: &CarInput<'_>) -> Result<CarAlignment, CarError> {
    check(input)?;
    let plan = plan::Plan::new(input)?;
    chain::Chain::new(input, plan).solve()
}

/// The range in which a driver may be used: where it plays by itself, and for a subwoofer also where it is
/// heard by the lift of the cabin.
pub(crate) fn usable_hz(driver: &CarDriver) -> (f64, f64) {
    let usable = drivers::usable_range(driver);
    let from_hz = if driver.role == Some(Role::Sub) { usable.lifted_from_hz } else { usable.from_hz };
    (from_hz, usable.to_hz)
}

fn check(input: &CarInput<'_>) -> Result<(), CarError> {
    let drivers = input.drivers;
    if drivers.len() < 2 {
        return Err(CarError::TooFew(drivers.len()));
    }
    for (index, driver) in drivers.iter().enumerate() {
        if drivers[..index].iter().any(|other| other.name == driver.name) {
            return Err(CarError::Twice(driver.name.clone()));
        }
        if driver.response.phase_deg.is_none() {
            return Err(CarError::NoPhase(driver.name.clone()));
        }
    }
    Ok(())
}

#[cfg(test)]
mod natural_tests;
#[cfg(test)]
mod tests;
