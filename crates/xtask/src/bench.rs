//! `cargo xtask bench`: the benchmarks of the hot kernels.

use crate::command;

/// The crates that have benchmarks; the others are not built for it.
const MEASURED: &[&str] = &["dsp", "tuning", "cabin", "sandbox"];

/// Runs them.
///
/// # Errors
/// When one does not build or fails.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    let mut bench = command::cargo();
    bench.arg("bench");
    for name in MEASURED {
        bench.args(["--package", name]);
    }
    command::run(bench.args(["--benches"]).args(arguments))
}
