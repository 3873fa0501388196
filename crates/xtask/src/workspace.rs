//! The workspace as `cargo metadata` describes it.

use std::path::PathBuf;

use serde_json::Value;

use crate::command::{cargo, output};

/// Every package that takes part in a build, ours and others'.
#[derive(Debug, Clone, Default)]
pub(crate) struct Workspace {
    pub(crate) packages: Vec<Package>,
}

/// One package.
#[derive(Debug, Clone)]
pub(crate) struct Package {
    pub(crate) name: String,
    pub(crate) version: String,
    /// Whether it is one of ours.
    pub(crate) ours: bool,
    /// The folder of its manifest, below the workspace's root where it is ours.
    pub(crate) folder: String,
    /// Its licence as an SPDX expression.
    pub(crate) licence: Option<String>,
    pub(crate) dependencies: Vec<Dependency>,
}

/// One line under a package's dependencies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Dependency {
    pub(crate) name: String,
    pub(crate) kind: Kind,
}

/// What a dependency is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Normal,
    Development,
    Build,
}

impl Workspace {
    /// Asks cargo.
    ///
    /// # Errors
    /// When cargo fails, or answers in a form that is not known.
    pub(crate) fn load() -> Result<Self, String> {
        Self::parse(&metadata(&[])?)
    }

    /// Reads cargo's answer.
    ///
    /// # Errors
    /// When it is not of the known form.
    pub(crate) fn parse(metadata: &Value) -> Result<Self, String> {
        let unknown = || "cargo metadata answers in a form that is not known here".to_owned();
        let root = metadata["workspace_root"].as_str().ok_or_else(unknown)?;
        let members = metadata["workspace_members"].as_array().ok_or_else(unknown)?;
        let packages = metadata["packages"].as_array().ok_or_else(unknown)?;
        let packages = packages
            .iter()
            .map(|package| parse_package(package, root, members))
            .collect::<Option<Vec<Package>>>()
            .ok_or_else(unknown)?;
        Ok(Self { packages })
    }

    /// Our own packages.
    pub(crate) fn ours(&self) -> impl Iterator<Item = &Package> {
        self.packages.iter().filter(|package| package.ours)
    }

    /// Our crates, without the packages under `tests/`.
    pub(crate) fn crates(&self) -> impl Iterator<Item = &Package> {
        self.ours().filter(|package| package.folder.starts_with("crates/"))
    }
}

fn parse_package(package: &Value, root: &str, members: &[Value]) -> Option<Package> {
    let manifest = package["manifest_path"].as_str()?.replace('\\', "/");
    let folder = manifest.strip_suffix("/Cargo.toml")?;
    let root = root.replace('\\', "/");
    let folder = folder.strip_prefix(&format!("{root}/")).unwrap_or(folder);
    let dependencies = package["dependencies"]
        .as_array()?
        .iter()
        .map(|dependency| {
            let kind = match dependency["kind"].as_str() {
                None => Kind::Normal,
                Some("dev") => Kind::Development,
                Some(_) => Kind::Build,
            };
            Some(Dependency { name: dependency["name"].as_str()?.to_owned(), kind })
        })
        .collect::<Option<Vec<Dependency>>>()?;
    Some(Package {
        name: package["name"].as_str()?.to_owned(),
        version: package["version"].as_str()?.to_owned(),
        ours: members.contains(&package["id"]),
        folder: folder.to_owned(),
        licence: package["license"].as_str().map(str::to_owned),
        dependencies,
    })
}

/// Where cargo puts what it builds.
///
/// # Errors
/// When cargo fails, or answers in a form that is not known.
pub(crate) fn target_folder() -> Result<PathBuf, String> {
    let metadata = metadata(&["--no-deps"])?;
    let folder = metadata["target_directory"].as_str();
    folder.map(PathBuf::from).ok_or_else(|| "cargo metadata names no target folder".to_owned())
}

fn metadata(arguments: &[&str]) -> Result<Value, String> {
    let text = output(cargo().args(["metadata", "--format-version", "1", "--quiet"]).args(arguments))?;
    serde_json::from_str(&text).map_err(|error| format!("cargo metadata: {error}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn our_crates_are_told_from_the_others() {
        let workspace = Workspace::load().unwrap();
        let xtask = workspace.crates().find(|package| package.name == "xtask").unwrap();
        assert_eq!(xtask.folder, "crates/xtask");
        let serde_json = workspace.packages.iter().find(|package| package.name == "serde_json").unwrap();
        assert!(!serde_json.ours);
        assert_eq!(serde_json.licence.as_deref(), Some("MIT OR Apache-2.0"));
        assert!(
            xtask.dependencies.contains(&Dependency { name: "serde_json".to_owned(), kind: Kind::Normal })
        );
    }

    #[test]
    fn a_form_that_is_not_known_is_refused() {
        assert!(Workspace::parse(&Value::Null).is_err());
        assert!(Workspace::parse(&serde_json::json!({"workspace_root": "/r", "packages": []})).is_err());
    }
}
