//! The stage Gain: the volts that the amplifier is turned to, and whether they stood there.

use job::Basis;
use measure::FindingLevel;
use procedure::Change;
use project::derive::gain_changes;
use tuning::{GainInput, GainPlan, gain_plan, turn_to};
use view::{Action, Button, Card, CardLine, Figure, FindingLine, NumberKey, StageState, Tone};

use super::Core;
use super::card::{button, line, number};
use super::sounds::Sound;
use super::state::State;
use library::Result;

/// A gain stands where it should within so many dB: 3.5 % of a voltage.
const NEAR_DB: f64 = 0.3;
/// For so long, so that a knob that is turned past does not count.
const STANDS_S: f64 = 2.0;
/// How fast the simulated car's amplifier is turned.
const TURN_DB_PER_S: f64 = 4.0;
/// What the job calls the voltage at the amplifier's output.
const AMPLIFIER: &str = "amplifier";

/// What the meter showed while the amplifier was turned.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct GainMeter {
    /// The newest voltage.
    last_v: Option<f64>,
    /// The voltage at which it stood, once it did.
    set_v: Option<f64>,
    /// Since when it has been where it should.
    near_since_s: Option<f64>,
    /// How far the simulated amplifier is turned up, and when it was turned last.
    turned: (f64, f64),
}

impl GainMeter {
    /// What a job knows of it.
    pub(super) fn of_job(data: &job::JobData) -> Self {
        let gain = data.source.gain.as_ref();
        let set_v = gain.and_then(|gain| gain.measured_v.get(AMPLIFIER).copied());
        Self { last_v: set_v, set_v, ..Self::default() }
    }

    /// The knob is about to be turned.
    pub(super) fn begin(&mut self) {
        (self.near_since_s, self.turned.1) = (None, 0.0);
    }

    /// Turns the simulated amplifier towards the voltage that is wanted; what stands at its output then.
    fn turned_by_itself(&mut self, source_v: f64, wanted_v: f64, now_s: f64) -> f64 {
        let (turned_db, before_s) = &mut self.turned;
        let most_db = TURN_DB_PER_S * (now_s - *before_s).clamp(0.0, 0.5);
        *before_s = now_s;
        if let Some(turn) = turn_to(wanted_v, source_v * 10f64.powf(*turned_db / 20.0)) {
            *turned_db += turn.turn_db.clamp(-most_db, most_db);
        }
        source_v * 10f64.powf(*turned_db / 20.0)
    }

    /// Takes what the meter shows; whether the gain has just come to stand where it should.
    fn read(&mut self, volts: f64, wanted_v: f64, now_s: f64) -> bool {
        self.last_v = Some(volts);
        if turn_to(wanted_v, volts).is_none_or(|turn| turn.turn_db.abs() > NEAR_DB) {
            (self.near_since_s, self.set_v) = (None, None);
            return false;
        }
        let since_s = *self.near_since_s.get_or_insert(now_s);
        if now_s - since_s < STANDS_S {
            return false;
        }
        let just_now = self.set_v.is_none();
        self.set_v = Some(volts);
        just_now
    }
}

impl State {
    /// The volts to turn the amplifier to, and every stage on the way.
    pub(super) fn gain_plan(&self) -> Option<GainPlan> {
        gain_plan(&self.gain_input()).ok()
    }

    fn gain_input(&self) -> GainInput {
        let car = self.rig.as_ref().and_then(|rig| rig.car());
        let rms = |peak_v: f64| peak_v * std::f64::consts::FRAC_1_SQRT_2;
        GainInput {
            power_w: self.choices.power_w,
            load_ohm: self.choices.load_ohm,
            tone_dbfs: self.choices.tone_dbfs,
            // Without a measured source only the target is shown, which does not depend on it.
            source_v: self.source_volts().unwrap_or(1.0),
            source_clip_v: None,
            processor_input_v: car.map(|simulated| rms(simulated.car.processor.input_full_scale_v)),
            processor_output_v: car.map(|simulated| rms(simulated.car.processor.output_full_scale_v)),
            processor_gain_db: 0.0,
            amplifier_input_v: None,
        }
    }

