//! host: under construction.
