//! `cargo xtask soak`: listens through an audio server for long, and watches what that costs.

use crate::command::{self, cargo};

/// How long, in minutes, unless another time is given.
const MINUTES: &str = "30";

/// Runs the test `soak` of `tests/audio` at full length in release mode; it prints what it saw.
///
/// # Errors
/// When the time is no number, or the test fails.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    let minutes = arguments.first().map_or(MINUTES, String::as_str);
    if minutes.parse::<f64>().is_ok_and(|minutes| minutes > 0.0) {
        let mut soak = cargo();
        soak.args(["test", "--release", "--package", "audio", "--test", "real", "soak", "--", "--nocapture"]);
        command::run(soak.env("HEADREST_SOAK_MINUTES", minutes))
    } else {
        Err(format!("`{minutes}` is no time in minutes"))
    }
}
