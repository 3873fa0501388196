//! Measurements from third parties: the files of a folder.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use measure::{Finding, Stimulus, StimulusWanted, nearest};
use measurements::signals;
use sandbox::{MOST_FILE_BYTES, Plugin, Sandbox};

/// A file of the plugin folder.
#[derive(Debug, Clone)]
pub struct PluginFile {
    /// Where it lies.
    pub path: PathBuf,
    /// The plugin, or why it cannot be used.
    pub plugin: Result<Plugin, Finding>,
}

/// The plugins of a folder, by the names of their files. A folder that is not
/// there holds none.
///
/// What was compiled once in this program is not compiled again while its file
/// stays the same.
#[must_use]
pub fn plugins_in(folder: &Path) -> Vec<PluginFile> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "wasm") && path.is_file())
        .collect();
    paths.sort();
    let mut files: Vec<PluginFile> = Vec::new();
    for path in paths {
        let plugin = check_plugin(&path).and_then(|plugin| first_of_its_name(plugin, &path, &files));
        files.push(PluginFile { path, plugin });
    }
    files
}

/// Loads one file: whether it can be read, was made for this interface, and says
/// sensible things of itself.
///
/// # Errors
/// What is wrong with it.
pub fn check_plugin(path: &Path) -> Result<Plugin, Finding> {
    let who = path.display().to_string();
    let bytes = read(path).map_err(|error| {
        Finding::stop("plugin-unreadable", format!("The plugin {who} cannot be read: {error}."))
    })?;
    let plugin = sandbox()?.load(&bytes, &who)?;
    let stimulus = known(&plugin.manifest().stimulus).map_err(|why| {
        Finding::stop(
            "plugin-manifest",
            format!("The plugin {who} has a manifest that cannot be used: {why}. Report this to the plugin's author."),
        )
    })?;
    Ok(plugin.with_stimulus(stimulus))
}

/// At most one byte more than is taken, so that a giant file is not read whole.
fn read(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path)?.take(MOST_FILE_BYTES as u64 + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

fn first_of_its_name(plugin: Plugin, path: &Path, before: &[PluginFile]) -> Result<Plugin, Finding> {
    let id = &plugin.manifest().id;
    let same = |file: &&PluginFile| file.plugin.as_ref().is_ok_and(|other| other.manifest().id == *id);
    match before.iter().find(same) {
        Some(other) => Err(Finding::stop(
            "plugin-double",
            format!(
                "The plugins {} and {} are both called `{id}`; the first one is used. Remove one of them.",
                other.path.display(),
                path.display()
            ),
        )),
        None => Ok(plugin),
    }
}

/// The one sandbox of this program.
fn sandbox() -> Result<&'static Sandbox, Finding> {
    static SANDBOX: OnceLock<Result<Sandbox, Finding>> = OnceLock::new();
    SANDBOX.get_or_init(Sandbox::new).as_ref().map_err(Clone::clone)
}

/// The stimulus with its segments: a bare name is that of a standard track.
fn known(wanted: &StimulusWanted) -> Result<StimulusWanted, String> {
    let whole = |stimulus: &Stimulus| {
        if stimulus.segments.is_empty() {
            return signals::track(&stimulus.name).ok_or_else(|| {
                let tracks = signals::tracks();
                let names = || tracks.iter().map(|track| track.name.as_str());
                let meant = nearest(&stimulus.name, names()).map_or_else(
                    || format!("there are {}", names().collect::<Vec<_>>().join(", ")),
                    |name| format!("did its author mean `{name}`?"),
                );
                format!("there is no standard track `{}`; {meant}", stimulus.name)
            });
        }
        signals::check(stimulus)?;
        Ok(stimulus.clone())
    };
    Ok(match wanted {
        StimulusWanted::Known(stimulus) => StimulusWanted::Known(whole(stimulus)?),
        StimulusWanted::Suggested(stimulus) => StimulusWanted::Suggested(whole(stimulus)?),
        StimulusWanted::Any => StimulusWanted::Any,
        StimulusWanted::Quiet => StimulusWanted::Quiet,
    })
}