    /// The volts to turn the amplifier to.
    pub(super) fn gain_target_v(&self) -> Option<f64> {
        Some(self.gain_plan()?.target_v)
    }

    /// How far the amplifier is still to be turned, in very big type.
    fn gain_figure(&self, volts: f64) -> Option<Figure> {
        let turn = turn_to(self.gain_target_v()?, volts)?;
        let tone = match (turn.turn_db.abs() <= NEAR_DB, turn.turn_db > 0.0) {
            (true, _) => Tone::Good,
            (false, true) => Tone::Caution,
            (false, false) => Tone::Bad,
        };
        let value = format!("{:+.1} dB", turn.turn_db).replace('-', "−");
        let caption = match tone {
            Tone::Good => "there: leave it",
            Tone::Caution => "to go, turn up",
            _ => "too much, turn down",
        };
        Some(Figure { value, caption: caption.to_owned(), tone })
    }

    /// Whether the amplifier stood where it should, for the power and the load that are chosen now.
    pub(super) fn is_gain_set(&self) -> bool {
        let turn =
            self.gain_meter.set_v.zip(self.gain_target_v()).and_then(|(set, wanted)| turn_to(wanted, set));
        turn.is_some_and(|turn| turn.turn_db.abs() <= NEAR_DB)
    }

    /// How far the stage is: set, or how far it is from it.
    pub(super) fn gain_result(&self) -> Option<(StageState, String)> {
        let (last_v, wanted_v) = (self.gain_meter.last_v?, self.gain_target_v()?);
        if self.is_gain_set() {
            return Some((StageState::Measured, format!("set: {last_v:.2} V of {wanted_v:.2} V")));
        }
        let turn = turn_to(wanted_v, last_v)?;
        let way = if turn.turn_db > 0.0 { "up" } else { "down" };
        let text = format!("{last_v:.2} V, turn {way} by {:.1} dB", turn.turn_db.abs());
        Some((StageState::NeedsAnotherLook, text))
    }

    pub(super) fn gain_main(&self) -> Button {
        if self.is_gain_set() && self.is_idle() {
            button(Action::NextStage, "Next: Drivers", true)
        } else {
            button(Action::WatchLevel, "Watch the volts", self.rig.is_some())
        }
    }

    pub(super) fn gain_card(&self) -> Card {
        let clean = self.job.as_ref().and_then(|job| job.data.source.clean_step);
        let step = clean.map_or_else(|| "its clean step".to_owned(), |step| format!("step {step}"));
        let plan = self.gain_plan();
        let measured = self.source_volts().is_some();
        let mut lines: Vec<CardLine> =
            plan.iter().map(|plan| line("Full power is", format!("{:.2} V", plan.full_power_v))).collect();
        for stage in plan.iter().filter(|_| measured).flat_map(|plan| &plan.stages) {
            lines.push(CardLine {
                label: format!("{}, clean to {:.2} V", stage.stage, stage.clips_at_v),
                value: format!("{:.1} dB headroom", stage.headroom_db + 0.0).replace('-', "−"),
                tone: if stage.headroom_db < -0.1 { Tone::Bad } else { Tone::Good },
            });
        }
        let findings = plan.iter().filter(|_| measured).flat_map(|plan| &plan.findings);
        let findings = findings.map(|finding| FindingLine {
            tone: if finding.level == FindingLevel::Note { Tone::Plain } else { Tone::Caution },
            text: finding.text.clone(),
        });
        let set = self.is_gain_set();
        Card {
            instruction: if set {
                "The gain is set.".to_owned()
            } else {
                "Turn the amplifier’s gain until its output shows this.".to_owned()
            },
            detail: format!(
                "Tone of {} dBFS, the source at {step}, tone controls flat, the speaker disconnected. It is set when the \
                 meter has stood within {NEAR_DB} dB for {STANDS_S} seconds.",
                chart::number(self.choices.tone_dbfs)
            ),
            actions: if set {
                vec![button(Action::WatchLevel, "Watch the volts again", self.can_play() && self.is_idle())]
            } else {
                vec![button(Action::NextStage, "Leave it and go on", self.is_idle())]
            },
            headline: self.gain_target_v().map_or_else(String::new, |volts| format!("{volts:.2} V")),
            headline_caption: "RMS at the amplifier’s output".to_owned(),
            lines,
            findings: findings.collect(),
            settings: vec![
                number(NumberKey::Power, "Amplifier power", self.choices.power_w, (1.0, 5_000.0, 5.0), "W"),
                number(NumberKey::Load, "Load", self.choices.load_ohm, (0.5, 16.0, 0.5), "Ω"),
                number(
                    NumberKey::ToneLevel,
                    "Peak allowance: tone",
                    self.choices.tone_dbfs,
                    (-40.0, 0.0, 1.0),
                    "dBFS",
                ),
            ],
            ..Card::default()
        }
    }
}

