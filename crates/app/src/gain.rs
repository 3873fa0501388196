//! The stage Gain: the volts that the amplifier is turned to, and whether they stood there.

use job::Basis;
use measure::FindingLevel;
use procedure::Change;
use project::derive::gain_changes;
use tuning::{GainInput, GainPlan, gain_plan, turn_to};
use units::quantity::signed_decibels;
use view::{Action, Button, Card, CardLine, Figure, FindingLine, NumberKey, StageState, Tone};

use super::Core;
use super::card::{Ready, button, line, number};
use super::derivation::Derivation;
use super::gain_meter::{AMPLIFIER, GainMeter, NEAR_DB, STANDS_S};
use super::sounds::Sound;
use super::state::State;
use library::Result;

/// What the stage is a function of.
pub(super) struct Gain<'a> {
    /// What was chosen, and the chain; the source's volts are 1 V where they were not measured.
    pub(super) input: GainInput,
    /// Whether the source's volts were measured.
    pub(super) measured: bool,
    /// The highest step at which the source is clean.
    pub(super) clean_step: Option<u32>,
    /// What the meter showed.
    pub(super) meter: &'a GainMeter,
    pub(super) ready: Ready,
}

impl Gain<'_> {
    /// Every stage on the way, and the volts to turn the amplifier to.
    pub(super) fn plan(&self) -> Option<GainPlan> {
        gain_plan(&self.input).ok()
    }

    /// The volts to turn the amplifier to; they follow from its power and load alone.
    pub(super) fn target_v(&self) -> Option<f64> {
        Some(self.plan()?.target_v)
    }

    /// How far the amplifier is still to be turned, in very big type.
    pub(super) fn figure(&self, volts: f64) -> Option<Figure> {
        let turn = turn_to(self.target_v()?, volts)?;
        let tone = match (turn.turn_db.abs() <= NEAR_DB, turn.turn_db > 0.0) {
            (true, _) => Tone::Good,
            (false, true) => Tone::Caution,
            (false, false) => Tone::Bad,
        };
        let value = signed_decibels(turn.turn_db);
        let caption = match tone {
            Tone::Good => "there: leave it",
            Tone::Caution => "to go, turn up",
            _ => "too much, turn down",
        };
        Some(Figure { value, caption: caption.to_owned(), tone })
    }

    /// Whether the amplifier stood where it should, for the power and the load that are chosen now.
    pub(super) fn is_set(&self) -> bool {
        let turn = self.meter.set_v.zip(self.target_v()).and_then(|(set, wanted)| turn_to(wanted, set));
        turn.is_some_and(|turn| turn.turn_db.abs() <= NEAR_DB)
    }

    /// How far the stage is: set, or how far it is from it.
    pub(super) fn result(&self) -> Option<(StageState, String)> {
        let (last_v, wanted_v) = (self.meter.last_v?, self.target_v()?);
        if self.is_set() {
            return Some((StageState::Measured, format!("set: {last_v:.2} V of {wanted_v:.2} V")));
        }
        let turn = turn_to(wanted_v, last_v)?;
        let way = if turn.turn_db > 0.0 { "up" } else { "down" };
        let text = format!("{last_v:.2} V, turn {way} by {:.1} dB", turn.turn_db.abs());
        Some((StageState::NeedsAnotherLook, text))
    }

    pub(super) fn main(&self) -> Button {
        if self.is_set() && self.ready.idle {
            button(Action::NextStage, "Next: Drivers", true)
        } else {
            button(Action::WatchLevel, "Watch the volts", self.ready.rig)
        }
    }

    pub(super) fn card(&self) -> Card {
        let step = self.clean_step.map_or_else(|| "its clean step".to_owned(), |step| format!("step {step}"));
        let plan = self.plan();
        let mut lines: Vec<CardLine> =
            plan.iter().map(|plan| line("Full power is", format!("{:.2} V", plan.full_power_v))).collect();
        let known = plan.iter().filter(|_| self.measured);
        lines.extend(known.clone().flat_map(|plan| &plan.stages).map(|stage| CardLine {
            label: format!("{}, clean to {:.2} V", stage.stage, stage.clips_at_v),
            value: format!("{:.1} dB headroom", stage.headroom_db + 0.0).replace('-', "−"),
            tone: if stage.headroom_db < -0.1 { Tone::Bad } else { Tone::Good },
        }));
        let findings = known.flat_map(|plan| &plan.findings).map(|finding| FindingLine {
            tone: if finding.level == FindingLevel::Note { Tone::Plain } else { Tone::Caution },
            text: finding.text.clone(),
        });
        let set = self.is_set();
        let GainInput { power_w, load_ohm, tone_dbfs, .. } = self.input;
        Card {
            instruction: if set {
                "The gain is set.".to_owned()
            } else {
                "Turn the amplifier’s gain until its output shows this.".to_owned()
            },
            detail: format!(
                "Tone of {} dBFS, the source at {step}, tone controls flat, the speaker disconnected. It is set when the \
                 meter has stood within {NEAR_DB} dB for {STANDS_S} seconds.",
                chart::number(tone_dbfs)
            ),
            actions: if set {
                vec![button(Action::WatchLevel, "Watch the volts again", self.ready.can_begin())]
            } else {
                vec![button(Action::NextStage, "Leave it and go on", self.ready.idle)]
            },
            headline: self.target_v().map_or_else(String::new, |volts| format!("{volts:.2} V")),
            headline_caption: "RMS at the amplifier’s output".to_owned(),
            lines,
            findings: findings.collect(),
            settings: vec![
                number(NumberKey::Power, "Amplifier power", power_w, (1.0, 5_000.0, 5.0), "W"),
                number(NumberKey::Load, "Load", load_ohm, (0.5, 16.0, 0.5), "Ω"),
                number(NumberKey::ToneLevel, "Peak allowance: tone", tone_dbfs, (-40.0, 0.0, 1.0), "dBFS"),
            ],
            ..Card::default()
        }
    }
}

