//! Builds the card, which is a plugin of ALSA in C.

use std::env;
use std::path::Path;
use std::process::Command;

fn main() {
    println!("cargo::rerun-if-changed=src/card.c");
    println!("cargo::rerun-if-env-changed=CC");
    let out = env::var("OUT_DIR").expect("cargo names the folder for what is built");
    println!("cargo::rustc-env=TEST_CARD={out}/libasound_module_pcm_testcard.so");
    if env::var("CARGO_CFG_TARGET_OS").as_deref() != Ok("linux") {
        return;
    }
    let compiler = env::var("CC").unwrap_or_else(|_| "cc".to_owned());
    let built = Command::new(&compiler)
        .args(["-shared", "-fPIC", "-O2", "-Wall", "-Wextra", "-Werror", "-DPIC", "-o"])
        .arg(Path::new(&out).join("libasound_module_pcm_testcard.so"))
        .args(["src/card.c", "-lasound", "-lm"])
        .status();
    assert!(
        built.as_ref().is_ok_and(std::process::ExitStatus::success),
        "the test card is not built by `{compiler}` ({built:?}). Install what Debian calls gcc and libasound2-dev \
         (`cargo xtask test system` does it)."
    );
}