impl Core {
    /// Takes a reading of the volts, for as long as the amplifier is turned; what is shown of it.
    pub(super) fn read_gain(&mut self, volts: f64, now_s: f64) -> (f64, Option<Figure>) {
        let Some(wanted_v) = self.state.gain_target_v() else { return (volts, None) };
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
        (volts, self.state.gain_figure(volts))
    }

    /// Keeps in the job where the amplifier stands; nothing where it is not where it should be.
    pub(super) fn keep_gain(&mut self) -> Result<()> {
        let volts = self.state.gain_meter.set_v.filter(|_| self.state.is_gain_set());
        let input = self.state.gain_input();
        let Some(plan) = self.state.gain_plan() else { return Ok(()) };
        let basis = Basis {
            program: env!("CARGO_PKG_VERSION").to_owned(),
            made: Some(jiff::Timestamp::now()),
            ..Basis::default()
        };
        let mut changes = gain_changes(&input, &plan, basis);
        for change in &mut changes {
            if let Change::GainFound(Some(record)) = change {
                record.measured_v = volts.map(|volts| (AMPLIFIER.to_owned(), volts)).into_iter().collect();
            }
        }
        self.apply(Change::Together(changes))
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: the rule of the design: within 0.3 dB for two seconds; 20 V · 10^(−0.29/20) = 19.343 V.
    #[test]
    fn a_gain_is_set_when_it_has_stood_for_two_seconds() {
        let mut meter = GainMeter::default();
        assert!(!meter.read(6.05, 20.0, 0.0));
        assert_eq!(meter.set_v, None, "6 V is no 20 V");
        assert!(!meter.read(19.343, 20.0, 1.0) && !meter.read(19.343, 20.0, 2.9));
        assert!(!meter.read(20.8, 20.0, 2.95), "turned past");
        assert!(!meter.read(20.1, 20.0, 3.0) && !meter.read(20.1, 20.0, 4.9));
        assert!(meter.read(20.1, 20.0, 5.0));
        assert!(!meter.read(20.1, 20.0, 6.0), "it is told once");
        assert_eq!(meter.set_v, Some(20.1));
        assert!(!meter.read(10.0, 20.0, 7.0));
        assert_eq!(meter.set_v, None, "turned away again");
    }

    /// Source: analytic: 10.39 dB at 4 dB a second are there after 2.6 s.
    #[test]
    fn the_simulated_amplifier_is_turned_towards_what_is_wanted() {
        let mut meter = GainMeter::default();
        let mut volts = 0.0;
        for tenth in 1..=40 {
            volts = meter.turned_by_itself(6.05, 20.0, 0.1 * f64::from(tenth));
        }
        near("turned", volts, 20.0, 1e-9);
        let mut meter = GainMeter::default();
        for tenth in 1..=10 {
            volts = meter.turned_by_itself(6.05, 20.0, 0.1 * f64::from(tenth));
        }
        near("after a second", volts, 6.05 * 10f64.powf(0.2), 1e-9);
    }
}
