//! Who may import whom: a crate exists to forbid a dependency.

use crate::workspace::{Kind, Workspace};

/// Each crate with those of our crates that it may import; every arrow points
/// down. `docs/architecture.md` shows the same table with the reasons.
pub(super) const ALLOWED: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("measure", &["units"]),
    ("dsp", &["units"]),
    ("chart", &["units"]),
    ("recording", &["units"]),
    ("tuning", &["dsp", "measure", "units"]),
    ("measurements", &["dsp", "measure", "units"]),
    ("cabin", &["dsp", "units"]),
    ("sandbox", &["measure", "units"]),
    ("guest", &[]),
    ("preview", &["dsp", "units"]),
    ("host", &["measure", "measurements", "sandbox", "units"]),
    ("engine", &["preview", "recording", "units"]),
    ("job", &["measure", "recording", "tuning", "units"]),
    ("project", &["dsp", "job", "measure", "tuning", "units"]),
    ("library", &["job", "measure", "project", "recording", "tuning", "units"]),
    ("report", &["chart", "job", "measure", "tuning", "units"]),
    ("rig", &["cabin", "engine", "job", "library", "measure", "tuning", "units"]),
    (
        "procedure",
        &[
            "dsp",
            "engine",
            "host",
            "job",
            "library",
            "measure",
            "measurements",
            "preview",
            "project",
            "recording",
            "report",
            "rig",
            "tuning",
            "units",
        ],
    ),
    ("view", &["chart", "units"]),
    (
        "app",
        &[
            "chart",
            "dsp",
            "engine",
            "job",
            "library",
            "measure",
            "measurements",
            "preview",
            "procedure",
            "project",
            "report",
            "rig",
            "tuning",
            "units",
            "view",
        ],
    ),
    (
        "demonstration",
        &[
            "cabin",
            "engine",
            "host",
            "job",
            "library",
            "measure",
            "measurements",
            "procedure",
            "project",
            "rig",
            "tuning",
            "units",
        ],
    ),
    ("window", &["chart", "units", "view"]),
    (
        "cli",
        &[
            "demonstration",
            "engine",
            "host",
            "job",
            "library",
            "measure",
            "procedure",
            "project",
            "rig",
            "tuning",
            "units",
        ],
    ),
    ("headrest", &["app", "cli", "view", "window"]),
    ("testkit", &[]),
    ("xtask", &[]),
];

/// What a crate may import, where it is known.
fn allowed(name: &str) -> Option<&'static [&'static str]> {
    ALLOWED.iter().find(|(known, _)| *known == name).map(|(_, may)| *may)
}

/// Every arrow that must not be, and every crate that the matrix does not know.
///
/// The packages under `tests/` look at the workspace from outside and may import
/// any crate; nothing imports them. Dependencies for tests are free, as long as
/// cargo accepts them.
pub(super) fn check(workspace: &Workspace) -> Vec<String> {
    let mut breaches = Vec::new();
    for package in workspace.crates() {
        let Some(may) = allowed(&package.name) else {
            breaches.push(format!(
                "{}/Cargo.toml: the crate `{}` is not in the matrix of imports (crates/xtask/src/tidy/imports.rs)",
                package.folder, package.name
            ));
            continue;
        };
        for dependency in &package.dependencies {
            let is_ours = workspace.ours().any(|other| other.name == dependency.name);
            if is_ours && dependency.kind != Kind::Development && !may.contains(&dependency.name.as_str()) {
                breaches.push(format!(
                    "{}/Cargo.toml: `{}` must not import `{}`; it may import {}",
                    package.folder,
                    package.name,
                    dependency.name,
                    if may.is_empty() { "none of our crates".to_owned() } else { may.join(", ") }
                ));
            }
        }
    }
    for (name, _) in ALLOWED {
        if !workspace.crates().any(|package| package.name == *name) {
            breaches.push(format!(
                "crates/xtask/src/tidy/imports.rs: the matrix lists `{name}`, and there is no such crate"
            ));
        }
    }
    breaches
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::workspace::{Dependency, Package};

    fn ours(name: &str, dependencies: &[(&str, Kind)]) -> Package {
        Package {
            name: name.to_owned(),
            version: "0.1.0".to_owned(),
            ours: true,
            folder: format!("crates/{name}"),
            licence: None,
            dependencies: dependencies
                .iter()
                .map(|(name, kind)| Dependency { name: (*name).to_owned(), kind: *kind })
                .collect(),
        }
    }

    /// All crates of the matrix with no dependency, but for those given.
    fn workspace(changed: Vec<Package>) -> Workspace {
        let mut packages: Vec<Package> = ALLOWED
            .iter()
            .filter(|(name, _)| !changed.iter().any(|package| package.name == *name))
            .map(|(name, _)| ours(name, &[]))
            .collect();
        packages.extend(changed);
        Workspace { packages }
    }

    #[test]
    fn an_arrow_that_points_up_is_a_breach() {
        let breaches = check(&workspace(vec![ours("dsp", &[("app", Kind::Normal)])]));
        assert_eq!(breaches, ["crates/dsp/Cargo.toml: `dsp` must not import `app`; it may import units"]);
        let breaches = check(&workspace(vec![ours("engine", &[("host", Kind::Build)])]));
        assert_eq!(breaches.len(), 1, "{breaches:?}");
    }

    #[test]
    fn the_testkit_is_for_tests_only() {
        assert_eq!(check(&workspace(vec![ours("dsp", &[("testkit", Kind::Development)])])), [""; 0]);
        let breaches = check(&workspace(vec![ours("dsp", &[("testkit", Kind::Normal)])]));
        assert_eq!(breaches.len(), 1, "{breaches:?}");
    }

    #[test]
    fn strangers_and_ghosts_are_breaches() {
        let breaches = check(&workspace(vec![ours("attic", &[])]));
        assert!(breaches.len() == 1 && breaches[0].contains("`attic` is not in the matrix"), "{breaches:?}");
        let mut without = workspace(vec![]);
        without.packages.retain(|package| package.name != "view");
        let breaches = check(&without);
        assert!(breaches.len() == 1 && breaches[0].contains("lists `view`"), "{breaches:?}");
    }

    #[test]
    fn the_matrix_itself_has_no_circle() {
        // Each crate may import only crates that stand above it in the list,
        // which is therefore an order from the bottom up.
        for (index, (name, may)) in ALLOWED.iter().enumerate() {
            for import in *may {
                let place = ALLOWED.iter().position(|(known, _)| known == import);
                assert!(place.is_some_and(|place| place < index), "{name} may import {import}");
            }
        }
    }
}
