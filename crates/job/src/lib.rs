//! job: under construction.
