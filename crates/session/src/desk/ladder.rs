//! The ladder of volume steps: live, drawn, and what follows from it.

use chart::{Axis, Chart, Dash, Line, Mark, Point, Role, Scale};
use measure::{Cell, Reading};
use view::{Figure, Stage, Tone};

use super::sounds::Sound;
use super::{Desk, Held};
use crate::Result;

/// One volume step.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rung {
    pub(super) step: u32,
    pub(super) volts: Option<f64>,
    pub(super) level_dbfs: f64,
    pub(super) thd_percent: f64,
    pub(super) clean: bool,
}

impl Rung {
    /// The step in very big type.
    pub(super) fn figures(&self) -> Vec<Figure> {
        let tone = if self.clean { Tone::Good } else { Tone::Bad };
        let figure = |value: String, caption: &str| Figure { value, caption: caption.to_owned(), tone };
        vec![
            figure(self.step.to_string(), "step"),
            figure(self.height_text(), "RMS"),
            figure(
                format!("{:.2} %", self.thd_percent),
                if self.clean { "THD, clean" } else { "THD, not clean" },
            ),
        ]
    }

    fn height_text(&self) -> String {
        self.volts.map_or_else(|| format!("{:.1} dBFS", self.level_dbfs), |volts| format!("{volts:.2} V"))
    }
}

/// The steps of a headroom reading, the lowest first.
pub(super) fn rungs(reading: &Reading) -> Vec<Rung> {
    let Some(table) = reading.tables.get("steps") else { return Vec::new() };
    let column = |name: &str| table.columns.iter().position(|column| column == name);
    let number = |row: &[Cell], name: &str| match row.get(column(name)?)? {
        Cell::Number(number) => Some(*number),
        _ => None,
    };
    let rung = |row: &Vec<Cell>| {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small step number")]
        Some(Rung {
            step: number(row, "step")? as u32,
            volts: number(row, "level_v"),
            level_dbfs: number(row, "level_dbfs")?,
            thd_percent: number(row, "thd_percent")?,
            clean: matches!(row.get(column("clean")?)?, Cell::Flag(true)),
        })
    };
    let mut rungs: Vec<Rung> = table.rows.iter().filter_map(rung).collect();
    rungs.sort_by_key(|rung| rung.step);
    rungs
}

/// What one output was found to do.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct OutputFound {
    pub(super) name: String,
    pub(super) clean_step: Option<u32>,
    pub(super) volts: Option<f64>,
}

impl OutputFound {
    fn of(held: &Held) -> Self {
        let value = |name: &str| held.reading.values.get(name).copied();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small step number")]
        Self {
            name: held.position.clone(),
            clean_step: value("clean_step").map(|step| step as u32),
            volts: value("clean_level_v"),
        }
    }
}

