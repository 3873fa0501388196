//! `cargo xtask fuzz`: every reader and decoder on mutated input, by cargo-fuzz.

use std::fs;

use crate::command::{self, output, program, succeeds};
use crate::workspace::target_folder;

/// Where the targets and their first inputs lie.
const FOLDER: &str = "tests/fuzz";
/// How long each target runs unless another time is given.
const SECONDS: &str = "60";

/// Runs every target for so many seconds. What makes one fail is kept under `tests/fuzz/artifacts`.
///
/// # Errors
/// When the tools are missing, or an input was found that breaks a target.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    let seconds = arguments.first().map_or(SECONDS, String::as_str);
    if !seconds.parse::<u32>().is_ok_and(|seconds| seconds > 0) {
        return Err(format!("`{seconds}` is no time in seconds"));
    }
    // The targets are built with an option that only nightly has, whichever toolchain runs this.
    let fuzz = |what: &str| {
        let mut command = program("cargo");
        command.args(["+nightly", "fuzz", what, "--fuzz-dir", FOLDER]).env_remove("RUSTUP_TOOLCHAIN");
        command
    };
    if !succeeds(program("cargo").args(["+nightly", "fuzz", "--version"]).env_remove("RUSTUP_TOOLCHAIN")) {
        let how = "`rustup toolchain install nightly` and `cargo install --locked cargo-fuzz` bring them";
        return Err(format!("the nightly toolchain or cargo-fuzz is not installed; {how}"));
    }
    let targets = output(&mut fuzz("list"))?;
    let mut failed = Vec::new();
    for target in targets.lines() {
        // In its own processes, so that what one input leaves behind is not blamed on another.
        let limits =
            [format!("-max_total_time={seconds}"), "-timeout=5".to_owned(), "-rss_limit_mb=1024".to_owned()];
        // What is found on the way goes beside the build, and the first inputs stay as they are.
        let found = target_folder()?.join("fuzz").join(target);
        fs::create_dir_all(&found).map_err(|error| format!("{}: {error}", found.display()))?;
        let first = format!("{FOLDER}/corpus/{target}");
        let mut run = fuzz("run");
        if target == "plugin" {
            run.args(["--features", "plugins"]);
        }
        run.arg(target).arg(&found).arg(first).arg("--").args(limits);
        if let Err(message) = command::run(&mut run) {
            failed.push(message);
        }
    }
    if failed.is_empty() { Ok(()) } else { Err(failed.join("\n")) }
}
