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
mod ratio;
pub mod text;

pub use electrical::{DBU_REFERENCE_V, Volts};
pub use level::{Gain, LevelDbfs, LevelDbu, LevelDbv, LevelSpl, ONE_PASCAL_SPL_DB};
pub use rate::{Hertz, RateError, SampleRate, Seconds};
pub use ratio::{amplitude_from_db, db_from_amplitude, db_from_power, power_from_db};
