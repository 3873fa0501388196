//! measurements: under construction.
