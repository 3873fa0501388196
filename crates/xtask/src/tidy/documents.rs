//! Whether the pages on the architecture and the dependencies tell the truth.

use std::collections::BTreeSet;

use super::imports::ALLOWED;
use crate::workspace::Workspace;

/// The rows of the first table under a heading: each row's cells, trimmed.
pub(super) fn table_under<'a>(page: &'a str, heading: &str) -> Option<Vec<Vec<&'a str>>> {
    let mut lines = page.lines().skip_while(|line| line.trim_end() != heading);
    lines.next()?;
    let mut table = lines
        .take_while(|line| !line.starts_with('#'))
        .skip_while(|line| !line.starts_with('|'))
        .take_while(|line| line.starts_with('|'));
    table.next()?;
    let rows = table.skip(1);
    Some(rows.map(|line| line.trim().trim_matches('|').split('|').map(str::trim).collect()).collect())
}

/// The names between backquotes in a cell.
pub(super) fn names(cell: &str) -> Vec<&str> {
    cell.split('`').skip(1).step_by(2).collect()
}

/// The table of crates must list exactly ours, and for each what the matrix of
/// imports allows.
pub(super) fn check_architecture(page: &str, workspace: &Workspace) -> Vec<String> {
    const PAGE: &str = "docs/architecture.md";
    let Some(rows) = table_under(page, "## The crates") else {
        return vec![format!("{PAGE}: there is no table under `## The crates`")];
    };
    let mut breaches = Vec::new();
    let mut listed = BTreeSet::new();
    for row in &rows {
        let name = names(row.first().copied().unwrap_or_default()).first().copied().unwrap_or_default();
        if !listed.insert(name) {
            breaches.push(format!("{PAGE}: lists `{name}` twice"));
        }
        if !workspace.crates().any(|package| package.name == name) {
            breaches.push(format!("{PAGE}: lists the crate `{name}`, and there is none"));
        }
        let told: BTreeSet<&str> = names(row.get(2).copied().unwrap_or_default()).into_iter().collect();
        if let Some((_, may)) = ALLOWED.iter().find(|(known, _)| *known == name) {
            // `units` may be imported by all and is not repeated in each row.
            let held: BTreeSet<&str> = may.iter().copied().filter(|import| *import != "units").collect();
            if told != held {
                breaches.push(format!(
                    "{PAGE}: says that `{name}` may import {told:?}; the matrix holds {held:?}"
                ));
            }
        }
    }
    for package in workspace.crates() {
        if !listed.contains(package.name.as_str()) {
            breaches.push(format!("{PAGE}: does not list the crate `{}`", package.name));
        }
    }
    breaches
}

/// The table of dependencies must list exactly those of the workspace, each of
/// which some crate must use.
pub(super) fn check_dependencies(page: &str, manifest: &str, workspace: &Workspace) -> Vec<String> {
    const PAGE: &str = "docs/dependencies.md";
    let Some(rows) = table_under(page, "## The dependencies") else {
        return vec![format!("{PAGE}: there is no table under `## The dependencies`")];
    };
    let listed: BTreeSet<&str> =
        rows.iter().flat_map(|row| names(row.first().copied().unwrap_or_default())).collect();
    let declared: BTreeSet<&str> = external_dependencies(manifest).into_iter().collect();
    let mut breaches = Vec::new();
    for name in declared.difference(&listed) {
        breaches.push(format!("{PAGE}: does not list `{name}` with its reason"));
    }
    for name in listed.difference(&declared) {
        breaches.push(format!("{PAGE}: lists `{name}`, which the workspace does not name"));
    }
    for name in &declared {
        let used = workspace.ours().any(|package| package.dependencies.iter().any(|one| one.name == *name));
        if !used {
            breaches.push(format!("Cargo.toml: no crate uses the dependency `{name}`"));
        }
    }
    for package in workspace.ours() {
        for dependency in &package.dependencies {
            let name = dependency.name.as_str();
            if !declared.contains(name) && !workspace.ours().any(|other| other.name == name) {
                breaches.push(format!(
                    "{}/Cargo.toml: `{name}` is not among the workspace's dependencies",
                    package.folder
                ));
            }
        }
    }
    breaches
}

