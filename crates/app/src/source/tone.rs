//! The source's tone: every output at several volume steps, against one another, together, and
//! the bands that undo it.

use std::collections::VecDeque;
use std::sync::Arc;

use chart::{Axis, Chart, Dash, Line, Role};
use engine::InputRole;
use job::Stage;
use project::hertz;
use tuning::{BandEdge, ToneShape};
use units::quantity::{counted, signed, signed_decibels};
use view::{Action, Button, Card, CardLine, NumberKey, Setting, SettingKind, Signal, SwitchKey, Tone};

use crate::Core;
use crate::card::{button, line, number, remarks, switch};
use crate::derivation::Derivation;
use crate::faces::{empty, linear, role, series};
use crate::memos::ToneFound;
use crate::order::{Order, numbered};
use crate::picture::line as curve;
use crate::state::State;
use crate::work::Heading;
use crate::work::Task;
use library::{Error, Result};
use procedure::{
    FLAT_DB, OutputCapture, Plan, Request, ToneOfOutput, ToneReport, short_sweep, tone_of, undo, usual_steps,
};
use rig::Scene;

/// How many bands are named on the card.
const NAMED: usize = 8;

impl State {
    pub(super) fn tone_orders(&self) -> Result<VecDeque<Order>> {
        let outputs = self.outputs_wanted();
        let Some(simulated) = self.rig.as_ref().and_then(|rig| rig.car()) else {
            let order = |(index, output): (usize, &String)| {
                let mut plan = self.response_plan(Stage::Source, InputRole::Electrical)?;
                plan.volume_step = self.step_now();
                let step = plan.volume_step.map(i64::from);
                plan.request = Some(Request::Connect { output: output.clone(), step });
                let mut order = self.tone_order(plan, output);
                let heading = &mut order.heading;
                heading.title = numbered("Output", index, outputs.len(), &heading.title);
                heading.hint =
                    format!("Connect the input to {output}; the volume is set, tone controls are flat.");
                Ok(order)
            };
            if outputs.is_empty() {
                return Err(Error::input("Say which outputs the source has, such as front, rear, sub."));
            }
            return outputs.iter().enumerate().map(order).collect();
        };
        // Before the clean step is known: nearly as loud as it goes.
        let clean = self.clean_step().unwrap_or(simulated.car.radio.last_step() * 3 / 4);
        let steps = usual_steps(clean);
        let of = outputs.len() * steps.len();
        let wanted = outputs.iter().flat_map(|output| steps.map(|step| (output, step)));
        wanted
            .enumerate()
            .map(|(index, (output, step))| {
                let mut plan = self.plan("sweep", Stage::Source, InputRole::Electrical)?;
                plan.stimulus = Some(short_sweep());
                plan.volume_step = Some(step);
                plan.scene =
                    Some(Scene { tap: Some(output.clone()), volume_step: Some(step), ..self.scene() });
                // The car sets itself, so that only the first is counted down.
                plan.request = (index == 0).then_some(Request::GetReady);
                let mut order = self.tone_order(plan, output);
                let heading = &mut order.heading;
                heading.title = numbered("Sweep", index, of, &heading.title);
                heading.hint = "Every output, step by step.".to_owned();
                Ok(order)
            })
            .collect()
    }

    fn tone_order(&self, mut plan: Plan, output: &str) -> Order {
        let at = plan.volume_step.map_or_else(|| ", tone".to_owned(), |step| format!(", step {step}"));
        plan.label = format!("{output}{at}");
        output.clone_into(&mut plan.position);
        let detail =
            if self.choices.signal != Signal::Sweep && !self.is_simulated() { "pink noise" } else { "sweep" };
        let heading =
            Heading { title: format!("{output}{at}"), detail: detail.to_owned(), ..Heading::default() };
        Order { plan, heading, pace: self.pace(u32::MAX) }
    }
}

impl Derivation {
    pub(super) fn tone_main(&self) -> Button {
        match self.outputs_wanted().as_slice() {
            [output] => self.measure_button(&format!("Sweep {output}")),
            _ => self.measure_button("Sweep all outputs"),
        }
    }

