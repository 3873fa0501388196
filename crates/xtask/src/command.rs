//! Running other programs from the workspace's root.

use std::env;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The folder that holds the workspace's `Cargo.toml`.
pub(crate) fn root() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.ancestors().nth(2).unwrap_or(here).to_path_buf()
}

/// A program, to be run in the workspace's root.
pub(crate) fn program(name: impl AsRef<OsStr>) -> Command {
    let mut command = Command::new(name);
    command.current_dir(root());
    command
}

/// The same cargo that runs this program.
pub(crate) fn cargo() -> Command {
    program(env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
}

/// Runs a command that shows its own output.
///
/// # Errors
/// When it cannot be started or fails; the message holds the command line.
pub(crate) fn run(command: &mut Command) -> Result<(), String> {
    let line = written(command);
    println!("$ {line}");
    let status = command.status().map_err(|error| format!("`{line}` did not start: {error}"))?;
    if status.success() { Ok(()) } else { Err(format!("`{line}` failed ({status})")) }
}

/// Runs a command and hands back what it printed.
///
/// # Errors
/// When it cannot be started or fails; the message ends with its own complaint.
pub(crate) fn output(command: &mut Command) -> Result<String, String> {
    let line = written(command);
    let output =
        command.stdin(Stdio::null()).output().map_err(|error| format!("`{line}` did not start: {error}"))?;
    if output.status.success() {
        String::from_utf8(output.stdout).map_err(|_| format!("`{line}` printed something that is not text"))
    } else {
        let complaint = String::from_utf8_lossy(&output.stderr);
        Err(format!("`{line}` failed ({}): {}", output.status, complaint.trim()))
    }
}

/// Whether a command can be started and succeeds; what it prints is dropped.
pub(crate) fn succeeds(command: &mut Command) -> bool {
    command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}

/// Whether a program of this name lies on the search path.
pub(crate) fn on_path(name: &str) -> bool {
    env::var_os("PATH").is_some_and(|path| env::split_paths(&path).any(|folder| folder.join(name).is_file()))
}

/// The command as a person would type it.
fn written(command: &Command) -> String {
    let program = Path::new(command.get_program());
    let mut line = program.file_name().unwrap_or(program.as_os_str()).to_string_lossy().into_owned();
    for argument in command.get_args() {
        line.push(' ');
        let argument = argument.to_string_lossy();
        if argument.is_empty() || argument.contains(' ') {
            line.push_str(&format!("'{argument}'"));
        } else {
            line.push_str(&argument);
        }
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failing_command_is_named_in_the_message() {
        let message = output(cargo().arg("no-such-command-of-cargo")).unwrap_err();
        assert!(message.starts_with("`cargo no-such-command-of-cargo` failed"), "{message}");
        let message = run(&mut program("no-such-program-anywhere")).unwrap_err();
        assert!(message.starts_with("`no-such-program-anywhere` did not start"), "{message}");
    }

    #[test]
    fn the_root_holds_the_lock_file() {
        assert!(root().join("Cargo.lock").is_file());
    }
}
