//! cabin: under construction.
