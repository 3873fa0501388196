//! The licences of everything inside the program, as one text.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use crate::command::{cargo, output, root};
use crate::workspace::Workspace;

/// How the files begin that hold a licence or a notice.
const NAMES: [&str; 5] = ["license", "licence", "copying", "notice", "unlicense"];

/// Every package that is linked into the program, and every text that comes with one, each once
/// with the packages that it is of.
///
/// # Errors
/// When cargo fails.
pub(crate) fn collected() -> Result<String, String> {
    let tree = ["tree", "--package", "headrest", "--edges", "normal", "--prefix", "none", "--format", "{p}"];
    let linked: BTreeSet<(String, String)> =
        output(cargo().args(tree))?.lines().filter_map(package).collect();
    let workspace = Workspace::load()?;
    let mut text = "Headrest may be used under the MIT licence or the Apache License 2.0. These libraries are inside, each \
                    under its own licence; where there is a choice (OR), any of them.\n\n"
        .to_owned();
    let mut texts: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for package in workspace.packages.iter().filter(|package| !package.ours) {
        if !linked.contains(&(package.name.clone(), package.version.clone())) {
            continue;
        }
        let name = format!("{} {}", package.name, package.version);
        text.push_str(&format!("{name}: {}\n", package.licence.as_deref().unwrap_or("see its text")));
        for found in texts_in(Path::new(&package.folder)) {
            texts.entry(found).or_default().push(name.clone());
        }
    }
    let font = "crates/window/assets/fonts/OFL.txt";
    text.push_str("B612 (the typeface): OFL-1.1\n");
    let found = fs::read_to_string(root().join(font)).map_err(|error| format!("{font}: {error}"))?;
    texts.entry(found).or_default().push("B612".to_owned());
    for (found, packages) in texts {
        text.push_str(&format!("\n{}\n{}\n\n{}\n", "=".repeat(80), packages.join(", "), found.trim()));
    }
    Ok(text)
}

/// The name and version of a line such as `serde v1.0.228 (proc-macro)`.
fn package(line: &str) -> Option<(String, String)> {
    let mut words = line.split_whitespace();
    Some((words.next()?.to_owned(), words.next()?.strip_prefix('v')?.to_owned()))
}

/// The licence texts that lie in a package's folder.
fn texts_in(folder: &Path) -> Vec<String> {
    let is_one = |path: &Path| {
        let name = path.file_name().unwrap_or_default().to_string_lossy().to_lowercase();
        NAMES.iter().any(|begin| name.starts_with(begin))
    };
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<_> = entries.flatten().map(|entry| entry.path()).filter(|path| is_one(path)).collect();
    paths.sort();
    paths.iter().filter_map(|path| fs::read_to_string(path).ok()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_the_tree_is_a_package() {
        let known = |line: &str| package(line).map(|(name, version)| format!("{name} {version}"));
        assert_eq!(known("serde v1.0.228"), Some("serde 1.0.228".to_owned()));
        assert_eq!(known("serde_derive v1.0.228 (proc-macro) (*)"), Some("serde_derive 1.0.228".to_owned()));
        assert_eq!(known(""), None);
    }
}