/// The names under `[workspace.dependencies]` that are not folders of ours.
/// One line holds one dependency; a longer form is not used here.
fn external_dependencies(manifest: &str) -> Vec<&str> {
    manifest
        .lines()
        .skip_while(|line| line.trim() != "[workspace.dependencies]")
        .skip(1)
        .take_while(|line| !line.starts_with('['))
        .filter(|line| !line.trim_start().starts_with('#') && !line.contains("path = "))
        .filter_map(|line| line.split_once('='))
        .map(|(name, _)| name.trim())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::workspace::{Dependency, Kind, Package};

    fn workspace(names: &[&str], dependency: &str) -> Workspace {
        let packages = names
            .iter()
            .map(|name| Package {
                name: (*name).to_owned(),
                version: "0.1.0".to_owned(),
                ours: true,
                folder: format!("crates/{name}"),
                licence: None,
                dependencies: vec![Dependency { name: dependency.to_owned(), kind: Kind::Normal }],
            })
            .collect();
        Workspace { packages }
    }

    const ARCHITECTURE: &str = "\
# Architecture

## The crates

Words.

| crate | duty | may import |
| --- | --- | --- |
| `units` | quantities | |
| `cabin` | the car | `dsp` |

## More

| `ghost` | in another table | |
";

    #[test]
    fn a_true_table_of_crates_passes() {
        assert_eq!(check_architecture(ARCHITECTURE, &workspace(&["units", "cabin"], "serde")), [""; 0]);
    }

    #[test]
    fn missing_crates_ghosts_and_false_arrows_are_breaches() {
        let breaches = check_architecture(ARCHITECTURE, &workspace(&["units", "cabin", "dsp"], "serde"));
        assert_eq!(breaches, ["docs/architecture.md: does not list the crate `dsp`"]);
        let breaches = check_architecture(ARCHITECTURE, &workspace(&["units"], "serde"));
        assert_eq!(breaches, ["docs/architecture.md: lists the crate `cabin`, and there is none"]);
        let false_arrow = ARCHITECTURE.replace("`dsp`", "`job`");
        let breaches = check_architecture(&false_arrow, &workspace(&["units", "cabin"], "serde"));
        assert!(breaches.len() == 1 && breaches[0].contains("may import"), "{breaches:?}");
        assert_eq!(check_architecture("# Nothing", &workspace(&[], "")).len(), 1);
    }

    const MANIFEST: &str = "\
[workspace.dependencies]
# Ours.
units = { path = \"crates/units\" }

serde = { version = \"1\", features = [\"derive\"] }
rtrb = \"0.4\"

[profile.dev]
debug = 1
";

    #[test]
    fn only_the_dependencies_of_others_are_read_from_the_manifest() {
        assert_eq!(external_dependencies(MANIFEST), ["serde", "rtrb"]);
    }

    #[test]
    fn dependencies_without_a_reason_a_user_or_a_name_are_breaches() {
        let page = "## The dependencies\n\n| name | reason |\n| --- | --- |\n| `serde` | data |\n| `rtrb` | rings |\n";
        let mut both = workspace(&["units"], "serde");
        both.packages.extend(workspace(&["dsp"], "rtrb").packages);
        assert_eq!(check_dependencies(page, MANIFEST, &both), [""; 0]);
        let breaches = check_dependencies(page, MANIFEST, &workspace(&["units"], "serde"));
        assert_eq!(breaches, ["Cargo.toml: no crate uses the dependency `rtrb`"]);
        let breaches = check_dependencies(&page.replace("`rtrb`", "`hound`"), MANIFEST, &both);
        assert_eq!(breaches.len(), 2, "{breaches:?}");
        let mut stray = both.clone();
        stray.packages.extend(workspace(&["chart"], "left-over").packages);
        let breaches = check_dependencies(page, MANIFEST, &stray);
        assert!(breaches.len() == 1 && breaches[0].contains("`left-over`"), "{breaches:?}");
    }
}
