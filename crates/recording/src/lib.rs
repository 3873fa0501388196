//! recording: under construction.
