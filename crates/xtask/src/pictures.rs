//! `cargo xtask pictures`: the pictures of `docs/images`, taken anew from the window, so that they never
//! show what the program no longer is.

use crate::command;

/// Works through the stages on the simulated car, and draws the window without a display.
///
/// # Errors
/// When the program does not build, or the window does not get on.
pub(crate) fn run() -> Result<(), String> {
    command::run(command::cargo().args(["test", "--package", "headrest", "--test", "pictures"]))
}
