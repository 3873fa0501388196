//! Job folders, as the command line makes, shows, lists and checks them.

use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;

use job::Job;
use measure::FindingLevel;
use serde::Serialize;
use units::quantity::{counted, sentence};
use units::text::one_line;

use library::Result;

/// Makes a job folder.
///
/// # Errors
/// When the folder is in use or cannot be made.
pub(crate) fn new_job(dir: &Path, name: Option<&str>, car: &str) -> Result<()> {
    procedure::create_job(dir, name, car).map(drop)
}

/// What a job holds, for a person or a program.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct JobSummary {
    name: String,
    vehicle: String,
    created: String,
    /// What is known of the car, the source, the processor, the amplifiers and the drivers.
    intake: job::Intake,
    notes: String,
    stages: Vec<StageSummary>,
    clean_step: Option<u32>,
    bands: usize,
    captures: Vec<CaptureSummary>,
    discarded: usize,
    findings: Vec<measure::Finding>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct StageSummary {
    stage: &'static str,
    result: String,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct CaptureSummary {
    id: u32,
    label: String,
    set: Option<String>,
    stage: &'static str,
    measurement: String,
    position: String,
    driver: String,
    channel: String,
    /// How it is known where it belongs.
    placed_by: Option<job::PlacedBy>,
    /// What it was made under, as far as it was noted.
    conditions: BTreeMap<&'static str, String>,
    started: String,
    complete: bool,
}

/// Shows what a job holds.
///
/// # Errors
/// When the folder is no job or cannot be read.
pub(crate) fn show_job(dir: &Path) -> Result<JobSummary> {
    let job = Job::open_to_read(dir)?;
    let data = job.data();
    Ok(JobSummary {
        name: data.head.name.clone(),
        vehicle: data.intake.vehicle.clone(),
        created: data.head.created.to_string(),
        intake: data.intake.clone(),
        notes: data.notes.clone(),
        stages: data
            .stages
            .iter()
            .map(|(stage, result)| StageSummary { stage: stage.word(), result: result.line.clone() })
            .collect(),
        clean_step: data.source.clean_step,
        bands: data.bands.len(),
        captures: job
            .captures()
            .iter()
            .map(|capture| CaptureSummary {
                id: capture.id.0,
                label: capture.meta.label.clone(),
                set: capture.meta.set.as_ref().map(|set| set.word().to_owned()),
                stage: capture.meta.stage.word(),
                measurement: capture.meta.measurement.clone(),
                position: capture.meta.position.clone(),
                driver: capture.meta.driver.clone(),
                channel: capture.meta.processor_channel.clone(),
                placed_by: capture.meta.placed_by,
                conditions: capture.meta.conditions.entries().into_iter().collect(),
                started: capture.meta.started.to_string(),
                complete: capture.state == job::CaptureState::Done,
            })
            .collect(),
        discarded: job.discarded().len(),
        findings: job.problems().to_vec(),
    })
}

impl fmt::Display for JobSummary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let vehicle = if self.vehicle == self.name { "" } else { &self.vehicle };
        let between = if vehicle.is_empty() { "" } else { ", " };
        writeln!(f, "{}{between}{vehicle}", self.name)?;
        writeln!(f, "Begun on {}", day(&self.created))?;
        for (label, text) in self.known() {
            // A line break in it must not look like a line of ours.
            writeln!(f, "{label:11} {}", one_line(&text))?;
        }
        for StageSummary { stage, result } in &self.stages {
            writeln!(f, "{:11} {result}", sentence(stage))?;
        }
        if let Some(step) = self.clean_step {
            writeln!(f, "Maximum clean volume: {step}")?;
        }
        let captures = counted(self.captures.len(), "capture", "captures");
        writeln!(f, "{}, {captures}, {} discarded", counted(self.bands, "band", "bands"), self.discarded)?;
        let rows: Vec<[String; 5]> = self.captures.iter().map(row).collect();
        let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
        let (measurement, stage, set) = (width(1), width(2), width(3));
        for [id, of, at, side, what] in &rows {
            let line = format!("  {id}  {of:measurement$}  {at:stage$}  {side:set$}  {what}");
            writeln!(f, "{}", line.trim_end())?;
        }
        self.findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text))
    }
}

impl JobSummary {
    /// What was entered of the car, a line each.
    fn known(&self) -> Vec<(&'static str, String)> {
        let job::Intake { plate, customer, source, processor, amplifiers, drivers, .. } = &self.intake;
        let tap = if source.tap.is_empty() { String::new() } else { format!("taken at: {}", source.tap) };
        let both = if source.name.is_empty() || tap.is_empty() { "" } else { ", " };
        let names = |all: Vec<String>| all.join("; ");
        let known = [
            ("Customer", customer.clone()),
            ("Plate", plate.clone()),
            ("Source unit", format!("{}{both}{tap}", source.name)),
            ("Processor", processor.clone()),
            ("Amplifiers", names(amplifiers.iter().map(ToString::to_string).collect())),
            ("Drivers", names(drivers.iter().map(ToString::to_string).collect())),
            ("Notes", self.notes.clone()),
        ];
        known.into_iter().filter(|(_, text)| !text.is_empty()).collect()
    }
}

