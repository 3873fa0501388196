//! `cargo xtask plugins`: the example plugins, built from their sources.

use std::fs;

use crate::command::{self, cargo, on_path, program, root};

/// Those in Rust, as `crates/guest/examples/NAME.rs`.
const IN_RUST: &[&str] = &["loudness", "match"];

/// Those in C, as `crates/guest/examples/NAME.c`.
const IN_C: &[&str] = &["whine"];

/// The target for which Rust builds them.
const TARGET: &str = "wasm32-unknown-unknown";

/// Where Rust builds them.
const BUILT: &str = "target/plugins";

/// Where the copies lie that come with the program.
const FOLDER: &str = "crates/guest/plugins";

/// Builds them and replaces the copies that come with the program.
///
/// # Errors
/// When a compiler is missing or refuses; the message says how to get it.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    if let Some(unknown) = arguments.first() {
        return Err(format!("`plugins` takes no argument, and there is `{unknown}`"));
    }
    let place = root().join(FOLDER);
    fs::create_dir_all(&place).map_err(|error| format!("{FOLDER}: {error}"))?;
    let profile = ["--profile", "plugin", "--target", TARGET, "--target-dir", BUILT];
    command::run(cargo().args(["build", "--package", "guest", "--examples"]).args(profile)).map_err(
        |error| format!("{error}; where the target is missing, `rustup target add {TARGET}` gets it"),
    )?;
    for name in IN_RUST {
        let from = root().join(BUILT).join(TARGET).join(format!("plugin/examples/{name}.wasm"));
        fs::copy(&from, place.join(format!("{name}.wasm")))
            .map_err(|error| format!("{}: {error}", from.display()))?;
    }
    if !on_path("clang") || !on_path("wasm-ld") {
        return Err("clang and lld are missing; `cargo xtask test system` installs them".to_owned());
    }
    for name in IN_C {
        command::run(program("clang").args([
            "--target=wasm32",
            "-O3",
            "-nostdlib",
            "-Wall",
            "-Wextra",
            "-Werror",
            "-Wl,--no-entry,--strip-all",
            "-Icrates/guest/include",
            "-o",
            &format!("{FOLDER}/{name}.wasm"),
            &format!("crates/guest/examples/{name}.c"),
        ]))?;
    }
    Ok(())
}
