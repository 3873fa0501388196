//! The clean step: one ladder of volume steps for each output.

use std::collections::VecDeque;

use engine::InputRole;
use job::Stage;
use measure::{ParameterValue, Segment, Signal as Played, Stimulus};
use view::{Action, Button, Card, CardLine, NumberKey, Tone};

use super::remarks;
use crate::desk::Desk;
use crate::desk::card::{button, number};
use crate::desk::order::{Climb, HOLD_S, Order, Scene, numbered};
use crate::{Error, Result};
use procedure::{Plan, Until};

/// How many steps from the top are tried.
const STEPS: u32 = 18;
/// The peak of a tone that is meant to reach full scale, less what keeps dither
/// from passing it.
const FULL_SCALE_DBFS: f64 = -0.01;

impl Desk {
    /// Whether the clean step is known and nothing is under way.
    fn is_headroom_done(&self) -> bool {
        self.limit().clean_step.is_some() && self.work.is_none()
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
                "Every output plays a full-scale tone, and the volume climbs by itself.".to_owned()
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

    /// The ladder of volume steps, for every output of the source.
    pub(super) fn ladders(&self) -> Result<VecDeque<Order>> {
        let car = self.bench.as_ref().and_then(|bench| bench.car());
        let wanted = self.outputs_wanted();
        let Some(simulated) = car else {
            let order = |(index, name): (usize, &String)| {
                let mut plan = self.ladder_plan(name, self.source.first_step)?;
                // The source plays by itself, and a person turns its volume.
                plan.until = Until::Told;
                Ok(Order {
                    hint: format!(
                        "Connect the input to {name}, and play the full-scale tone on the source at a low volume."
                    ),
                    detail: "Turn the volume up one step a second. It ends by itself when a step is not clean, or with \
                             Space."
                        .to_owned(),
                    ..Order::new(numbered("Output", index, wanted.len(), name), plan)
                })
            };
            if wanted.is_empty() {
                return Err(Error::input("Say which outputs the source has, such as front, rear, sub."));
            }
            return wanted.iter().enumerate().map(order).collect();
        };
        let radio = &simulated.car.radio;
        let last = radio.last_step();
        let climb = Climb { first: last.saturating_sub(STEPS).max(1), last };
        let length_s = f64::from(climb.last - climb.first + 1) * HOLD_S;
        let order = |(index, output): (usize, &cabin::Output)| {
            let mut plan = self.ladder_plan(&output.name, climb.first)?;
            let tone = Played::Sine { frequency_hz: output.test_tone_hz };
            plan.stimulus = Some(Stimulus {
                name: format!("tone {} Hz", output.test_tone_hz),
                segments: vec![Segment::of(tone, length_s, FULL_SCALE_DBFS, 0.02)],
            });
            Ok(Order {
                hint: format!("Tap {}. The volume climbs by itself.", output.name),
                detail: format!("tone of {} Hz at full scale", output.test_tone_hz),
                scene: Scene { tap: Some(output.name.clone()), step: Some(climb.first), ..Scene::default() },
                climb: Some(climb),
                // A step must still be seen.
                pace: self.pace(3),
                ..Order::new(numbered("Output", index, wanted.len(), &output.name), plan)
            })
        };
        let outputs = radio.outputs.iter().filter(|output| wanted.contains(&output.name));
        outputs.enumerate().map(order).collect()
    }

    fn ladder_plan(&self, output: &str, first_step: u32) -> Result<Plan> {
        let mut plan = self.plan("headroom", Stage::Source, InputRole::Electrical)?;
        plan.parameters.set("first_step", ParameterValue::Number(f64::from(first_step)));
        plan.stimulus = None;
        plan.peak_dbfs = None;
        plan.reference = None;
        plan.label = format!("{output}, headroom");
        output.clone_into(&mut plan.position);
        Ok(plan)
    }
}
