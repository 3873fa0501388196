//! Carries out `job capture`, `job compute` and `job export`.

use std::path::{Path, PathBuf};

use ::job::{CaptureId, Job, PlacedBy, Set};
use library::Error;
use library::files::{Written, write_bytes, write_text};
use procedure::papers::{self, PageSize, SheetForm};
use procedure::reading_response;
use procedure::{OpenJob, Recomputed};
use project::{Change, Placement};
use serde::Serialize;
use units::quantity::counted;

use crate::flags::{JobCapture, JobCompute, JobExport};
use crate::outcome::{Ended, Outcome, files_written, print};

/// Says where a capture belongs, or takes it away, or brings it back.
pub(crate) fn capture(flags: &JobCapture) -> Outcome {
    let mut open = OpenJob::new(Job::open(&flags.dir).map_err(Error::from)?);
    let id = CaptureId(flags.number);
    let project = open.project();
    let missing =
        |place: &str| Error::input(format!("{}: there is no capture {id} {place}", flags.dir.display()));
    let known = if flags.restore {
        let discarded = project.discarded.iter().find(|capture| capture.id == id);
        discarded.ok_or_else(|| missing("among those that were discarded"))?
    } else {
        project.capture(id).ok_or_else(|| missing("in the job"))?
    };
    let was = Placement::of(&known.meta);
    let mut placement = was.clone();
    let say = |word: &Option<String>, of: &mut String| {
        if let Some(word) = word {
            word.clone_into(of);
        }
    };
    say(&flags.label, &mut placement.label);
    say(&flags.position, &mut placement.position);
    say(&flags.driver, &mut placement.driver);
    say(&flags.channel, &mut placement.processor_channel);
    if let Some(set) = &flags.set {
        placement.set = Set::from_word(set);
    }
    let told = flags.conditions.note(&mut placement.conditions)?
        || [&flags.label, &flags.position, &flags.driver, &flags.channel, &flags.set]
            .iter()
            .any(|one| one.is_some());
    if !told && !flags.restore && !flags.discard {
        return Err(Error::input(
            "nothing to change was given; add --label, --position, --driver, --channel, --set, --step, --rpm, --kmh, \
             --mode, --note, --discard or --restore",
        )
        .into());
    }
    let mut changes = Vec::new();
    changes.extend(flags.restore.then_some(Change::Restored(id)));
    if told {
        placement.placed_by = Some(PlacedBy::Person);
        changes.push(Change::Placed { id, placement });
    }
    changes.extend(flags.discard.then_some(Change::Discarded(id)));
    open.apply(Change::Together(changes))?;
    let what = if flags.discard { "discarded; its recording is kept" } else { "changed" };
    let place = if flags.discard { "discarded" } else { "captures" };
    files_written(&[Written::new(&flags.dir.join(place).join(id.to_string()), what)], flags.json.json)
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
        let measurement = self.captures.iter().map(|one| one.measurement.chars().count()).max().unwrap_or(0);
        for Recomputed { capture, label, measurement: of, was_made_by, same, changed, .. } in &self.captures {
            let verdict = if *same { "the same" } else { "changed" };
            writeln!(f, "{capture:04}  {of:measurement$}  {verdict:8}  {label}")?;
            if !same && !was_made_by.is_empty() && was_made_by != PROGRAM {
                writeln!(f, "      made by version {was_made_by}, now by {PROGRAM}")?;
            }
            changed.iter().try_for_each(|line| writeln!(f, "      {line}"))?;
        }
        self.failed.iter().try_for_each(|Failed { capture, why }| writeln!(f, "{capture:04}  {why}"))?;
        let changed = self.captures.iter().filter(|one| !one.same).count();
        let of = |count: usize| counted(count, "reading", "readings");
        let same = self.captures.len() - changed;
        write!(f, "{} the same, {changed} changed", of(same))?;
        match self.failed.len() {
            0 => writeln!(f),
            failed => writeln!(f, ", {failed} could not be made again"),
        }
    }
}

/// The version of this program.
const PROGRAM: &str = env!("CARGO_PKG_VERSION");

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
    procedure::recompute_all(job.job(), &ids, |id, again| match again {
        Ok(again) => computed.captures.push(again),
        Err(error) => computed.failed.push(Failed { capture: id.0, why: error.to_string() }),
    });
    for change in computed.captures.iter().filter_map(Recomputed::change) {
        job.apply(change)?;
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
        write_bytes(&path, &papers::sheet(&flags.dir, form, PageSize::default())?)?;
        written.push(Written::new(&path, what));
    }
    let words = papers::wording(None)?;
    for (name, what) in
        [("report.html", "the customer's report"), ("report.pdf", "the customer's report as PDF")]
    {
        let path = out.join(name);
        papers::write_report(&flags.dir, &path, PageSize::default(), &words)?;
        written.push(Written::new(&path, what));
    }
    if flags.captures {
        written.extend(responses(&job, &out)?);
    }
    files_written(&written, flags.json.json)
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
