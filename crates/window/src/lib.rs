//! window: under construction.