impl State {
    /// The stage, with the source's volts where they are known.
    pub(super) fn gain_at(&self, source_v: Option<f64>) -> Gain<'_> {
        let car = self.rig.as_ref().and_then(|rig| rig.car());
        let rms = |peak_v: f64| peak_v * std::f64::consts::FRAC_1_SQRT_2;
        let input = GainInput {
            power_w: self.choices.power_w,
            load_ohm: self.choices.load_ohm,
            tone_dbfs: self.choices.tone_dbfs,
            source_v: source_v.unwrap_or(1.0),
            source_clip_v: None,
            processor_input_v: car.map(|simulated| rms(simulated.car.processor.input_full_scale_v)),
            processor_output_v: car.map(|simulated| rms(simulated.car.processor.output_full_scale_v)),
            processor_gain_db: 0.0,
            amplifier_input_v: None,
        };
        Gain {
            input,
            measured: source_v.is_some(),
            clean_step: self.clean_step(),
            meter: &self.gain_meter,
            ready: self.ready(),
        }
    }
}

impl Derivation {
    /// The stage, with the source's volts as they were measured.
    pub(super) fn gain(&self) -> Gain<'_> {
        self.gain_at(self.source_volts())
    }
}

impl Core {
    /// Takes a reading of the volts, for as long as the amplifier is turned; what is shown of it.
    pub(super) fn read_gain(&mut self, volts: f64, now_s: f64) -> (f64, Option<Figure>) {
        let Some(wanted_v) = self.state.gain_at(None).target_v() else { return (volts, None) };
        let meter = &mut self.state.gain_meter;
        // The simulated car has its tap at the radio, and its own hand on the amplifier.
        let simulated = self.state.rig.as_ref().is_some_and(rig::RigFacts::is_simulated);
        let volts = if simulated { meter.turned_by_itself(volts, wanted_v, now_s) } else { volts };
        let was_set = meter.set_v.is_some();
        if meter.read(volts, wanted_v, now_s) {
            self.sound(Sound::AllDone);
            self.cue("The gain is set", true);
        }
        self.changed |= was_set != self.state.gain_meter.set_v.is_some();
        (volts, self.state.gain_at(None).figure(volts))
    }

    /// Keeps in the job where the amplifier stands; nothing where it is not where it should be.
    pub(super) fn keep_gain(&mut self) -> Result<()> {
        self.ask(|derivation| {
            let gain = derivation.gain();
            let volts = gain.meter.set_v.filter(|_| gain.is_set());
            let mut changes = gain.plan().map_or_else(Vec::new, |plan| {
                let basis = Basis {
                    program: env!("CARGO_PKG_VERSION").to_owned(),
                    made: Some(jiff::Timestamp::now()),
                    ..Basis::default()
                };
                gain_changes(&gain.input, &plan, basis)
            });
            for change in &mut changes {
                if let Change::GainFound(Some(record)) = change {
                    record.measured_v =
                        volts.map(|volts| (AMPLIFIER.to_owned(), volts)).into_iter().collect();
                }
            }
            Box::new(|core| core.apply(Change::Together(changes)))
        })
    }
}
