//! Physical quantities at the borders of the program, each with its reference.
//!
//! Inside a numeric kernel a plain `f64` with a unit suffix (`_hz`, `_s`, `_db`)
//! is clearer; where a number crosses from one crate to another it wears its
//! type. A level has a reference and a gain has none, so two levels subtract to
//! a [`Gain`] and cannot be added. [`text`] makes texts from elsewhere fit to be shown, [`quantity`] values fit to be read.

mod electrical;
mod level;
pub mod quantity;
mod rate;
pub mod text;

pub use electrical::{DBU_REFERENCE_V, Volts};
pub use level::{Gain, LevelDbfs, LevelDbu, LevelDbv, LevelSpl, ONE_PASCAL_SPL_DB};
pub use rate::{Hertz, RateError, SampleRate, Seconds};

/// Ratio of two amplitudes in decibels: `20·log10(ratio)`.
///
/// Zero gives negative infinity, as the limit does.
#[must_use]
pub fn db_from_amplitude(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// The amplitude ratio of a number of decibels: `10^(db/20)`.
#[must_use]
pub fn amplitude_from_db(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Ratio of two powers in decibels: `10·log10(ratio)`.
#[must_use]
pub fn db_from_power(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// The power ratio of a number of decibels: `10^(db/10)`.
#[must_use]
pub fn power_from_db(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}
