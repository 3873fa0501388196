//! Measurements from third parties: where they lie, which there are, and whether
//! one is fit to be used.

use std::fmt;
use std::path::{Path, PathBuf};
use std::time::Instant;

use host::{Plugin, Registry, Trial, UnknownMeasurement};
use measure::{Finding, FindingLevel, Manifest};
use serde::Serialize;

use library::{Error, Result, place};

#[cfg(test)]
mod tests;

/// Names the plugin folder instead of the usual one.
const FOLDER_VARIABLE: &str = "HEADREST_PLUGINS";

/// The folder whose `.wasm` files are measurements: what the environment variable
/// `HEADREST_PLUGINS` names, or else `headrest/plugins` where the system keeps a
/// program's data. Nothing when the system knows no home.
#[must_use]
pub fn plugin_folder() -> Option<PathBuf> {
    #[cfg(test)]
    if let Some(folder) = tests::folder() {
        return Some(folder);
    }
    let named = std::env::var_os(FOLDER_VARIABLE).filter(|folder| !folder.is_empty());
    named.map(PathBuf::from).or_else(|| Some(place::data()?.join("plugins")))
}

/// The measurements among which this one is: plugins are looked at only for a
/// dotted name, as they alone have one.
#[must_use]
pub fn registry(id: &str) -> Registry {
    let registry = Registry::built_in();
    match plugin_folder().filter(|_| id.contains('.')) {
        Some(folder) => registry.with_plugin(&folder, id),
        None => registry,
    }
}

/// All measurements.
#[must_use]
pub fn whole_registry() -> Registry {
    let registry = Registry::built_in();
    match plugin_folder() {
        Some(folder) => registry.with_plugins(&folder),
        None => registry,
    }
}

/// Why a name is not known, with where plugins were looked for.
#[must_use]
pub fn unknown(registry: &Registry, unknown: &UnknownMeasurement) -> Error {
    let Some(folder) = plugin_folder().filter(|_| unknown.id.contains('.')) else {
        return Error::input(unknown.to_string());
    };
    let unfit = registry.files().iter().filter(|file| file.plugin.is_err()).count();
    let unfit = match unfit {
        0 => String::new(),
        count => format!(", where {count} cannot be used (`headrest plugins` says why)"),
    };
    Error::input(format!("{unknown}; plugins are looked for in {}{unfit}", folder.display()))
}

/// What was found out about a plugin's file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PluginCheck {
    file: String,
    sha256: String,
    manifest: Manifest,
    /// How long it took to read and compile.
    load_s: f64,
    dry_run: Vec<Outcome>,
    /// How long it takes for a block of 1,024 frames.
    block_s: Option<f64>,
    slowest_block_s: Option<f64>,
    /// How long such a block lasts.
    budget_s: Option<f64>,
    /// Whether it is fed while it is recorded, and not afterwards.
    live: bool,
    log: Vec<String>,
    findings: Vec<Finding>,
}

/// What it made of one signal.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Outcome {
    signal: &'static str,
    values: usize,
    curves: usize,
    tables: usize,
    findings: Vec<Finding>,
}

