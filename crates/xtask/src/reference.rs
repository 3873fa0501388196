//! `cargo xtask reference`: our numbers against numpy's and scipy's.

use crate::command::{self, cargo, program};
use crate::python;
use crate::workspace::target_folder;

/// Compares, and with `--time` measures the speeds too, with `--commands` what whole commands take, with `--fit` and
/// `--tune` compares the fit and the tune of a whole car with `scipy.optimize` at length.
///
/// # Errors
/// When a number differs by more than its stated tolerance, or the comparison
/// cannot be made.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    match arguments {
        [] => compare(),
        [only] if only == "--time" => {
            compare()?;
            measure("time.py", &["loads"])
        }
        [only] if only == "--commands" => measure("commands.py", &["card"]),
        [only] if only == "--fit" => measure("fits.py", &["answers"]),
        [only] if only == "--tune" => measure("tunes.py", &["answers"]),
        other => Err(format!(
            "`reference` takes `--time`, `--commands`, `--fit`, `--tune` or nothing, not `{}`",
            other.join(" ")
        )),
    }
}

/// Runs the comparison.
///
/// # Errors
/// When a number differs by more than its stated tolerance, or the comparison
/// cannot be made.
pub(crate) fn compare() -> Result<(), String> {
    let python = python::environment()?;
    let answers = build(&["answers"], &["--quiet"], "debug")?;
    command::run(program(python).arg("tests/reference/compare.py").args(answers))
}

/// Runs a script that measures both sides and writes `docs/performance.md`.
fn measure(script: &str, ours: &[&str]) -> Result<(), String> {
    let python = python::environment()?;
    let ours = build(ours, &["--release"], "release")?;
    // Both settings cut numpy's own linear algebra short on machines that have
    // them; the comparison is to be with numpy at its best.
    command::run(
        program(python)
            .arg(format!("tests/reference/{script}"))
            .args(ours)
            .env_remove("OPENBLAS_CORETYPE")
            .env_remove("OPENBLAS_L2_SIZE"),
    )
}

/// Builds the programs that speak for our side, and says where they lie.
fn build(names: &[&str], arguments: &[&str], profile: &str) -> Result<Vec<std::path::PathBuf>, String> {
    let packages = names.iter().flat_map(|name| ["--package", name]);
    command::run(cargo().arg("build").args(packages).args(arguments))?;
    let folder = target_folder()?.join(profile);
    Ok(names.iter().map(|name| folder.join(format!("{name}{}", std::env::consts::EXE_SUFFIX))).collect())
}
