//! Calibration in volts: a tone, a meter, and the rig file that remembers.

use engine::Pace;
use procedure::{CalibrateOrder, HeardInput, Store, calibrate_volts, calibration_tone};
use rig::Scene;
use tuning::parse_volts;
use view::{Action, Button, Card, CardLine, NumberKey, SwitchKey, TextKey, Tone};

use crate::Core;
use crate::card::{button, line, number, switch, text};
use crate::run::With;
use crate::state::State;
use crate::work::Doing;
use crate::work::Heading;
use library::{Error, Result};

/// The tone that every meter reads true.
const TONE_HZ: f64 = 1_000.0;

impl State {
    pub(super) fn volts_main(&self) -> Button {
        let tap = self.rig.as_ref().and_then(|rig| rig.electrical_input(None).ok());
        match (tap, &self.source.heard) {
            (None, _) => button(Action::OpenStage(view::Stage::Intake), "Choose an electrical input", true),
            (Some(_), None) => self.measure_button("Play the tone"),
            (Some(_), Some(_)) => button(Action::KeepVolts, "Keep this calibration", true),
        }
    }

    pub(super) fn volts_card(&self) -> Card {
        let rig = self.rig.as_ref();
        let input = rig.and_then(|rig| Some((rig, rig.electrical_input(None).ok()?)));
        let Some((rig, input)) = input else {
            return Card {
                instruction: "Choose a rig with an electrical input.".to_owned(),
                detail: "Volts belong to an input that is wired to an output of the source. Choose such a rig on the Intake \
                         card, or let one be begun there."
                    .to_owned(),
                ..Card::default()
            };
        };
        let spec = &rig.spec().inputs[input];
        let mut lines = vec![match spec.volts_per_fs {
            Some(volts) => line(&format!("{}, full scale", spec.name), format!("{volts:.4} V")),
            None => {
                CardLine { label: spec.name.clone(), value: "not calibrated".to_owned(), tone: Tone::Caution }
            }
        }];
        if let Some(day) = &spec.calibrated_on {
            lines.push(line("calibrated on", day.clone()));
        }
        match &self.source.heard {
            None => Card {
                instruction: "Play a tone and measure it with a meter.".to_owned(),
                detail: "Meter and input at the same point, the meter ahead of any attenuator, set to AC volts. A bridged \
                         output has no ground side: never connect one to the interface's ground."
                    .to_owned(),
                settings: vec![switch(
                    SwitchKey::SourcePlays,
                    "The source plays it (track tone-1k)",
                    self.source.source_plays,
                )],
                lines,
                ..Card::default()
            },
            Some(heard) => Card {
                instruction: "Type what the meter showed.".to_owned(),
                detail: "RMS volts, such as 4.3 or 850 mV.".to_owned(),
                actions: vec![button(Action::RepeatVolts, "Play it again", true)],
                settings: vec![
                    text(TextKey::MeterReading, "The meter shows", &self.source.meter),
                    number(NumberKey::Attenuator, "Attenuator ahead", self.source.attenuator_db, (0.0, 80.0, 0.5), "dB"),
                ],
                first_settings: 1,
                lines: [lines, heard_lines(heard)].concat(),
                ..Card::default()
            },
        }
    }
}

impl Core {
    /// Plays the tone, or hears the source play it, until the meter was read.
    pub(crate) fn hear_tone(&mut self) -> Result<()> {
        let plays = !self.state.source.source_plays || self.is_simulated();
        let order = CalibrateOrder {
            frequency_hz: TONE_HZ,
            play_dbfs: plays.then_some(self.state.output_dbfs),
            input: None,
            seconds: None,
        };
        let heading = Heading {
            title: format!("Tone of {TONE_HZ:.0} Hz"),
            detail: "Read the meter, then press Space.".to_owned(),
            ..Heading::default()
        };
        let scene = Scene { volume_step: self.step_now(), ..self.scene() };
        let with = With { headings: vec![heading], store: Store::Nowhere, pace: Pace::RealTime };
        self.start(Doing::Calibrating, with, false, move |session| {
            session.rig.set_scene(&scene)?;
            let heard = calibration_tone(session, &order)?;
            Ok(Box::new(|core| {
                core.state.source.meter.clear();
                core.state.source.heard = Some(heard);
                Ok(())
            }))
        })
    }

    /// Computes the calibration from what was typed, and keeps it in the rig's file.
    pub(crate) fn keep_volts(&mut self) -> Result<()> {
        let (Some(rig), Some(heard)) = (&self.state.rig, &self.state.source.heard) else { return Ok(()) };
        let typed = self.state.source.meter.trim();
        if typed.is_empty() {
            return Err(Error::input("Type first what the meter showed while the tone played."));
        }
        let meter_v = parse_volts(typed).ok_or_else(|| {
            Error::input(format!("“{typed}” is no voltage; type RMS volts such as 4.3, or 850 mV"))
        })?;
        let attenuator_db = Some(self.state.source.attenuator_db).filter(|loss| *loss > 0.0);
        let file = rig.file().map(std::path::Path::to_owned);
        let kept = calibrate_volts(file.as_deref(), attenuator_db, heard, meter_v)?;
        if let Some(file) = file {
            let rig = rig::OpenRig::open(rig::RigChoice::File(file.clone()))?;
            self.hold_rig(rig, library::RememberedRig::File(file));
        }
        self.state.source.heard = None;
        let where_to = match kept.rig {
            Some(rig) => format!("It is kept in {}.", rig.display()),
            None => "The simulated car keeps its own.".to_owned(),
        };
        self.notice(
            format!(
                "Full scale of {} is {:.4} V; it takes a sine of up to {:.2} V RMS. {where_to}{}",
                kept.input,
                kept.volts_per_fs,
                kept.largest_sine_v_rms,
                kept.findings.iter().map(|finding| format!(" {}", finding.text)).collect::<String>()
            ),
            true,
        );
        Ok(())
    }
}

fn heard_lines(heard: &HeardInput) -> Vec<CardLine> {
    let tone = &heard.tone;
    let mut lines = vec![
        CardLine {
            label: "the input heard".to_owned(),
            value: format!("{:.2} dBFS", tone.rms_dbfs).replace('-', "−"),
            tone: if tone.peak_dbfs > -3.0 { Tone::Caution } else { Tone::Good },
        },
        line("at", format!("{:.1} Hz", tone.frequency_hz)),
    ];
    if let Some(volts) = heard.simulated_meter_v {
        lines.push(line("a meter would show", format!("{volts:.3} V")));
    }
    lines
}
