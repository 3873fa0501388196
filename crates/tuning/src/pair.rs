//! Two neighbouring drivers, and why they cannot be set against each other.

use serde::{Deserialize, Serialize};

/// One value for each of the two drivers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Pair<T> {
    /// The driver that plays below the crossover.
    pub lower: T,
    /// The driver that plays above it.
    pub upper: T,
}

/// Why two drivers cannot be aligned.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum AlignError {
    /// A response has no phase.
    #[error(
        "the response of the {0} driver has no phase; measure both with `sweep` or `transfer` \
         against one time reference and keep the column `phase_deg`"
    )]
    NoPhase(&'static str),
    /// The two responses never meet.
    #[error(
        "the two responses are nowhere equally loud, so that the crossover cannot be found; say where it is (--crossover HZ)"
    )]
    NoCrossover,
    /// The octave about the crossover was not measured.
    #[error(
        "the octave about the crossover, {from_hz:.0} to {to_hz:.0} Hz, was not measured for both drivers; \
         measure both over it, or say where the crossover is (--crossover HZ)"
    )]
    NotMeasured {
        /// The octave's lower end.
        from_hz: f64,
        /// The octave's upper end.
        to_hz: f64,
    },
    /// The delays, gains or the crossover make no sense.
    #[error("`{what}` is {value}; expected {expected}")]
    Limit {
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What it should be.
        expected: &'static str,
    },
}
