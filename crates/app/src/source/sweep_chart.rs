//! The volume sweep: its steps live and drawn, and what follows from them.

use chart::{Chart, Line, Mark, Role};
use tuning::{CleanLimit, OutputHeadroom, OutputStep, clean_limit};
use units::quantity::spoken;
use view::{Figure, Stage, Tone};

use crate::Core;
use crate::captures::CaptureView;
use crate::derivation::Derivation;
use crate::faces::linear;
use crate::sounds::Sound;
use procedure::{SweepNow, output_headroom};

/// A step in very big type.
pub(crate) fn figures(step: &OutputStep) -> Vec<Figure> {
    let tone = if step.clean { Tone::Good } else { Tone::Bad };
    let figure = |value: String, caption: &str| Figure { value, caption: caption.to_owned(), tone };
    let height =
        step.level_v.map_or_else(|| format!("{:.1} dBFS", step.level_dbfs), |volts| format!("{volts:.2} V"));
    let distortion = thd(step);
    vec![
        figure(step.step.to_string(), "step"),
        figure(height, "RMS"),
        figure(distortion, if step.clean { "THD, clean" } else { "THD, not clean" }),
    ]
}

impl Derivation {
    /// The clean limit over all outputs, from the newest sweep of each.
    pub(crate) fn limit(&self) -> CleanLimit {
        self.memos.limit.get(self.captures.results(), || {
            let mut outputs: Vec<OutputHeadroom> = Vec::new();
            for held in self.captures.counted(Stage::Source) {
                if held.reading.measurement != "headroom" || held.reading.stopped().is_some() {
                    continue;
                }
                let swept = output_headroom(&held.position, &held.reading);
                match outputs.iter_mut().find(|other| other.output == swept.output) {
                    Some(other) => *other = swept,
                    None => outputs.push(swept),
                }
            }
            clean_limit(&outputs)
        })
    }

    /// The RMS volts of the output that limits the source, at its clean step.
    pub(crate) fn source_volts(&self) -> Option<f64> {
        let limit = self.limit();
        let first = limit.limited_by.first()?;
        limit.outputs.iter().find(|output| output.output == *first)?.level_v
    }

    /// The limit in one line: "clean to step 31 · 8.41 V".
    pub(crate) fn clean_text(&self) -> Option<String> {
        let step = self.limit().clean_step?;
        let volts = self.source_volts().map_or_else(String::new, |volts| format!(" · {volts:.2} V"));
        Some(format!("clean to step {step}{volts}"))
    }

    /// The sweep as a chart: of the capture that runs, else of the one chosen, else of the output that
    /// limits the source.
    pub(crate) fn steps_chart(&self) -> Chart {
        let of_sweep = |held: &CaptureView| held.reading.measurement == "headroom";
        let limit = self.limit();
        let is_limit =
            |held: &CaptureView| of_sweep(held) && limit.limited_by.first() == Some(&held.position);
        let picked = self.face.picked.and_then(|id| self.captures.get(id)).filter(|held| of_sweep(held));
        let held = picked.or_else(|| self.chosen_of(is_limit)).or_else(|| self.chosen_of(of_sweep));
        let (sweep_steps, title) = match held {
            _ if self.is_sweeping() => (self.sweep_steps.clone(), "Volume steps, live".to_owned()),
            Some(held) => (output_headroom("", &held.reading).steps, held.label.clone()),
            None => (Vec::new(), "Volume steps".to_owned()),
        };
        let volts = sweep_steps.iter().all(|step| step.level_v.is_some());
        let height = |step: &OutputStep| step.level_v.filter(|_| volts).unwrap_or(step.level_dbfs);
        let top = sweep_steps.iter().map(height).fold(f64::NEG_INFINITY, f64::max);
        let bottom = sweep_steps.iter().map(height).fold(f64::INFINITY, f64::min);
        let (from, to) = match (volts, sweep_steps.is_empty()) {
            (_, true) => (0.0, 1.0),
            (true, false) => (0.0, 1.15 * top),
            (false, false) => (bottom - 6.0, top + 6.0),
        };
        let clean = |step: &&OutputStep| step.clean;
        let last_clean = sweep_steps.iter().rfind(clean).map(|step| step.step);
        let first = sweep_steps.first().map_or(0, |step| step.step);
        let last = sweep_steps.last().map_or(10, |step| step.step).max(first + 10);
        Chart {
            title,
            x: linear("Volume step", "", first as f64 - 0.7, last as f64 + 0.7),
            y: if volts { linear("Volts", "V", from, to) } else { linear("Level", "dBFS", from, to) },
            areas: Vec::new(),
            lines: sweep_steps.iter().map(|step| bar(step, height(step), from)).collect(),
            handles: Vec::new(),
            marks: last_clean
                .map(|step| Mark { x: step as f64, label: format!("last clean step: {step}") })
                .into_iter()
                .collect(),
        }
    }
}

impl Core {
    /// Takes the steps that a running sweep has reached; the first that is not
    /// clean is heard and seen.
    pub(crate) fn on_step(&mut self, now: &SweepNow, warned: &mut bool) {
        if now.steps != self.state.sweep_steps {
            self.state.sweep_steps.clone_from(&now.steps);
            self.changed = true;
        }
        let unclean = now.steps.iter().filter(|step| !step.clean).map(|step| step.step);
        let first = unclean.filter(|step| now.clean_step.is_none_or(|clean| *step > clean)).min();
        if let (true, Some(step)) = (now.alarm, first) {
            self.sound(Sound::Unclean);
            self.cue(format!("Step {step} is not clean"), false);
        }
        if let Some(warning) = now.warning.as_ref().filter(|_| !*warned) {
            *warned = true;
            self.notice(warning.clone(), false);
        }
    }
}

/// The distortion of a step.
fn thd(step: &OutputStep) -> String {
    spoken("percent", step.thd_percent).value
}

/// One bar: its outline, which the chart fills.
fn bar(step: &OutputStep, height: f64, floor: f64) -> Line {
    let role = if step.clean { Role::Clean } else { Role::Unclean };
    // It stands at no end of a curve; the cross-hair reads it.
    Line::bar(format!("THD {}", thd(step)), role, (step.step as f64, height), floor)
}
