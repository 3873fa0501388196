//! The stage Handover: what came of the work, what is open, and the papers that say it.

use std::path::Path;

use view::{Action, Button, Card, CardFile, CardLine, FindingLine, SetMark, Stage, Tone};

use super::card::{button, line};
use super::derivation::Derivation;

/// What the stage is a function of.
pub(super) struct Handover<'a> {
    /// The job's folder, where one is open.
    pub(super) folder: Option<&'a Path>,
    /// The highest step at which the source is clean.
    pub(super) clean_step: Option<u32>,
    /// How far the response lies from the target, RMS: before, and after.
    pub(super) error_db: [Option<f64>; 2],
    /// How many bands are on.
    pub(super) bands: usize,
    /// What the check of the entry says: in a line, and one by one.
    pub(super) verdict: Option<CardLine>,
    pub(super) remarks: Vec<FindingLine>,
    /// The stages of which nothing came.
    pub(super) open: Vec<Stage>,
    /// Whether the papers were written.
    pub(super) written: bool,
}

impl Handover<'_> {
    pub(super) fn main(&self) -> Button {
        button(Action::WritePapers, "Write sheet and report", self.folder.is_some())
    }

    pub(super) fn card(&self) -> Card {
        let [before, after] = self.error_db;
        let error = |label: &str, db: Option<f64>| db.map(|db| line(label, format!("{db:.1} dB")));
        let lines = [error("Error before", before), error("Error after", after)].into_iter().flatten();
        let lines = lines.chain([line("Bands", self.bands.to_string())]).chain(self.verdict.clone());
        let mut findings = self.remarks.clone();
        if !self.open.is_empty() {
            let open: Vec<&str> = self.open.iter().map(|stage| stage.title()).collect();
            let text = format!("Not done: {}. The sheet says so too.", open.join(", "));
            findings.push(FindingLine { tone: Tone::Caution, text });
        }
        Card {
            files: self.files(),
            instruction: "Write the sheet for the processor and the report for the customer.".to_owned(),
            detail: "The files go into the job's folder “exports”: bands, entry sheet, report.".to_owned(),
            headline: self.clean_step.map_or_else(String::new, |step| format!("step {step}")),
            headline_caption: self.clean_step.map_or_else(String::new, |_| {
                "maximum clean volume: tell the customer never to go above it".to_owned()
            }),
            actions: vec![button(Action::ExportBands, "Export bands only", self.folder.is_some())],
            lines: lines.collect(),
            findings,
            ..Card::default()
        }
    }

    /// What was written for this job, as it can be opened.
    fn files(&self) -> Vec<CardFile> {
        let Some(folder) = self.folder.filter(|_| self.written) else { return Vec::new() };
        let folder = folder.join("exports");
        let file =
            |label: &str, path: &Path| CardFile { label: label.to_owned(), path: path.display().to_string() };
        vec![
            file("Open the entry sheet", &folder.join("sheet.pdf")),
            file("Open the report", &folder.join("report.pdf")),
            file("Open the folder", &folder),
        ]
    }
}

impl Derivation {
    /// The stage as it is now.
    pub(super) fn handover(&self) -> Handover<'_> {
        let before_it = Stage::ALL.into_iter().filter(|stage| *stage != Stage::Handover);
        Handover {
            folder: self.job.as_ref().map(|job| job.dir.as_path()),
            clean_step: self.clean_step(),
            error_db: [SetMark::Before, SetMark::After].map(|mark| self.deviation(mark)),
            bands: self.tune.bands().iter().filter(|band| band.enabled).count(),
            verdict: self.check_line(),
            remarks: self.check_lines(),
            open: before_it.filter(|stage| self.stage_line(*stage).result.is_empty()).collect(),
            written: self.handed_over,
        }
    }
}