    pub(super) fn tone_card(&self) -> Card {
        let report = self.tone();
        let idle = self.is_idle();
        let mut lines: Vec<CardLine> = report.iter().flat_map(|tone| tone_lines(&tone.report)).collect();
        if !self.source.undo.is_empty() {
            let whose = if self.source.together { "the sum" } else { "the first output" };
            lines.push(line(
                &format!("Undone for {whose} by"),
                counted(self.source.undo.len(), "band", "bands"),
            ));
            let named = self.source.undo.iter().take(NAMED);
            lines.extend(named.map(|band| line(band, String::new())));
        }
        Card {
            instruction: "Check the radio’s own EQ and loudness.".to_owned(),
            detail: if self.is_simulated() {
                "Every output at five volume steps: a loudness curve or a bass cut shows with the step at which it begins."
                    .to_owned()
            } else {
                "Tone controls flat. Measure each output at a low, a usual and the clean step, and say here which it is: \
                 only so a loudness curve or a bass cut shows."
                    .to_owned()
            },
            actions: report
                .iter()
                .map(|_| button(Action::FlattenRadio, "Flatten the radio’s EQ", idle))
                .collect(),
            settings: self.tone_settings(),
            findings: report
                .iter()
                .flat_map(|tone| remarks(&tone.report.findings))
                .chain(self.findings(view::Stage::Source))
                .collect(),
            lines,
            ..Card::default()
        }
    }

    fn tone_settings(&self) -> Vec<Setting> {
        let mut settings = self.output_settings();
        if !self.is_simulated() {
            let step = f64::from(self.source.at_step);
            let mut at = number(NumberKey::VolumeStep, "Volume step", step, (0.0, 100.0, 1.0), "");
            if let (0, SettingKind::Number { text, .. }) = (self.source.at_step, &mut at.kind) {
                "not noted".clone_into(text);
            }
            settings.extend([at, self.signal_setting()]);
        }
        settings.push(switch(SwitchKey::Summed, "Check the outputs summed", self.source.together));
        settings
    }

    /// What the newest captures of every output and step say together, and the response that
    /// is to be undone.
    pub(super) fn tone(&self) -> Option<Arc<ToneFound>> {
        self.memos.tone.get((self.captures.results(), self.source.together), || {
            let heard = self.tone_heard();
            let mut sum: Vec<String> = Vec::new();
            for one in heard.iter().filter(|_| self.source.together) {
                if !sum.contains(&one.output) {
                    sum.push(one.output.clone());
                }
            }
            let (report, response) = tone_of(&heard, &sum).ok()?;
            Some(Arc::new(ToneFound { report, response }))
        })
    }

    fn tone_heard(&self) -> Vec<OutputCapture> {
        let clocked = self.arrivals_compare();
        let mut heard: Vec<OutputCapture> = Vec::new();
        for held in self.captures.counted(view::Stage::Source) {
            let of_tone = ["sweep", "spectrum"].contains(&held.reading.measurement.as_str());
            let Some(response) = held.response.as_deref().filter(|_| of_tone && !held.position.is_empty())
            else {
                continue;
            };
            let one = OutputCapture {
                output: held.position.clone(),
                step: held.volume_step.map(i64::from),
                response: response.clone(),
                arrival_s: held.reading.values.get("arrival_s").copied().filter(|_| clocked),
                // Those of single captures are told by themselves.
                findings: Vec::new(),
                capture: Some(job::CaptureId(held.id.0)),
            };
            match heard.iter_mut().find(|other| other.output == one.output && other.step == one.step) {
                Some(other) => *other = one,
                None => heard.push(one),
            }
        }
        heard
    }

    /// Every output at the step that most are like, and their sum.
    pub(super) fn tone_chart(&self) -> Chart {
        let tone = self.tone();
        let report = tone.as_ref().map(|tone| &tone.report);
        let top = report
            .iter()
            .flat_map(|report| &report.outputs)
            .map(|output| output.shape.level_db)
            .fold(f64::NEG_INFINITY, f64::max);
        let outputs = report.iter().flat_map(|report| &report.outputs).enumerate().map(|(number, output)| {
            let at = output.step.map_or_else(String::new, |step| format!(" {step}"));
            series(number, &format!("{}{at}", output.output), &output.response.response(), top)
        });
        let mut lines: Vec<Line> = outputs.collect();
        if let Some(sum) = report.and_then(|report| report.sum.as_ref()) {
            // Its own level: it is louder than each, and what matters is its shape.
            let sum_line =
                curve("together", role(7), Dash::DashDot, &sum.response.response(), sum.shape.level_db);
            lines.push(sum_line);
        }
        Chart {
            lines,
            ..empty(
                "Tone of the source".to_owned(),
                Axis::audio_frequency(),
                linear("Level", "dB", -30.0, 15.0),
            )
        }
    }

