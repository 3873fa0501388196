//! The private Python environment of the comparison with numpy and scipy.

use std::fs;
use std::path::PathBuf;

use crate::command::{output, program, root, run, succeeds};

/// The pinned versions need at least this Python.
const OLDEST: (u32, u32) = (3, 11);

/// Where the environment lies; git ignores it.
fn folder() -> PathBuf {
    root().join("tests/reference/.venv")
}

/// A Python new enough, with the modules that make environments.
///
/// # Errors
/// When there is none; the message says which version is wanted.
pub(crate) fn find() -> Result<&'static str, String> {
    ["python3", "python", "python3.11", "python3.12", "python3.13", "python3.14"]
        .into_iter()
        .find(|name| {
            let (major, minor) = OLDEST;
            let question =
                format!("import sys, venv, ensurepip; sys.exit(sys.version_info < ({major}, {minor}))");
            succeeds(program(name).args(["-c", &question]))
        })
        .ok_or_else(|| {
            format!(
                "the comparison with numpy and scipy needs Python {}.{} or newer with its module venv",
                OLDEST.0, OLDEST.1
            )
        })
}

/// Makes the environment where it is missing or its pinned versions changed,
/// and hands back its Python.
///
/// # Errors
/// When there is no Python, or the packages cannot be fetched.
pub(crate) fn environment() -> Result<PathBuf, String> {
    let folder = folder();
    let python = if cfg!(windows) { folder.join("Scripts/python.exe") } else { folder.join("bin/python") };
    let wanted = fs::read_to_string(root().join("tests/reference/requirements.txt"))
        .map_err(|error| format!("tests/reference/requirements.txt: {error}"))?;
    let stamp = folder.join("installed.txt");
    if python.exists() && fs::read_to_string(&stamp).is_ok_and(|installed| installed == wanted) {
        return Ok(python);
    }
    let system_python = find()?;
    println!("A private Python environment is made in tests/reference/.venv.");
    run(program(system_python).args(["-m", "venv", "--clear"]).arg(&folder))?;
    run(program(&python).args([
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
        "--only-binary=:all:",
        "-r",
        "tests/reference/requirements.txt",
    ]))?;
    output(program(&python).args(["-c", "import numpy, scipy.signal"]))?;
    fs::write(&stamp, wanted).map_err(|error| format!("{}: {error}", stamp.display()))?;
    Ok(python)
}
