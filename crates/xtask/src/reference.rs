//! `cargo xtask reference`: our numbers against numpy's and scipy's.

use crate::command::{self, cargo, program};
use crate::python;

/// Compares, and with `--time` measures the speeds too, with `--fit` and `--tune` compares the fit and the
/// tune of a whole car with `scipy.optimize` at length.
///
/// # Errors
/// When a number differs by more than its stated tolerance, or the comparison
/// cannot be made.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    match arguments {
        [] => compare(),
        [only] if only == "--time" => {
            compare()?;
            measure("time.py")
        }
        [only] if only == "--fit" => measure("fits.py"),
        [only] if only == "--tune" => measure("tunes.py"),
        other => Err(format!(
            "`reference` takes `--time`, `--fit`, `--tune` or nothing, not `{}`",
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
    let answers = build(&["--quiet"], "debug")?;
    command::run(program(python).arg("tests/reference/compare.py").arg(answers))
}

/// Runs a script that measures both sides and writes `docs/performance.md`.
fn measure(script: &str) -> Result<(), String> {
    let python = python::environment()?;
    let answers = build(&["--release"], "release")?;
    // Both settings cut numpy's own linear algebra short on machines that have
    // them; the comparison is to be with numpy at its best.
    command::run(
        program(python)
            .arg(format!("tests/reference/{script}"))
            .arg(answers)
            .env_remove("OPENBLAS_CORETYPE")
            .env_remove("OPENBLAS_L2_SIZE"),
    )
}

/// Builds the program that answers for our side, and says where it lies.
fn build(arguments: &[&str], profile: &str) -> Result<std::path::PathBuf, String> {
    command::run(cargo().args(["build", "--package", "answers"]).args(arguments))?;
    Ok(crate::workspace::target_folder()?
        .join(profile)
        .join(format!("answers{}", std::env::consts::EXE_SUFFIX)))
}