    /// What the volume does to the tone of one output: of the picked one, or else of the one
    /// that it changes most.
    pub(super) fn tone_steps_chart(&self) -> Chart {
        let tone = self.tone();
        let picked = self.face.picked.and_then(|id| self.captures.get(id)).map(|held| held.position.clone());
        let most = |output: &ToneOfOutput| {
            output.changes.iter().map(|change| change.gain_db.abs()).fold(0.0, f64::max)
        };
        let outputs =
            tone.iter().flat_map(|tone| &tone.report.outputs).filter(|output| output.steps.len() > 1);
        let shown = outputs
            .clone()
            .find(|output| Some(&output.output) == picked.as_ref())
            .or_else(|| outputs.max_by(|a, b| most(a).total_cmp(&most(b))));
        let title = shown.map_or_else(
            || "Tone at several volume steps".to_owned(),
            |output| format!("{} against step {}", output.output, output.step.unwrap_or(0)),
        );
        // One family, the louder the stronger: they differ in degree and not in kind.
        let steps: Vec<_> = shown.iter().flat_map(|output| &output.steps).collect();
        let of = steps.len();
        let lines = steps.iter().enumerate().map(|(number, one)| {
            let label = format!("step {}", one.step);
            curve(&label, Role::of_family(number, of), Dash::Solid, &one.difference.response(), 0.0)
        });
        Chart {
            lines: lines.collect(),
            ..empty(title, Axis::audio_frequency(), linear("Difference", "dB", -18.0, 18.0))
        }
    }
}

impl Core {
    /// Finds the bands that make the tone flat, on the processor's own grid, and writes them
    /// into the job's exports.
    pub(crate) fn undo_tone(&mut self) -> Result<()> {
        let derivation = self.derivation();
        let task = Task {
            title: "Fitting bands that undo the tone".to_owned(),
            detail: "on the processor's own grid",
        };
        self.think(task, move || {
            let tone = derivation.tone().ok_or_else(|| Error::input("Measure the source's tone first."))?;
            let fit = undo(&tone.response, derivation.tune.profile())?;
            let typed: Vec<tuning::Band> = fit.bands.iter().map(tuning::FittedBand::typed).collect();
            Ok(Box::new(move |core| {
                core.state.source.undo = typed.iter().map(tuning::Band::sentence).collect();
                let Some(job) = &core.job else { return Ok(()) };
                let list = tuning::bands_csv(&tuning::band_entries("source", &typed));
                job.job().export("undo-tone.csv", list.as_bytes())?;
                let text = match typed.len() {
                    0 => "The source is as flat as bands can make it.".to_owned(),
                    _ => format!(
                        "Written to {}. Enter them at the processor's input, ahead of everything else.",
                        job.job().dir().join("exports").join("undo-tone.csv").display()
                    ),
                };
                core.notice(text, true);
                Ok(())
            }))
        })
    }
}

/// Each output, each against the first, and all together.
fn tone_lines(report: &ToneReport) -> Vec<CardLine> {
    let flat = |db: f64| if db <= FLAT_DB { Tone::Good } else { Tone::Caution };
    let mut lines: Vec<CardLine> = Vec::new();
    for output in &report.outputs {
        let shape = &output.shape;
        lines.push(CardLine {
            label: format!("{}{}", output.output, band(shape)),
            value: format!("±{:.1} dB", shape.flatness_db),
            tone: flat(shape.flatness_db),
        });
    }
    for pair in &report.pairs {
        let mut value = signed_decibels(pair.level_db);
        if let Some(delay_s) = pair.delay_s.filter(|delay_s| delay_s.abs() >= 5e-6) {
            value.push_str(&format!(", {} ms", signed(1e3 * delay_s, 2)));
        }
        let inverted = pair.inverted == Some(true);
        if inverted {
            value.push_str(", inverted");
        }
        lines.push(CardLine {
            label: format!("{} against {}", pair.second, pair.first),
            value: value.replace('-', "−"),
            tone: if inverted { Tone::Bad } else { Tone::Plain },
        });
    }
    if let Some(sum) = &report.sum {
        lines.push(CardLine {
            label: if sum.coherent { "All together" } else { "All together, as powers" }.to_owned(),
            value: format!("±{:.1} dB", sum.shape.flatness_db),
            tone: flat(sum.shape.flatness_db),
        });
    }
    lines
}

/// Where the band ends, with the slopes of the filters that end it.
fn band(shape: &ToneShape) -> String {
    let edge = |edge: &BandEdge| {
        let slope = edge.order.map_or_else(String::new, |order| format!(" ({} dB/oct)", 6 * order));
        edge.corner_hz.map(|corner_hz| format!("{}{slope}", hertz(corner_hz)))
    };
    match (edge(&shape.low), edge(&shape.high)) {
        (Some(low), Some(high)) => format!(", {low} to {high}"),
        (Some(low), None) => format!(", from {low}"),
        (None, Some(high)) => format!(", up to {high}"),
        (None, None) => String::new(),
    }
}
