//! `cargo xtask pictures`: the pictures of `docs/images`, taken anew from the running window and drawn anew from the tune of
//! a car, so that they never show what the program no longer is.

use std::path::PathBuf;

use crate::command::{self, root};

/// Draws what `docs/tuning.md` shows of a tune; then works through the stages on the simulated car, and draws the
/// window without a display. `HEADREST_PICTURES=FOLDER` puts them elsewhere.
///
/// # Errors
/// When the program does not build, the pictures no longer show what is said of them, or the window does not get on.
pub(crate) fn run() -> Result<(), String> {
    let given = std::env::var_os("HEADREST_PICTURES").map(PathBuf::from);
    let folder = root().join(given.unwrap_or_else(|| PathBuf::from("docs/images")));
    let of_tune = ["test", "--package", "tuning", "--lib", "the_pictures_of_the_page"];
    command::run(command::cargo().args(of_tune).env("HEADREST_PICTURES", folder))?;
    command::run(command::cargo().args(["test", "--package", "headrest", "--test", "pictures"]))
}
