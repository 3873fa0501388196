//! `cargo xtask tidy`: the rules of the workspace that a compiler does not know.

mod documents;
mod findings;
mod imports;
mod licences;
mod modules;
mod sources;

use std::fs;
use std::path::Path;

use crate::command::root;
use crate::workspace::Workspace;

pub(crate) use licences::ALLOWED as LICENCES;

/// Checks every rule and prints each breach.
///
/// # Errors
/// When there is a breach, or a file cannot be read.
pub(crate) fn run() -> Result<(), String> {
    let breaches = check()?;
    for breach in &breaches {
        println!("{breach}");
    }
    match breaches.len() {
        0 => {
            println!("The workspace is tidy.");
            Ok(())
        }
        1 => Err("one rule of the workspace is broken".to_owned()),
        many => Err(format!("rules of the workspace are broken in {many} places")),
    }
}

/// All breaches, each as one line that names the place and what to do.
fn check() -> Result<Vec<String>, String> {
    let workspace = Workspace::load()?;
    let sources = sources::read(&root())?;
    let manifest = page("Cargo.toml")?;
    let mut breaches = imports::check(&workspace);
    breaches.extend(licences::check(&workspace));
    breaches.extend(sources::check(&sources));
    breaches.extend(modules::check(&sources));
    breaches.extend(documents::check_architecture(&page("docs/architecture.md")?, &workspace));
    breaches.extend(documents::check_dependencies(&page("docs/dependencies.md")?, &manifest, &workspace));
    breaches.extend(findings::check(&page("docs/findings.md")?, &sources));
    Ok(breaches)
}

fn page(name: &str) -> Result<String, String> {
    let path: &Path = &root().join(name);
    fs::read_to_string(path).map_err(|error| format!("{name}: {error}"))
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_workspace_is_tidy() {
        let breaches = super::check().unwrap();
        assert!(breaches.is_empty(), "{}", breaches.join("\n"));
    }
}
