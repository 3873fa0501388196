//! `cargo xtask deny`: licences, bans and sources of every dependency, and known weaknesses where the list of
//! them can be had, by `cargo deny`.

use std::fs;

use crate::command::{self, cargo, root, succeeds};
use crate::tidy;
use crate::workspace::target_folder;

/// Where the rules stand; the licences are filled in from the one list of them.
const RULES: &str = ".cargo/deny.toml";
/// What stands there in their place.
const NO_LICENCES: &str = "\nallow = []\n";

/// Checks everything that can be checked on this machine.
///
/// # Errors
/// When `cargo deny` is not there, or finds something.
pub(crate) fn run() -> Result<(), String> {
    if !succeeds(cargo().args(["deny", "--version"])) {
        return Err("cargo-deny is not installed; `cargo install --locked cargo-deny` brings it".to_owned());
    }
    let path = root().join(RULES);
    let rules = fs::read_to_string(&path).map_err(|error| format!("{RULES}: {error}"))?;
    let filled = target_folder()?.join("deny.toml");
    fs::write(&filled, with_licences(&rules)?).map_err(|error| format!("{}: {error}", filled.display()))?;
    let check = |what: &[&str]| {
        let mut command = cargo();
        command.args(["deny", "--config"]).arg(&filled).arg("check").args(what);
        command
    };
    command::run(&mut check(&["licenses", "bans", "sources"]))?;
    // The list is fetched; a machine without a way to it says so and checks the rest.
    if succeeds(cargo().args(["deny", "--config"]).arg(&filled).args(["fetch", "db"])) {
        command::run(&mut check(&["advisories"]))
    } else {
        println!("The list of known weaknesses cannot be had here, so none was looked for.");
        Ok(())
    }
}

fn with_licences(rules: &str) -> Result<String, String> {
    let list: Vec<String> = tidy::LICENCES.iter().map(|licence| format!("\"{licence}\"")).collect();
    let filled = rules.replacen(NO_LICENCES, &format!("\nallow = [{}]\n", list.join(", ")), 1);
    if filled == rules { Err(format!("{RULES}: the line `allow = []` is missing")) } else { Ok(filled) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_licences_are_those_of_the_one_list() {
        let rules = fs::read_to_string(root().join(RULES)).unwrap();
        let filled = with_licences(&rules).unwrap();
        assert!(filled.contains("\"MPL-2.0\"") && !filled.contains("GPL-3"), "{filled}");
        assert!(with_licences("[licenses]\n").is_err());
    }
}
