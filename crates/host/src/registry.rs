//! Which measurements there are.

use std::fmt;
use std::path::Path;

use measure::{Manifest, Measurement, nearest};
use sandbox::Plugin;

use crate::plugins::{PluginFile, plugin_in, plugins_in};

/// The measurements that can be run, by their ids.
pub struct Registry {
    /// Of the built-in ones first, then of the plugins.
    manifests: Vec<Manifest>,
    make: Make,
    files: Vec<PluginFile>,
}

/// Makes every measurement of a registry anew.
type Make = fn() -> Vec<Box<dyn Measurement>>;

/// There is no measurement of this name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownMeasurement {
    /// What was asked for.
    pub id: String,
    /// The ids that there are.
    pub known: Vec<String>,
}

impl fmt::Display for UnknownMeasurement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "there is no measurement `{}`", self.id)?;
        if let Some(near) = nearest(&self.id, self.known.iter().map(String::as_str)) {
            write!(f, "; did you mean `{near}`?")?;
        }
        write!(f, " (there are {})", self.known.join(", "))
    }
}

impl std::error::Error for UnknownMeasurement {}

impl Registry {
    /// The built-in measurements.
    #[must_use]
    pub fn built_in() -> Self {
        Self::of(measurements::built_ins)
    }

    /// The measurements that this function makes, anew at each call.
    #[must_use]
    pub fn of(make: Make) -> Self {
        let manifests = make().iter().map(|measurement| measurement.manifest()).collect();
        Self { manifests, make, files: Vec::new() }
    }

    /// These measurements and those that lie as plugins in a folder.
    #[must_use]
    pub fn with_plugins(self, folder: &Path) -> Self {
        self.with_files(plugins_in(folder))
    }

    /// These measurements and the plugin of this id, with as many of the others as were looked at on the way
    /// to it: a plugin that takes long to load keeps nobody from using another.
    #[must_use]
    pub fn with_plugin(self, folder: &Path, id: &str) -> Self {
        self.with_files(plugin_in(folder, id))
    }

    fn with_files(mut self, files: Vec<PluginFile>) -> Self {
        self.files.extend(files);
        self.manifests
            .extend(self.files.iter().filter_map(|file| Some(file.plugin.as_ref().ok()?.manifest().clone())));
        self
    }

    /// The files of the plugin folder, those that cannot be used among them.
    #[must_use]
    pub fn files(&self) -> &[PluginFile] {
        &self.files
    }

    /// The plugin of this id; nothing for a measurement that is built in.
    #[must_use]
    pub fn plugin(&self, id: &str) -> Option<&Plugin> {
        self.files
            .iter()
            .filter_map(|file| file.plugin.as_ref().ok())
            .find(|plugin| plugin.manifest().id == id)
    }

    /// What each measurement says of itself.
    pub fn manifests(&self) -> impl Iterator<Item = &Manifest> {
        self.manifests.iter()
    }

    /// What the measurement of this id says of itself.
    ///
    /// # Errors
    /// When there is none; the error names the nearest.
    pub fn manifest(&self, id: &str) -> Result<&Manifest, UnknownMeasurement> {
        self.manifests().find(|manifest| manifest.id == id).ok_or_else(|| self.unknown(id))
    }

    fn unknown(&self, id: &str) -> UnknownMeasurement {
        let known = self.manifests().map(|manifest| manifest.id.clone()).collect();
        UnknownMeasurement { id: id.to_owned(), known }
    }

    /// A new measurement of this id.
    ///
    /// # Errors
    /// When there is none; the error names the nearest.
    pub fn measurement(&self, id: &str) -> Result<Box<dyn Measurement>, UnknownMeasurement> {
        if let Some(plugin) = self.plugin(id) {
            return Ok(plugin.measurement());
        }
        (self.make)()
            .into_iter()
            .find(|measurement| measurement.manifest().id == id)
            .ok_or_else(|| self.unknown(id))
    }
}