/// A capture as number, measurement, stage, set, and everything else.
fn row(capture: &CaptureSummary) -> [String; 5] {
    let CaptureSummary { id, label, measurement, stage, position, .. } = capture;
    let mut what = label.clone();
    if !position.is_empty() && !label.contains(position.as_str()) {
        what.push_str(if what.is_empty() { "" } else { ", " });
        what.push_str(position);
    }
    let under: Vec<String> = capture.conditions.iter().map(|(name, value)| condition(name, value)).collect();
    if !under.is_empty() {
        what.push_str(&format!("  ({})", under.join(", ")));
    }
    if capture.placed_by == Some(job::PlacedBy::Proposal) {
        what.push_str("  (proposed)");
    }
    if !capture.complete {
        what.push_str("  (interrupted)");
    }
    let set = capture.set.clone().unwrap_or_default();
    [format!("{id:04}"), measurement.clone(), (*stage).to_owned(), set, what]
}

/// A condition so that it is understood without its name.
fn condition(name: &str, value: &str) -> String {
    if name == "volume-step" { format!("step {value}") } else { value.to_owned() }
}

/// The day of a time stamp.
fn day(created: &str) -> &str {
    created.split('T').next().unwrap_or(created)
}

/// The jobs in a folder.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(transparent)]
pub(crate) struct JobList(Vec<JobListed>);

#[derive(Debug, Clone, PartialEq, Serialize)]
struct JobListed {
    dir: String,
    name: String,
    vehicle: String,
    created: Option<String>,
    captures: usize,
    problem: Option<String>,
}

/// Lists the jobs in a folder, newest first.
///
/// # Errors
/// When the folder cannot be read.
pub(crate) fn list_jobs(dir: &Path) -> Result<JobList> {
    let listed = job::list(dir)?.into_iter().map(|listed| JobListed {
        dir: listed.dir.display().to_string(),
        name: listed.name,
        vehicle: listed.vehicle,
        created: listed.created.map(|created| created.to_string()),
        captures: listed.captures,
        problem: listed.problem,
    });
    Ok(JobList(listed.collect()))
}

impl fmt::Display for JobList {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() {
            return writeln!(f, "No job here; `headrest job new DIR` makes one");
        }
        let width =
            |of: fn(&JobListed) -> &str| self.0.iter().map(|job| of(job).chars().count()).max().unwrap_or(0);
        let (dirs, names, vehicles) =
            (width(|job| &job.dir), width(|job| &job.name), width(|job| &job.vehicle));
        self.0.iter().try_for_each(|job| {
            let JobListed { dir, name, vehicle, captures, .. } = job;
            let begun = job.created.as_deref().map_or("", day);
            match &job.problem {
                None => writeln!(
                    f,
                    "{dir:dirs$}  {begun:10}  {name:names$}  {vehicle:vehicles$}  {}",
                    counted(*captures, "capture", "captures")
                ),
                Some(problem) => writeln!(f, "{dir:dirs$}  cannot be opened: {problem}"),
            }
        })
    }
}

/// What was found in a job folder, and what was done about it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct JobCheck {
    dir: String,
    captures: usize,
    sound: bool,
    lines: Vec<JobCheckLine>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct JobCheckLine {
    path: String,
    repaired: bool,
    #[serde(flatten)]
    finding: measure::Finding,
}

/// Looks for damage and unfinished captures, and mends what can be mended.
///
/// # Errors
/// When the folder is no job or cannot be read.
pub(crate) fn check_job(dir: &Path) -> Result<JobCheck> {
    let check = job::check(dir)?;
    Ok(JobCheck {
        dir: check.dir.display().to_string(),
        captures: check.captures,
        sound: check.is_sound(),
        lines: check
            .lines
            .into_iter()
            .map(|line| JobCheckLine {
                path: line.path.display().to_string(),
                repaired: line.repaired,
                finding: line.finding,
            })
            .collect(),
    })
}

impl JobCheck {
    /// Whether nothing is left for a person to do.
    #[must_use]
    pub(crate) fn is_sound(&self) -> bool {
        self.sound
    }
}

/// So many notes are read: a folder may hold a hundred thousand things that are not its own. What is damaged or was
/// repaired is told in any case.
const MOST_NOTES: usize = 20;

impl fmt::Display for JobCheck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut notes = 0;
        for JobCheckLine { path, repaired, finding } in &self.lines {
            if finding.level == FindingLevel::Note && !repaired {
                notes += 1;
                if notes > MOST_NOTES {
                    continue;
                }
            }
            let repaired = if *repaired { "repaired: " } else { "" };
            writeln!(f, "{path}: {repaired}{}", finding.text)?;
        }
        if notes > MOST_NOTES {
            let more = counted(notes - MOST_NOTES, "note", "notes");
            writeln!(f, "{more} more, which `--json` tells")?;
        }
        let verdict = if self.sound { "everything is in order" } else { "something is left for you to do" };
        writeln!(f, "{}: {}, {verdict}", self.dir, counted(self.captures, "capture", "captures"))
    }
}

#[cfg(test)]
mod tests {
    use measure::Finding;

    use super::*;

    #[test]
    fn a_hundred_thousand_notes_are_a_few_lines_and_no_damage_is_left_out() {
        let line = |path: String, finding: Finding| JobCheckLine { path, repaired: false, finding };
        let strange =
            (0..100_000).map(|i| line(format!("captures/x{i}"), Finding::note("unknown-file", "Not ours.")));
        let damaged = (1..50).map(|i| line(format!("captures/{i:04}"), Finding::stop("damaged", "Damaged.")));
        let lines = strange.chain(damaged).collect();
        let check = JobCheck { dir: "car".to_owned(), captures: 49, sound: false, lines };
        let text = check.to_string();
        assert_eq!(text.lines().count(), MOST_NOTES + 49 + 2, "{text}");
        assert!(text.contains("99980 notes more") && text.contains("captures/0049: Damaged."), "{text}");
    }
}
