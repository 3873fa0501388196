//! Carries out `job set`, `job capture`, `job compute` and `job export`.

use std::path::{Path, PathBuf};

use ::job::{CaptureId, Job, PlacedBy, PresetOrInline, Set};
use procedure::{OpenJob, Recomputed};
use project::{Change, Placement};
use serde::Serialize;
use session::{Error, PageSize, SheetForm, Written, reading_response, write_bytes, write_text};

use crate::flags::{JobCapture, JobCompute, JobExport, JobSet};
use crate::run::{Ended, Outcome, files_written, print};

/// The keys of `job set`, as a message lists them.
const KEYS: &str = "name, vehicle, customer, notes, source, tap, processor-name, target, processor";

/// Edits what a person says of a job.
pub(crate) fn set(flags: &JobSet) -> Outcome {
    let mut job = OpenJob::new(Job::open(&flags.dir).map_err(Error::from)?);
    // What cannot be used is told before anything is changed.
    let edits: Vec<(String, String)> =
        flags.settings.iter().map(|text| setting(text)).collect::<Result<_, _>>()?;
    let mut intake = job.project().data.intake.clone();
    let mut changes = Vec::new();
    for (key, value) in edits {
        match key.as_str() {
            "name" => changes.push(Change::Named(value)),
            "vehicle" => intake.vehicle = value,
            "customer" => intake.customer = value,
            "notes" => changes.push(Change::Notes(value)),
            "source" => intake.source.name = value,
            "tap" => intake.source.tap = value,
            "processor-name" => intake.processor = value,
            "target" => changes.push(Change::Target(preset(&value))),
            _ => changes.push(Change::Processor(preset(&value))),
        }
    }
    changes.push(Change::Intake(intake));
    job.apply(Change::Together(changes))?;
    files_written(&[Written::new(&flags.dir.join("job.json"), "changed")])
}

/// Splits `KEY=VALUE` and checks both.
fn setting(text: &str) -> Result<(String, String), Error> {
    let refuse =
        |what: &str| Error::input(format!("`{text}`: {what}; expected KEY=VALUE, with one of {KEYS}"));
    let (key, value) = text.split_once('=').ok_or_else(|| refuse("there is no `=`"))?;
    let (key, value) = (key.trim(), value.trim());
    match key {
        "name" | "vehicle" | "customer" | "notes" | "source" | "tap" | "processor-name" => {}
        "target" if value.is_empty() => {}
        "processor" if value.is_empty() => {}
        "target" => drop(library::target(value)?),
        "processor" => drop(library::profile(value)?),
        _ => {
            let near = session::nearest(key, KEYS.split(", "));
            let meant = near.map_or_else(String::new, |near| format!(" (did you mean `{near}`?)"));
            return Err(refuse(&format!("there is no key `{key}`{meant}")));
        }
    }
    Ok((key.to_owned(), value.to_owned()))
}

/// A preset by its name; a file's text, so that the job stands by itself; nothing for nothing.
fn preset(value: &str) -> Option<PresetOrInline> {
    if value.is_empty() {
        return None;
    }
    let path = Path::new(value);
    match std::fs::read_to_string(path) {
        Ok(text) if path.extension().is_some() => Some(PresetOrInline::Inline(text)),
        _ => Some(PresetOrInline::Preset(value.to_owned())),
    }
}

/// Says where a capture belongs, or takes it away, or brings it back.
pub(crate) fn capture(flags: &JobCapture) -> Outcome {
    let mut job = OpenJob::new(Job::open(&flags.dir).map_err(Error::from)?);
    let id = CaptureId(flags.number);
    let there = |captures: &[::job::Capture]| captures.iter().any(|capture| capture.id == id);
    let missing =
        |place: &str| Error::input(format!("{}: there is no capture {id} {place}", flags.dir.display()));
    if flags.restore {
        if !there(job.job().discarded()) {
            return Err(missing("among those that were discarded").into());
        }
        job.apply(Change::Restored(id))?;
    } else if !there(job.job().captures()) {
        return Err(missing("in the job").into());
    }
    let told = flags.label.is_some()
        || flags.position.is_some()
        || flags.channel.is_some()
        || flags.set.is_some()
        || flags.step.is_some();
    if !told && !flags.restore && !flags.discard {
        return Err(Error::input(
            "nothing to change was given; add --label, --position, --channel, --set, --step, --discard or --restore",
        )
        .into());
    }
    if let Some(known) = job.project().capture(id).filter(|_| told) {
        let mut placement = Placement::of(&known.meta);
        if let Some(label) = &flags.label {
            placement.label.clone_from(label);
        }
        if let Some(position) = &flags.position {
            placement.position.clone_from(position);
        }
        if let Some(channel) = &flags.channel {
            placement.processor_channel.clone_from(channel);
        }
        if let Some(set) = &flags.set {
            placement.set = Set::from_word(set);
        }
        if let Some(step) = flags.step {
            placement.conditions.volume_step = Some(step);
        }
        placement.placed_by = Some(PlacedBy::Person);
        job.apply(Change::Placed { id, placement })?;
    }
    if flags.discard {
        job.apply(Change::Discarded(id))?;
    }
    let what = if flags.discard { "discarded; its recording is kept" } else { "changed" };
    let place = if flags.discard { "discarded" } else { "captures" };
    files_written(&[Written::new(&flags.dir.join(place).join(id.to_string()), what)])
}

