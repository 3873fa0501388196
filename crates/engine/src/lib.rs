//! engine: under construction.
