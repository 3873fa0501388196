//! Measurements from third parties: the files of a folder.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{self, Receiver, SyncSender};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

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

/// How many files are loaded side by side. More than there are processors: a file that does wrong is held
/// to its limits by the clock, and meanwhile the others have the rest of the machine.
const SIDE_BY_SIDE: usize = 8;

/// How long the files that come before a wanted plugin have from the moment that it was found. One of them
/// might have the same name, and then be the first. As long as the largest file takes that is compiled at all.
const EARLIER_FILES: Duration = Duration::from_secs(1);

/// The plugins of a folder, by the names of their files. A folder that is not
/// there holds none.
///
/// The files are loaded side by side, so that one which takes its time delays no other. What was compiled
/// once in this program is not compiled again while its file stays the same.
#[must_use]
pub fn plugins_in(folder: &Path) -> Vec<PluginFile> {
    loaded(folder, None)
}

/// The same, looking for one plugin: when it is there, files that are not loaded yet are left out.
#[must_use]
pub fn plugin_in(folder: &Path, id: &str) -> Vec<PluginFile> {
    loaded(folder, Some(id))
}

/// One file, by its place in the folder, and what came of it.
type Loaded = (usize, Result<Plugin, Finding>);

fn loaded(folder: &Path, wanted: Option<&str>) -> Vec<PluginFile> {
    let paths = Arc::new(files_in(folder));
    let (over, next) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicUsize::new(0)));
    let (sender, results) = mpsc::sync_channel(paths.len());
    let workers = (0..SIDE_BY_SIDE.min(paths.len())).map_while(|_| {
        let (paths, over, next, sender) = (paths.clone(), over.clone(), next.clone(), sender.clone());
        let work = move || load_all(&paths, &next, &over, &sender);
        std::thread::Builder::new().name("host-load".to_owned()).spawn(work).ok()
    });
    if workers.count() == 0 {
        // The system has no thread to give.
        load_all(&paths, &next, &over, &sender);
    }
    drop(sender);
    let found = gather(&results, paths.len(), wanted);
    over.store(true, Ordering::Relaxed);
    let mut files: Vec<PluginFile> = Vec::new();
    for (path, result) in paths.iter().zip(found) {
        let Some(result) = result else { continue };
        let plugin = result.and_then(|plugin| first_of_its_name(plugin, path, &files));
        files.push(PluginFile { path: path.clone(), plugin });
    }
    files
}

/// What came of each file, in their order; nothing of those that nobody waited for.
fn gather(
    results: &Receiver<Loaded>,
    files: usize,
    wanted: Option<&str>,
) -> Vec<Option<Result<Plugin, Finding>>> {
    let mut found: Vec<Option<Result<Plugin, Finding>>> = vec![None; files];
    // The wanted plugin's place, and until when those before it are waited for.
    let mut wait: Option<(usize, Instant)> = None;
    loop {
        let limit = match wait {
            Some((first, _)) if found[..first].iter().all(Option::is_some) => break,
            Some((_, until)) => until.saturating_duration_since(Instant::now()),
            None => Duration::MAX,
        };
        // Out of time, or everything is there.
        let Ok((place, result)) = results.recv_timeout(limit) else { break };
        let id = result.as_ref().ok().map(|plugin| plugin.manifest().id.as_str());
        if wanted.is_some() && id == wanted {
            let (first, until) = wait.unwrap_or((place, Instant::now() + EARLIER_FILES));
            wait = Some((first.min(place), until));
        }
        found[place] = Some(result);
    }
    found
}

/// Loads what nobody has begun, until there is nothing more or nobody waits for it.
fn load_all(paths: &[PathBuf], next: &AtomicUsize, over: &AtomicBool, results: &SyncSender<Loaded>) {
    while !over.load(Ordering::Relaxed) {
        let place = next.fetch_add(1, Ordering::Relaxed);
        let Some(path) = paths.get(place) else { return };
        if results.send((place, check_plugin(path))).is_err() {
            return;
        }
    }
}

fn files_in(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "wasm") && path.is_file())
        .collect();
    paths.sort();
    paths
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
