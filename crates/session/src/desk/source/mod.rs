//! The stage Source: what is asked of the source or the cabin, each task with its card, its
//! captures and its chart.

mod ladder;
mod noise;
mod other;
mod rattle;
mod steps;
#[cfg(test)]
mod tests;
mod tone;
mod volts;

use std::collections::VecDeque;

use chart::Chart;
use measure::FindingLevel;
use view::{Card, Face, FindingLine, Setting, SettingValue, Tone};

use super::Desk;
use super::card::{choice, text};
use super::order::Order;
use crate::{Error, Result};
pub(super) use ladder::figures;
use procedure::HeardInput;
pub(super) use tone::ToneFound;

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Task {
    /// The highest clean volume step.
    Headroom,
    /// What the source does to the sound.
    Tone,
    /// What it sounds like when it is silent.
    Noise,
    /// Where a panel buzzes.
    Rattle,
    /// What the input's numbers are in volts.
    Volts,
    /// Anything else.
    Other,
}

impl Task {
    const ALL: [(Self, &'static str, &'static str); 6] = [
        (Self::Volts, "volts", "Volts of the input"),
        (Self::Headroom, "headroom", "Clean step"),
        (Self::Tone, "tone", "Tone"),
        (Self::Noise, "noise", "Noise"),
        (Self::Rattle, "rattle", "Rattle"),
        (Self::Other, "other", "Other"),
    ];

    fn id(self) -> &'static str {
        Self::ALL.iter().find(|(task, _, _)| *task == self).map_or("", |(_, id, _)| id)
    }

    /// The face of the chart that shows it best.
    fn face(self) -> Face {
        match self {
            Self::Headroom | Self::Volts => Face::Steps,
            Self::Tone | Self::Other => Face::Response,
            Self::Noise => Face::Spectrum,
            Self::Rattle => Face::Harmonics,
        }
    }
}

/// What a person has chosen and what was found in this stage, beside the captures.
#[derive(Debug)]
pub(super) struct Source {
    pub(super) task: Task,
    /// The outputs of the source, with devices: names with commas between.
    outputs: String,
    /// The volume step at which a ladder begins, with devices.
    first_step: u32,
    /// The volume step that the source is at, with devices; 0 where it is not known.
    at_step: u32,
    /// The one output that is measured; absent for all, one after another.
    only: Option<String>,
    /// Whether the outputs are added up.
    pub(super) together: bool,
    /// The bands that undo the tone, in words.
    undo: Vec<String>,
    /// The engine's speed, with devices.
    engine_rpm: f64,
    /// The track under which panels buzz.
    rattle_track: &'static str,
    /// The tone that the input heard, until its calibration is kept.
    heard: Option<HeardInput>,
    /// What the meter shows, as it was typed.
    meter: String,
    /// Whether the source plays the tone, rather than the rig.
    source_plays: bool,
    attenuator_db: f64,
    /// The other measurement that was chosen, by its id, and what there is to choose from.
    other: String,
    offers: Vec<other::Offer>,
}

impl Default for Source {
    fn default() -> Self {
        Self {
            task: Task::Headroom,
            outputs: "front".to_owned(),
            first_step: 1,
            at_step: 0,
            only: None,
            together: false,
            undo: Vec::new(),
            engine_rpm: 0.0,
            rattle_track: "sweep-sub",
            heard: None,
            meter: String::new(),
            source_plays: false,
            attenuator_db: 0.0,
            other: String::new(),
            offers: Vec::new(),
        }
    }
}

impl Source {
    /// Whether the chart shows what sweeps found.
    pub(super) fn is_of_sweeps(&self) -> bool {
        matches!(self.task, Task::Tone | Task::Other)
    }

    /// Whether what is asked can be asked with a track from a memory stick.
    pub(super) fn plays_tracks(&self) -> bool {
        matches!(self.task, Task::Headroom | Task::Tone)
    }
}

impl Desk {
    pub(super) fn source_card(&self) -> Card {
        let mut card = match self.source.task {
            Task::Headroom => self.headroom_card(),
            Task::Tone => self.tone_card(),
            Task::Noise => self.noise_card(),
            Task::Rattle => self.rattle_card(),
            Task::Volts => self.volts_card(),
            Task::Other => self.other_card(),
        };
        card.settings.insert(0, self.task_setting());
        card.first_settings += 1;
        if self.source.task != Task::Volts {
            card.settings.push(self.countdown_setting());
        }
        card
    }

    pub(super) fn source_orders(&self) -> Result<VecDeque<Order>> {
        match self.source.task {
            Task::Headroom => self.ladders(),
            Task::Tone => self.tone_orders(),
            Task::Noise => self.noise_orders(),
            Task::Rattle => Ok(VecDeque::from([self.rattle_order()?])),
            Task::Volts => Ok(VecDeque::from([self.volts_order()?])),
            Task::Other => self.other_orders(),
        }
    }

