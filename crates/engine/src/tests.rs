//! Tests of whole rigs.

mod allocations;
mod card;
mod devices;
mod simulated;
