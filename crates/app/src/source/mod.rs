//! The stage Source: what is asked of the source or the cabin, each task with its card, its
//! captures and its chart.

pub(super) mod choices;
mod noise;
mod other;
mod rattle;
mod steps;
pub(super) mod sweep_chart;
#[cfg(test)]
mod tests;
mod tone;
mod volts;

use std::collections::VecDeque;

use chart::Chart;
use view::{
    Action, Button, Card, CardLine, ChartFace, Choice, ChoiceKey, Setting, SourceTask, TextKey, Tone,
};

use super::Core;
use super::card::{button, choice, text};
use super::derivation::Derivation;
use super::order::Order;
use super::state::State;
use library::Result;

/// What can be asked of the source.
const TASKS: [(SourceTask, &str); 6] = [
    (SourceTask::Volts, "Calibrate input voltage"),
    (SourceTask::Headroom, "Clean step"),
    (SourceTask::Tone, "Tone"),
    (SourceTask::Noise, "Noise"),
    (SourceTask::Rattle, "Rattle"),
    (SourceTask::Other, "More measurements"),
];

/// The questions that make the stage complete.
const CHECKLIST: [SourceTask; 5] =
    [SourceTask::Volts, SourceTask::Headroom, SourceTask::Tone, SourceTask::Noise, SourceTask::Rattle];

/// What a task is called.
fn title(task: SourceTask) -> &'static str {
    TASKS.iter().find(|(other, _)| *other == task).map_or("", |(_, title)| title)
}

/// The face of the chart that shows a task best.
fn best_face(task: SourceTask) -> ChartFace {
    match task {
        SourceTask::Headroom | SourceTask::Volts => ChartFace::Steps,
        SourceTask::Tone | SourceTask::Other => ChartFace::Response,
        SourceTask::Noise => ChartFace::Spectrum,
        SourceTask::Rattle => ChartFace::Harmonics,
    }
}

impl State {
    /// The face with which a stage's chart is opened.
    pub(crate) fn usual_face(&self, stage: view::Stage) -> ChartFace {
        match stage {
            view::Stage::Source => best_face(self.face.source_task),
            view::Stage::Gain => ChartFace::Chain,
            _ => ChartFace::Response,
        }
    }

    pub(super) fn source_orders(&self) -> Result<VecDeque<Order>> {
        match self.face.source_task {
            SourceTask::Tone => self.tone_orders(),
            SourceTask::Noise => self.noise_orders(),
            SourceTask::Rattle => Ok(VecDeque::from([self.rattle_order()?])),
            SourceTask::Other => self.other_orders(),
            // These are procedures of their own.
            SourceTask::Headroom | SourceTask::Volts => Ok(VecDeque::new()),
        }
    }

    /// The outputs of the source.
    pub(super) fn output_names(&self) -> Vec<String> {
        let trimmed = |name: &str| name.trim().to_owned();
        match self.rig.as_ref().and_then(|rig| rig.car()) {
            Some(simulated) => simulated.car.radio.outputs.iter().map(|output| output.name.clone()).collect(),
            None => self.source.outputs.split(',').map(trimmed).filter(|name| !name.is_empty()).collect(),
        }
    }

    /// Those that are measured next.
    pub(super) fn outputs_wanted(&self) -> Vec<String> {
        let names = self.output_names();
        match self.source.only.as_ref().filter(|only| names.contains(only)) {
            Some(only) => vec![only.clone()],
            None => names,
        }
    }

    /// The volume step at which the source is, where it is known.
    pub(super) fn step_now(&self) -> Option<u32> {
        if self.is_simulated() {
            self.clean_step()
        } else {
            Some(self.source.at_step).filter(|step| *step > 0)
        }
    }

    /// The highest step at which every output is clean, once it is known.
    pub(crate) fn clean_step(&self) -> Option<u32> {
        self.job.as_ref().and_then(|job| job.data.source.clean_step)
    }
}

impl Derivation {
    /// Whether the stage's chart shows what sweeps found.
    pub(super) fn is_of_sweeps(&self) -> bool {
        matches!(self.face.source_task, SourceTask::Tone | SourceTask::Other)
    }

    /// Whether what is asked can be asked with a track from a memory stick.
    pub(super) fn plays_tracks(&self) -> bool {
        matches!(self.face.source_task, SourceTask::Headroom | SourceTask::Tone)
    }

    pub(super) fn source_card(&self) -> Card {
        let mut card = match self.face.source_task {
            SourceTask::Headroom => self.headroom_card(),
            SourceTask::Tone => self.tone_card(),
            SourceTask::Noise => self.noise_card(),
            SourceTask::Rattle => self.rattle_card(),
            SourceTask::Volts => self.volts_card(),
            SourceTask::Other => self.other_card(),
        };
        let again = card.actions.iter().any(|button| button.action == Action::Measure);
        let task = self.face.source_task;
        if !again && task != SourceTask::Volts && task != SourceTask::Other && self.is_task_done(task) {
            card.actions.insert(0, self.measure_button("Measure again"));
        }
        card.lines.extend(self.checklist());
        card.settings.insert(0, self.task_setting());
        card.first_settings += 1;
        if self.face.source_task != SourceTask::Volts {
            card.settings.push(self.countdown_setting());
        }
        card
    }

