//! report: under construction.
