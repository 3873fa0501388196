//! A whole car: delays, crossovers, polarity and gain of every driver, and what all
//! of them add up to.

mod chain;
mod drivers;
mod plan;
mod role;
mod sum;
mod terms;
mod wiring;

use crate::{Response, Role};

pub(crate) use plan::{filter, two_digits};
pub use sum::CarSum;
pub use terms::{CarAlignment, CarCrossover, CarDriver, CarError, CarInput, CarSetting};

/// Finds what to enter for every driver of a car.
///
/// Delays come from arrivals first: `t_max − t`, the arrivals being those measured, or
/// `distance / c`, or read from the phase beyond minimum phase. Polarities come from the wiring
/// first: of left and right drivers that are wired against each other one is turned over, the one
/// that is backwards by its own sound (see `wiring.rs`). Each crossover lies in what both neighbours
/// can play; then, from the highest down, delay, polarity and gain of the lower neighbour are searched
/// about its arrival, for the left and the right side at once and with one polarity for both (see
/// `crate::junction`), so that the sides stay in phase and keep their time to each other.
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
    let usable = drivers::usable_range(&driver.response);
    let from_hz = if driver.role == Some(Role::Sub) { usable.lifted_from_hz } else { usable.from_hz };
    (from_hz, usable.to_hz)
}

/// The range in which a driver is heard, from its response alone: within 10 dB of the level at which it plays, the
/// lift of a closed cabin included. It never reaches beyond the range of the response.
///
/// References: common practice, no source.
/// Accuracy: `a_range_ends_where_the_driver_does`.
#[must_use]
pub fn playing_range_hz(response: &Response) -> (f64, f64) {
    let usable = drivers::usable_range(response);
    (usable.lifted_from_hz, usable.to_hz)
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
