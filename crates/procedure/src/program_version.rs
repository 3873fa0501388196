//! The version of the program, as captures and results say what made them.

/// The version.
pub(crate) const PROGRAM: &str = env!("CARGO_PKG_VERSION");