    pub(super) fn source_main(&self) -> Button {
        let task = self.face.source_task;
        // The simulated car is calibrated from the first; somebody who asks for it wants to see how it is done.
        let asked = task == SourceTask::Other || (task == SourceTask::Volts && self.is_simulated());
        if !asked && self.is_idle() && self.is_task_done(task) && self.source.heard.is_none() {
            return self.next_task();
        }
        match task {
            SourceTask::Headroom => self.headroom_main(),
            SourceTask::Tone => self.tone_main(),
            SourceTask::Noise => self.noise_main(),
            SourceTask::Rattle => self.measure_button("Sweep for rattles"),
            SourceTask::Volts => self.volts_main(),
            SourceTask::Other => self.measure_button("Measure"),
        }
    }

    /// The task's own picture, where there is one for this face.
    pub(super) fn source_chart(&self, face: ChartFace) -> Option<Chart> {
        match (self.face.source_task, face) {
            (SourceTask::Tone, ChartFace::Steps) => Some(self.tone_steps_chart()),
            (SourceTask::Tone, ChartFace::Response) => Some(self.tone_chart()),
            (SourceTask::Noise, ChartFace::Spectrum) => Some(self.noise_chart()),
            (SourceTask::Rattle, ChartFace::Harmonics) => Some(self.rattle_chart()),
            (_, ChartFace::Steps) => Some(self.steps_chart()),
            _ => None,
        }
    }

    /// The faces that belong to the task, the one that shows it best first.
    pub(super) fn source_faces(&self) -> &'static [ChartFace] {
        match self.face.source_task {
            SourceTask::Headroom | SourceTask::Volts => &[ChartFace::Steps, ChartFace::Response],
            SourceTask::Tone => &[ChartFace::Response, ChartFace::Steps],
            SourceTask::Noise => &[ChartFace::Spectrum],
            SourceTask::Rattle => &[ChartFace::Harmonics],
            SourceTask::Other => &[ChartFace::Response, ChartFace::Spectrum],
        }
    }

    /// Which outputs there are, with devices, and which of them is measured.
    fn output_settings(&self) -> Vec<Setting> {
        let names = self.output_names();
        let mut settings = Vec::new();
        if !self.is_simulated() {
            settings.push(text(TextKey::Outputs, "Outputs, such as front, rear, sub", &self.source.outputs));
        }
        if names.len() > 1 {
            let chosen = self.source.only.clone().filter(|only| names.contains(only));
            let all = std::iter::once((None, "all, one after another".to_owned()));
            let options = all.chain(names.iter().map(|name| (Some(name.clone()), name.clone())));
            settings.push(choice(ChoiceKey::Output, Choice::Output, "Output", options, Some(chosen)));
        }
        settings
    }

    /// Whether a question about the source is answered.
    fn is_task_done(&self, task: SourceTask) -> bool {
        let made = |measurement: &str| {
            let mut counted = self.captures.counted(view::Stage::Source);
            counted.any(|held| held.reading.measurement == measurement && held.has_result())
        };
        match task {
            SourceTask::Volts => {
                let inputs = self.rig.iter().flat_map(|rig| &rig.spec().inputs);
                inputs.into_iter().any(|input| input.volts_per_fs.is_some())
                    || self.captures.iter().any(|held| held.volts_per_fs.is_some())
            }
            SourceTask::Headroom => self.limit().clean_step.is_some(),
            SourceTask::Tone => self.tone().is_some(),
            SourceTask::Noise => made("noise"),
            SourceTask::Rattle => made("rattle"),
            SourceTask::Other => true,
        }
    }

    /// The questions that are still open, in their order.
    pub(super) fn open_tasks(&self) -> Vec<SourceTask> {
        CHECKLIST.into_iter().filter(|task| !self.is_task_done(*task)).collect()
    }

    /// The next open question, the next stage after the last.
    fn next_task(&self) -> Button {
        match self.open_tasks().first() {
            Some(task) => button(Action::OpenTask(*task), &format!("Next: {}", title(*task)), true),
            None => button(Action::NextStage, "Next: Gain", true),
        }
    }

    /// The five questions, each with whether it is answered.
    fn checklist(&self) -> Vec<CardLine> {
        let item = |task: SourceTask| {
            let done = self.is_task_done(task);
            CardLine {
                label: title(task).to_owned(),
                value: if done { "done" } else { "open" }.to_owned(),
                tone: if done { Tone::Good } else { Tone::Plain },
            }
        };
        CHECKLIST.into_iter().map(item).collect()
    }

    fn task_setting(&self) -> Setting {
        choice(ChoiceKey::SourceTask, Choice::SourceTask, "Measure", TASKS, Some(self.face.source_task))
    }
}

impl Core {
    /// Asks something else of the source.
    pub(super) fn choose_task(&mut self, task: SourceTask) -> Result<()> {
        self.state.face.source_task = task;
        self.state.face.chart = best_face(task);
        if task == SourceTask::Other { self.offer() } else { Ok(()) }
    }
}