    /// The task's own picture, where there is one for this face.
    pub(super) fn source_chart(&self, face: Face) -> Option<Chart> {
        match (self.source.task, face) {
            (Task::Tone, Face::Steps) => Some(self.tone_steps_chart()),
            (Task::Tone, Face::Response) => Some(self.tone_chart()),
            (Task::Noise, Face::Spectrum) => Some(self.noise_chart()),
            (Task::Rattle, Face::Harmonics) => Some(self.rattle_chart()),
            (_, Face::Steps) => Some(self.steps_chart()),
            _ => None,
        }
    }

    /// The faces that belong to the task, the one that shows it best first.
    pub(super) fn source_faces(&self) -> &'static [Face] {
        match self.source.task {
            Task::Headroom | Task::Volts => &[Face::Steps, Face::Response],
            Task::Tone => &[Face::Response, Face::Steps],
            Task::Noise => &[Face::Spectrum],
            Task::Rattle => &[Face::Harmonics],
            Task::Other => &[Face::Response, Face::Spectrum],
        }
    }

    /// A button of this stage.
    pub(super) fn press_source(&mut self, id: &str) -> Result<()> {
        match id {
            "undo-tone" => self.undo_tone(),
            "keep-volts" => self.keep_volts(),
            "retry-volts" => {
                self.source.heard = None;
                Ok(())
            }
            other => match other.strip_prefix("spot-").and_then(|number| number.parse().ok()) {
                Some(number) => self.play_spot(number),
                None => Err(Error::input(format!("there is no action `{other}`"))),
            },
        }
    }

    /// Sets what belongs to this stage.
    pub(super) fn set_source(&mut self, id: &str, value: SettingValue) -> Result<()> {
        let source = &mut self.source;
        match (id, value) {
            ("task", SettingValue::Choice(id)) => {
                if let Some((task, _, _)) = Task::ALL.iter().find(|(_, name, _)| *name == id) {
                    source.task = *task;
                    self.face = task.face();
                    if *task == Task::Other {
                        self.offer();
                    }
                }
            }
            ("other", SettingValue::Choice(id)) => source.other = id,
            ("outputs", SettingValue::Text(outputs)) => source.outputs = outputs,
            ("only", SettingValue::Choice(output)) => source.only = (output != "all").then_some(output),
            ("together", SettingValue::Switch(together)) => {
                source.together = together;
                source.undo.clear();
            }
            ("first-step", SettingValue::Number(number)) => source.first_step = step(number).max(1),
            ("at-step", SettingValue::Number(number)) => source.at_step = step(number),
            ("engine", SettingValue::Number(number)) => source.engine_rpm = number.clamp(0.0, 12_000.0),
            ("rattle-track", SettingValue::Choice(track)) => {
                source.rattle_track = if track == "sweep-mid" { "sweep-mid" } else { "sweep-sub" };
            }
            ("meter", SettingValue::Text(text)) => source.meter = text,
            ("source-plays", SettingValue::Switch(plays)) => source.source_plays = plays,
            ("attenuator", SettingValue::Number(number)) => source.attenuator_db = number.clamp(0.0, 80.0),
            (id, _) => return Err(Error::input(format!("there is no setting `{id}` of this kind"))),
        }
        Ok(())
    }

    /// The outputs of the source.
    fn output_names(&self) -> Vec<String> {
        let trimmed = |name: &str| name.trim().to_owned();
        match self.bench.as_ref().and_then(|bench| bench.car()) {
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

    /// Which outputs there are, with devices, and which of them is measured.
    fn output_settings(&self) -> Vec<Setting> {
        let names = self.output_names();
        let mut settings = Vec::new();
        if !self.is_simulated() {
            settings.push(text("outputs", "Outputs, such as front, rear, sub", &self.source.outputs));
        }
        if names.len() > 1 {
            let chosen = self.source.only.as_deref().filter(|only| names.iter().any(|name| name == only));
            let all = std::iter::once(("all".to_owned(), "all, one after another".to_owned()));
            let options = all.chain(names.iter().map(|name| (name.clone(), name.clone())));
            settings.push(choice("only", "Output", options, chosen.unwrap_or("all")));
        }
        settings
    }

    fn task_setting(&self) -> Setting {
        let tasks = Task::ALL.map(|(_, id, label)| (id.to_owned(), label.to_owned()));
        choice("task", "Measure", tasks, self.source.task.id())
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
    fn clean_step(&self) -> Option<u32> {
        self.job.as_ref().and_then(|job| job.data().source.clean_step)
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to a volume step")]
fn step(number: f64) -> u32 {
    number.round().clamp(0.0, 100.0) as u32
}

/// Remarks of a report as they stand on a card.
pub(super) fn remarks(findings: &[measure::Finding]) -> Vec<FindingLine> {
    let tone = |level| match level {
        FindingLevel::Note => Tone::Plain,
        FindingLevel::Caution => Tone::Caution,
        FindingLevel::Stop => Tone::Bad,
    };
    findings
        .iter()
        // Names are marked for a terminal, where nothing else sets them apart.
        .map(|finding| FindingLine { tone: tone(finding.level), text: finding.text.replace('`', "") })
        .collect()
}
