//! Runs measurements: finds them by name, feeds them, and holds them to their
//! contract.
//!
//! A measurement that panics or answers with something that the contract does
//! not allow ends in a finding; it cannot take the program down.

mod registry;
mod run;

pub use registry::{Registry, UnknownMeasurement};
pub use run::Run;
