//! Tests of whole rigs.

mod simulated;
