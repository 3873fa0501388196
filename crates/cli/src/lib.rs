//! cli: under construction.
