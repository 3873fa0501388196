//! The clean step: the volume of each output raised step by step.

use engine::InputRole;
use procedure::{OutputTone, VolumeSweep, volume_sweep};
use view::{Action, Button, Card, CardLine, NumberKey, Tone};

use crate::Core;
use crate::card::{button, number, remarks};
use crate::derivation::Derivation;
use crate::order::numbered;
use crate::run::With;
use crate::state::State;
use crate::work::Heading;
use crate::work::{Doing, nothing_more};
use library::{Error, Result};

impl State {
    /// What is swept, and what each output's sweep is called.
    pub(crate) fn sweep(&self) -> Result<(VolumeSweep, Vec<Heading>)> {
        let Some(rig) = &self.rig else {
            return Err(Error::input("Choose what to measure with first: devices, or the simulated car."));
        };
        let mut wanted = self.outputs_wanted();
        if wanted.is_empty() {
            return Err(Error::input("Say which outputs the source has, such as front, rear, sub."));
        }
        if !self.choices.go_on {
            wanted.truncate(1);
        }
        let tone = |name: &String| match rig.car() {
            Some(simulated) => {
                let known = simulated.car.radio.outputs.iter().find(|output| output.name == *name);
                Ok(OutputTone { name: name.clone(), tone_hz: known.map_or(1_000.0, |one| one.test_tone_hz) })
            }
            None => OutputTone::parse(name),
        };
        let outputs: Vec<OutputTone> = wanted.iter().map(tone).collect::<Result<_>>()?;
        let simulated = rig.is_simulated();
        let heading = |(index, output): (usize, &OutputTone)| Heading {
            title: numbered("Output", index, outputs.len(), &output.name),
            hint: if simulated {
                format!("Tap {}. The volume rises by itself.", output.name)
            } else {
                format!(
                    "Connect the input to {}, and play the full-scale tone on the source at a low volume.",
                    output.name
                )
            },
            detail: if simulated {
                format!("tone of {} Hz at full scale", output.tone_hz)
            } else {
                "Turn the volume up one step a second. It ends by itself when a step is not clean, or with Space."
                    .to_owned()
            },
        };
        let headings = outputs.iter().enumerate().map(heading).collect();
        let input = self.input(InputRole::Electrical)?;
        let sweep = VolumeSweep {
            input: Some(rig.spec().inputs[input].name.clone()),
            first_step: (!simulated).then(|| i64::from(self.source.first_step)),
            source_plays: !simulated,
            until_stopped: !simulated,
            outputs,
            ..VolumeSweep::default()
        };
        Ok((sweep, headings))
    }
}

impl Derivation {
    /// Whether the clean step is known and nothing is under way.
    fn is_headroom_done(&self) -> bool {
        self.limit().clean_step.is_some() && self.is_idle()
    }

    pub(super) fn headroom_main(&self) -> Button {
        if self.is_headroom_done() {
            button(Action::NextStage, "Next: Gain", true)
        } else {
            self.measure_button("Find the clean step")
        }
    }

    pub(super) fn headroom_card(&self) -> Card {
        let simulated = self.is_simulated();
        let mut settings = self.output_settings();
        if !simulated {
            let first = f64::from(self.source.first_step);
            settings.push(number(NumberKey::FirstStep, "First step", first, (1.0, 100.0, 1.0), ""));
        }
        let limit = self.limit();
        let clean = limit.clean_step;
        let lines = limit.outputs.iter().map(|output| CardLine {
            label: output.output.clone(),
            value: match (output.clean_step, output.level_v) {
                (Some(step), Some(volts)) => format!("step {step} · {volts:.2} V"),
                (Some(step), None) => format!("step {step}"),
                (None, _) => "no clean step".to_owned(),
            },
            tone: match output.clean_step {
                None => Tone::Bad,
                Some(_) if limit.limited_by.contains(&output.output) => Tone::Caution,
                Some(_) => Tone::Good,
            },
        });
        let lines: Vec<CardLine> = lines.collect();
        let notes = if limit.outputs.is_empty() { Vec::new() } else { remarks(&limit.findings) };
        let done = self.is_headroom_done();
        Card {
            instruction: if done {
                clean.map_or_else(String::new, |step| format!("Maximum clean volume: {step}"))
            } else {
                "Find the highest volume step that is still clean.".to_owned()
            },
            detail: if simulated {
                "Every output plays a full-scale tone, and the volume rises by itself.".to_owned()
            } else {
                "Play the full-scale tone on the source and turn its volume up, one step a second. Bass and tone controls \
                 move the limit: set them as loud as the customer uses them. A bridged output has no ground side: never connect one to the interface's ground."
                    .to_owned()
            },
            actions: if done { vec![self.measure_button("Measure again")] } else { Vec::new() },
            settings,
            headline: clean.map_or_else(String::new, |step| format!("step {step}")),
            headline_caption: match (clean, self.source_volts()) {
                (Some(_), Some(volts)) => {
                    format!("clean everywhere, {volts:.2} V; first to clip: {}", limit.limited_by.join(", "))
                }
                (Some(_), None) => "clean everywhere".to_owned(),
                (None, _) => String::new(),
            },
            lines,
            findings: [notes, self.findings(view::Stage::Source)].concat(),
            ..Card::default()
        }
    }
}

impl Core {
    /// Raises the volume, output by output, until a step is not clean.
    pub(crate) fn sweep_volume(&mut self) -> Result<()> {
        let (sweep, headings) = self.sweep()?;
        self.begin_job("")?;
        // A step must still be seen.
        let with = With { headings, store: self.store()?, pace: self.pace(3) };
        self.start(Doing::Sweeping, with, true, move |session| {
            volume_sweep(session, &sweep)?;
            Ok(nothing_more())
        })
    }
}