impl Desk {
    /// Takes the steps that a running ladder has climbed; the first that is not
    /// clean is heard and seen.
    pub(super) fn climbed(&mut self, reading: &Reading) {
        let rungs = rungs(reading);
        if rungs != self.rungs {
            self.rungs = rungs;
            self.changed = true;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small step number")]
        let first = reading.values.get("first_clipped_step").map(|step| *step as u32);
        if let Some(step) = first
            && self.unclean != first
        {
            self.sound(Sound::Unclean);
            self.cue(format!("Step {step} is not clean"), false);
        }
        self.unclean = first;
    }

    /// What was found at each output, the newest ladder of each.
    pub(super) fn outputs_found(&self) -> Vec<OutputFound> {
        let mut found: Vec<OutputFound> = Vec::new();
        for held in self.captures.of(Stage::Source) {
            if held.reading.measurement != "headroom" || held.reading.stopped().is_some() {
                continue;
            }
            let output = OutputFound::of(held);
            match found.iter_mut().find(|other| other.name == output.name) {
                Some(other) => *other = output,
                None => found.push(output),
            }
        }
        found
    }

    /// The output that limits the source, with the highest step at which all are clean.
    pub(super) fn limit(&self) -> Option<OutputFound> {
        self.outputs_found()
            .into_iter()
            .filter(|output| output.clean_step.is_some())
            .min_by_key(|output| output.clean_step)
    }

    /// The limit in one line: "clean to step 31 · 8.41 V".
    pub(super) fn clean_text(&self) -> Option<String> {
        let limit = self.limit()?;
        let volts = limit.volts.map_or_else(String::new, |volts| format!(" · {volts:.2} V"));
        Some(format!("clean to step {}{volts}", limit.clean_step?))
    }

    /// Keeps what is known of the source in the job.
    pub(super) fn keep_source(&mut self) -> Result<()> {
        let (found, limit) = (self.outputs_found(), self.limit());
        let Some(job) = &mut self.job else { return Ok(()) };
        let outputs = found.into_iter().map(|output| job::SourceOutput {
            name: output.name,
            clean_step: output.clean_step,
            volts_rms: output.volts,
        });
        let source = job::Source {
            clean_step: limit.as_ref().and_then(|limit| limit.clean_step),
            limited_by: limit.map_or_else(String::new, |limit| limit.name),
            outputs: outputs.collect(),
        };
        if job.data().source != source {
            job.edit(|data| data.source = source)?;
        }
        Ok(())
    }

    /// The ladder as a chart: of the capture that runs, else of the one chosen.
    pub(super) fn steps_chart(&self) -> Chart {
        let held = self.chosen_of(|held| held.reading.measurement == "headroom");
        let (rungs, title) = match held {
            _ if self.is_climbing() => (self.rungs.clone(), "Volume steps, live".to_owned()),
            Some(held) => (rungs(&held.reading), held.label.clone()),
            None => (Vec::new(), "Volume steps".to_owned()),
        };
        let volts = rungs.iter().all(|rung| rung.volts.is_some());
        let height = |rung: &Rung| rung.volts.filter(|_| volts).unwrap_or(rung.level_dbfs);
        let top = rungs.iter().map(height).fold(f64::NEG_INFINITY, f64::max);
        let bottom = rungs.iter().map(height).fold(f64::INFINITY, f64::min);
        let (from, to) = match (volts, rungs.is_empty()) {
            (_, true) => (0.0, 1.0),
            (true, false) => (0.0, 1.15 * top),
            (false, false) => (bottom - 6.0, top + 6.0),
        };
        let clean = |rung: &&Rung| rung.clean;
        let last_clean = rungs.iter().rfind(clean).map(|rung| rung.step);
        let first = rungs.first().map_or(0, |rung| rung.step);
        let last = rungs.last().map_or(10, |rung| rung.step).max(first + 10);
        Chart {
            title,
            x: axis("Volume step", "", f64::from(first) - 0.7, f64::from(last) + 0.7),
            y: if volts { axis("Volts", "V", from, to) } else { axis("Level", "dBFS", from, to) },
            areas: Vec::new(),
            lines: rungs.iter().map(|rung| bar(rung, height(rung), from)).collect(),
            handles: Vec::new(),
            marks: last_clean
                .map(|step| Mark { x: f64::from(step), label: format!("last clean step: {step}") })
                .into_iter()
                .collect(),
        }
    }
}

fn axis(label: &str, unit: &str, from: f64, to: f64) -> Axis {
    Axis { label: label.to_owned(), unit: unit.to_owned(), scale: Scale::Linear, from, to }
}

/// One bar: its outline, which the chart fills.
fn bar(rung: &Rung, height: f64, floor: f64) -> Line {
    let x = f64::from(rung.step);
    let points = [(x - 0.4, floor), (x - 0.4, height), (x + 0.4, height), (x + 0.4, floor)];
    Line {
        label: String::new(),
        role: if rung.clean { Role::Clean } else { Role::Unclean },
        dash: Dash::Solid,
        points: points.map(|(x, y)| Point { x, y }).into(),
        certainty: [].into(),
    }
}
