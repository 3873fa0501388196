//! Calibration in volts: a tone, a meter, and the rig file that remembers.

use job::Stage;
use measure::{Reading, Segment, Signal, Stimulus};
use view::{Action, Button, Card, CardLine, NumberKey, SwitchKey, TextKey, Tone};

use crate::desk::Desk;
use crate::desk::card::{button, line, number, switch, text};
use crate::desk::order::{Order, Purpose, Scene};
use crate::{Error, Result};
use procedure::{HeardInput, Plan, Until, calibrate_volts, heard_tone};
use tuning::parse_volts;

/// The tone that every meter reads true.
const TONE_HZ: f64 = 1_000.0;

impl Desk {
    pub(super) fn volts_main(&self) -> Option<Button> {
        self.bench.as_ref().and_then(|bench| bench.electrical_input(None).ok())?;
        Some(match &self.source.heard {
            None => self.measure_button("Play the tone"),
            Some(_) => button(Action::KeepVolts, "Keep this calibration", true),
        })
    }

    pub(super) fn volts_card(&self) -> Card {
        let bench = self.bench.as_ref();
        let input = bench.and_then(|bench| Some((bench, bench.electrical_input(None).ok()?)));
        let Some((bench, input)) = input else {
            return Card {
                instruction: "Choose a rig with an electrical input.".to_owned(),
                detail: "Volts belong to an input that is wired to an output of the source. Choose such a rig on the Intake \
                         card, or let one be begun there."
                    .to_owned(),
                ..Card::default()
            };
        };
        let spec = &bench.spec().inputs[input];
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

    pub(super) fn volts_order(&self) -> Result<Order> {
        let bench = self.bench.as_ref().ok_or_else(|| Error::input("Choose a rig first."))?;
        let input = bench.electrical_input(None)?;
        let tone = Segment::of(Signal::Sine { frequency_hz: TONE_HZ }, 10.0, self.output_dbfs, 0.0);
        let rig_plays = !self.source.source_plays || self.is_simulated();
        let plan = Plan {
            stimulus: rig_plays.then(|| Stimulus { name: "tone".to_owned(), segments: vec![tone] }),
            peak_dbfs: None,
            until: Until::Told,
            input,
            ..self.plan("tone", Stage::Source, engine::InputRole::Electrical)?
        };
        Ok(Order {
            detail: "Read the meter, then press Space.".to_owned(),
            scene: Scene { step: self.step_now(), ..Scene::default() },
            purpose: Purpose::Volts,
            ..Order::new(format!("Tone of {TONE_HZ:.0} Hz"), plan)
        })
    }

    /// Takes the tone that the input heard.
    pub(in crate::desk) fn hear_volts(&mut self, reading: &Reading, peak_dbfs: f64) -> Result<()> {
        let Some(bench) = &self.bench else { return Ok(()) };
        let spec = &bench.spec().inputs[bench.electrical_input(None)?];
        let tone = tuning::HeardTone { peak_dbfs, ..heard_tone(reading)? };
        let simulated_meter_v = bench
            .car()
            .and(spec.volts_per_fs)
            .map(|volts| volts / std::f64::consts::SQRT_2 * units::amplitude_from_db(tone.rms_dbfs));
        let (input, before) = (spec.name.clone(), spec.volts_per_fs);
        self.source.meter.clear();
        self.source.heard = Some(HeardInput { tone, input, before, meter_v: None, simulated_meter_v });
        Ok(())
    }

    /// Computes the calibration from what was typed, and keeps it in the rig's file.
    pub(in crate::desk) fn keep_volts(&mut self) -> Result<()> {
        let (Some(bench), Some(heard)) = (&mut self.bench, &self.source.heard) else { return Ok(()) };
        let typed = self.source.meter.trim();
        if typed.is_empty() {
            return Err(Error::input("Type first what the meter showed while the tone played."));
        }
        let meter_v = parse_volts(typed).ok_or_else(|| {
            Error::input(format!("“{typed}” is no voltage; type RMS volts such as 4.3, or 850 mV"))
        })?;
        let attenuator_db = Some(self.source.attenuator_db).filter(|loss| *loss > 0.0);
        let rig = bench.file().map(std::path::Path::to_owned);
        let kept = calibrate_volts(rig.as_deref(), attenuator_db, heard, meter_v)?;
        if let Some(rig) = &rig {
            *bench = rig::OpenRig::open(rig::RigChoice::File(rig.to_owned()))?;
        }
        self.source.heard = None;
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
