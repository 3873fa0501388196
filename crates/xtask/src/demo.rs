//! `cargo xtask demo`: from a fresh clone to the whole job on the simulated car.

use crate::command;
use crate::system::{self, For};

/// Installs what the system lacks, builds the program and runs its demo.
///
/// # Errors
/// When something cannot be installed, or the build or the demo fails.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    system::prepare(For::Running)?;
    println!("Headrest is being built; the first time this takes some minutes.");
    command::run(command::cargo().args(["run", "--package", "headrest", "--", "demo"]).args(arguments))
}