/// Checks a plugin's file: loads it and lets it measure signals that everyone knows.
///
/// # Errors
/// When it is no plugin that could be used. What it does wrong in the dry run is
/// told in the findings.
pub fn check_plugin(file: &Path) -> Result<PluginCheck> {
    let begun = Instant::now();
    if !file.is_file() {
        // Not by opening it: a pipe that nobody writes to would be waited for.
        let kind = match std::fs::metadata(file) {
            Ok(kind) if kind.is_dir() => std::io::ErrorKind::IsADirectory.into(),
            Ok(_) => std::io::Error::other("it is a pipe or a device, not a file"),
            Err(error) => error,
        };
        return Err(Error::io("read", file, &kind));
    }
    let plugin = host::check_plugin(file).map_err(|finding| Error::input(finding.text))?;
    let load_s = begun.elapsed().as_secs_f64();
    let Trial { answers, pace, log } = plugin.trial(&plugin.trial_start());
    let mut findings: Vec<Finding> =
        answers.iter().filter_map(|answer| answer.reading.as_ref().err()).cloned().collect();
    let live = pace.is_some_and(|pace| pace.keeps_up());
    if let Some(pace) = pace.filter(|_| !live) {
        findings.push(afterwards(&plugin, pace));
    }
    let dry_run = answers
        .into_iter()
        .map(|answer| match answer.reading {
            Ok(reading) => Outcome {
                signal: answer.signal,
                values: reading.values.len(),
                curves: reading.curves.len(),
                tables: reading.tables.len(),
                findings: reading.findings,
            },
            Err(fault) => {
                Outcome { signal: answer.signal, values: 0, curves: 0, tables: 0, findings: vec![fault] }
            }
        })
        .collect();
    Ok(PluginCheck {
        file: file.display().to_string(),
        sha256: plugin.hash().to_owned(),
        manifest: plugin.manifest().clone(),
        load_s,
        dry_run,
        block_s: pace.map(|pace| pace.block_s),
        slowest_block_s: pace.map(|pace| pace.slowest_s),
        budget_s: pace.map(|pace| pace.budget_s),
        live,
        log,
        findings,
    })
}

/// Says that a plugin is too slow to be fed while it is recorded.
pub(crate) fn afterwards(plugin: &Plugin, pace: host::Pace) -> Finding {
    Finding::note(
        "plugin-afterwards",
        format!(
            "`{}` takes {:.1} ms for a block that lasts {:.1} ms. It cannot keep up with the sound, so it gets \
             the recording afterwards.",
            plugin.manifest().id,
            1e3 * pace.block_s,
            1e3 * pace.budget_s
        ),
    )
}

impl PluginCheck {
    /// Whether it did something wrong in the dry run.
    #[must_use]
    pub fn failed(&self) -> bool {
        self.findings.iter().any(|finding| finding.level == FindingLevel::Stop)
    }

    /// What is to be said of it.
    #[must_use]
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }
}

impl Outcome {
    /// How much of what it told.
    fn counts(&self) -> String {
        let counts = [
            (self.values, "value"),
            (self.curves, "curve"),
            (self.tables, "table"),
            (self.findings.len(), "finding"),
        ];
        let told: Vec<String> = counts
            .into_iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, word)| format!("{count} {word}{}", if count == 1 { "" } else { "s" }))
            .collect();
        if told.is_empty() { "nothing told".to_owned() } else { told.join(", ") }
    }
}

impl fmt::Display for PluginCheck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Manifest { id, title, version, .. } = &self.manifest;
        writeln!(f, "{id} {version}: {title}")?;
        writeln!(f, "File      {}", self.file)?;
        writeln!(f, "SHA-256   {}", self.sha256)?;
        writeln!(
            f,
            "Loaded    in {:.0} ms; the interface's version and the manifest are in order",
            1e3 * self.load_s
        )?;
        writeln!(f, "Dry run")?;
        for outcome in &self.dry_run {
            let stopped = outcome.findings.iter().find(|finding| finding.level == FindingLevel::Stop);
            let told = match stopped {
                Some(finding) => format!("no result ({})", finding.code),
                None => outcome.counts(),
            };
            writeln!(f, "  {:26} {told}", outcome.signal)?;
        }
        if let (Some(block_s), Some(slowest_s), Some(budget_s)) =
            (self.block_s, self.slowest_block_s, self.budget_s)
        {
            writeln!(
                f,
                "Pace      {:.1} µs for a block of 1,024 frames ({:.1} µs the slowest), {:.2} % of the {:.1} ms that it lasts",
                1e6 * block_s,
                1e6 * slowest_s,
                100.0 * block_s / budget_s,
                1e3 * budget_s
            )?;
            let when = if self.live { "while it is recorded" } else { "afterwards, from the recording" };
            writeln!(f, "Fed       {when}")?;
        }
        self.log.iter().try_for_each(|line| writeln!(f, "Log       {line}"))
    }
}
