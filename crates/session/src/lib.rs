//! session: under construction.
