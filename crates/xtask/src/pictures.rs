//! `cargo xtask pictures`: the pictures of `docs/images`, taken anew from the running window, so that they never
//! show what the program no longer is.

use crate::command;
use crate::system::{self, For};

/// Drives the real window through the stages on the simulated car, on a display without a screen (Linux).
///
/// # Errors
/// When the system lacks what that needs, the program does not build, or the window does not get on.
pub(crate) fn run() -> Result<(), String> {
    system::prepare(For::Testing)?;
    command::run(command::cargo().args(["test", "--package", "headrest", "--test", "pictures"]))
}