/// What was made again.
#[derive(Debug, Serialize)]
struct Computed {
    captures: Vec<Recomputed>,
    /// What could not be made again, with the reason.
    failed: Vec<Failed>,
}

#[derive(Debug, Serialize)]
struct Failed {
    capture: u32,
    why: String,
}

impl std::fmt::Display for Computed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for Recomputed { capture, label, measurement, same, changed, .. } in &self.captures {
            let verdict = if *same { "the same" } else { "changed" };
            writeln!(f, "{capture:04}  {measurement:9} {verdict:8}  {label}")?;
            changed.iter().try_for_each(|line| writeln!(f, "      {line}"))?;
        }
        self.failed.iter().try_for_each(|Failed { capture, why }| writeln!(f, "{capture:04}  {why}"))
    }
}

/// Makes readings again from their recordings, and keeps those that changed.
pub(crate) fn compute(flags: &JobCompute) -> Outcome {
    let mut job = OpenJob::new(Job::open(&flags.dir).map_err(Error::from)?);
    let all = || job.job().captures().iter().map(|capture| capture.id).collect();
    let ids: Vec<CaptureId> =
        if flags.numbers.is_empty() { all() } else { flags.numbers.iter().copied().map(CaptureId).collect() };
    if let Some(id) = ids.iter().find(|id| job.job().capture(**id).is_none()) {
        return Err(Error::input(format!("{}: there is no capture {id}", flags.dir.display())).into());
    }
    let mut computed = Computed { captures: Vec::new(), failed: Vec::new() };
    for id in ids {
        match procedure::recompute(job.job(), id) {
            Ok(again) => {
                if let Some(change) = again.change() {
                    job.apply(change)?;
                }
                computed.captures.push(again);
            }
            Err(error) => computed.failed.push(Failed { capture: id.0, why: error.to_string() }),
        }
    }
    print(&computed, flags.json.json)?;
    if computed.failed.is_empty() { Ok(()) } else { Err(Ended::NoResult) }
}

/// Writes what the job holds as files that others read.
pub(crate) fn export(flags: &JobExport) -> Outcome {
    let job = Job::open_to_read(&flags.dir).map_err(Error::from)?;
    let out = flags.out.clone().unwrap_or_else(|| flags.dir.join("exports"));
    std::fs::create_dir_all(&out)
        .map_err(|error| Error::input(format!("cannot make the folder {}: {error}", out.display())))?;
    let mut written = Vec::new();
    for (form, name, what) in [
        (SheetForm::Text, "sheet.txt", "the entry sheet"),
        (SheetForm::Csv, "bands.csv", "the band list"),
        (SheetForm::Json, "sheet.json", "the entry sheet for programs"),
        (SheetForm::Html, "sheet.html", "the entry sheet to print"),
        (SheetForm::Pdf, "sheet.pdf", "the entry sheet as PDF"),
    ] {
        let path = out.join(name);
        write_bytes(&path, &session::sheet(&flags.dir, form, PageSize::default())?)?;
        written.push(Written::new(&path, what));
    }
    let words = session::wording(None)?;
    for (name, what) in
        [("report.html", "the customer's report"), ("report.pdf", "the customer's report as PDF")]
    {
        let path = out.join(name);
        session::write_report(&flags.dir, &path, PageSize::default(), &words)?;
        written.push(Written::new(&path, what));
    }
    if flags.captures {
        written.extend(responses(&job, &out)?);
    }
    files_written(&written)
}

/// The response of each capture that has one.
fn responses(job: &Job, out: &Path) -> Result<Vec<Written>, Error> {
    let mut written = Vec::new();
    for capture in job.captures() {
        let Some(reading) = job.reading(capture.id)? else { continue };
        let Ok(response) = reading_response(&reading) else { continue };
        let path: PathBuf = out.join(format!("{}.csv", capture.id));
        write_text(&path, &response.to_csv())?;
        written.push(Written::new(&path, capture.meta.label.clone()));
    }
    Ok(written)
}
