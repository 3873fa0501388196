//! The card of each stage: what to do now, and what was found.

use tuning::{Profile, Target};
use units::Volts;
use view::{Action, Card, CardLine, ChoiceOption, SetMark, Setting, SettingKind, Stage, Tone};

use super::{Desk, Signal};

impl Desk {
    pub(super) fn card(&self) -> Card {
        match self.stage {
            Stage::Intake => self.intake_card(),
            Stage::Source => self.source_card(),
            Stage::Gain => self.gain_card(),
            Stage::Drivers => self.drivers_card(),
            Stage::Timing => self.timing_card(),
            Stage::Tune => self.tune_card(),
            Stage::Handover => self.handover_card(),
        }
    }

    fn start(&self, label: &str) -> Action {
        let label = if self.running.is_some() { "Stop" } else { label };
        Action {
            id: "start".to_owned(),
            label: label.to_owned(),
            enabled: self.bench.is_some() && !self.muted,
        }
    }

    fn intake_card(&self) -> Card {
        Card {
            instruction: "Say what is in the car.".to_owned(),
            detail: "Choose what the processor can hold, and what to measure with. Supply the battery, and keep the \
                     engine off indoors."
                .to_owned(),
            actions: vec![
                action("simulated", "Use the simulated car", self.running.is_none()),
                action("devices", "Use the sound devices", self.running.is_none()),
            ],
            settings: vec![self.processor_setting(), self.target_setting()],
            ..Card::default()
        }
    }

    fn source_card(&self) -> Card {
        Card {
            instruction: "Measure what the source puts out.".to_owned(),
            detail: "Connect the tap to the interface. A bridged output has no ground side: never connect one to the \
                     interface's ground. The clean volume step is found with `headrest measure headroom`."
                .to_owned(),
            main: Some(self.start("Sweep the source")),
            settings: vec![self.signal_setting(), self.countdown_setting()],
            ..Card::default()
        }
    }

    fn gain_card(&self) -> Card {
        let full = Volts::for_power(self.choices.power_w, self.choices.load_ohm);
        let target = full.0 * units::amplitude_from_db(self.choices.overlap_db);
        Card {
            instruction: "Turn the amplifier's gain until the meter shows this.".to_owned(),
            detail:
                "Full-scale tone, the source at its clean step, tone controls flat, speaker disconnected."
                    .to_owned(),
            headline: format!("{target:.2} V"),
            headline_caption: "RMS at the amplifier's output".to_owned(),
            settings: vec![
                number("power", "Amplifier power", self.choices.power_w, (1.0, 5_000.0, 5.0), "W"),
                number("load", "Load", self.choices.load_ohm, (0.5, 16.0, 0.5), "Ω"),
                number("overlap", "Overlap", self.choices.overlap_db, (-20.0, 0.0, 1.0), "dB"),
            ],
            lines: vec![line("Without overlap", format!("{:.2} V", full.0))],
            ..Card::default()
        }
    }

    fn drivers_card(&self) -> Card {
        let car = self.bench.as_ref().and_then(|bench| bench.car());
        let settings = car
            .map(|simulated| {
                let names = simulated.car.driver_names().map(|name| (name.to_owned(), name.to_owned()));
                choice("driver", "Driver", names, self.choices.driver.as_deref().unwrap_or(""))
            })
            .into_iter()
            .chain([self.countdown_setting()])
            .collect();
        Card {
            instruction: "Measure each driver alone.".to_owned(),
            detail:
                "Mute the others in the processor, and give a tweeter its high-pass before it hears a sweep."
                    .to_owned(),
            main: Some(self.start("Sweep this driver")),
            settings,
            ..Card::default()
        }
    }

    fn timing_card(&self) -> Card {
        let channels = self.job.iter().flat_map(|job| &job.data().channels);
        Card {
            instruction: "Enter delays, polarity and crossovers.".to_owned(),
            detail: "Delays make every driver arrive with the latest one.".to_owned(),
            lines: channels
                .map(|channel| {
                    let polarity = if channel.inverted { ", inverted" } else { "" };
                    line(&channel.channel, format!("{:.2} ms{polarity}", 1e3 * channel.delay_s))
                })
                .collect(),
            ..Card::default()
        }
    }

    fn tune_card(&self) -> Card {
        let side = self.choices.side;
        let done = self.held.iter().filter(|held| held.mark == Some(side)).count();
        let word = if side == SetMark::Before { "before" } else { "after" };
        let instruction = if done < self.choices.positions {
            format!("Hold the microphone at position {} of {}.", done + 1, self.choices.positions)
        } else if side == SetMark::Before {
            "All positions are measured. Let bands be suggested, and type them in.".to_owned()
        } else {
            "All positions are measured. Compare before with after.".to_owned()
        };
        let rms =
            |mark: SetMark| self.deviation(mark).map_or_else(|| "–".to_owned(), |rms| format!("{rms:.1} dB"));
        let measured = self.held.iter().any(|held| held.mark == Some(SetMark::Before));
        let mut settings = vec![
            choice(
                "side",
                "This set is",
                [("before", "before"), ("after", "after")]
                    .map(|(id, label)| (id.to_owned(), label.to_owned())),
                word,
            ),
            self.signal_setting(),
            self.target_setting(),
            self.processor_setting(),
            number("max-bands", "At most", self.choices.max_bands as f64, (1.0, 31.0, 1.0), "bands"),
            number("positions", "Positions", self.choices.positions as f64, (1.0, 20.0, 1.0), ""),
            self.countdown_setting(),
        ];
        if self.bench.as_ref().is_some_and(|bench| bench.car().is_some()) {
            let label = "Bands are in the simulated processor".to_owned();
            settings.insert(
                1,
                Setting { id: "entered".to_owned(), label, kind: SettingKind::Switch(self.entered) },
            );
        }
        Card {
            instruction,
            detail: String::new(),
            main: Some(self.start(&format!("Measure {word}"))),
            actions: vec![
                action("suggest", "Suggest bands", measured),
                action("clear", "Clear bands", !self.tune.bands().is_empty()),
                action("export-csv", "Export CSV", self.job.is_some()),
                action("export-text", "Export sheet", self.job.is_some()),
            ],
            settings,
            lines: vec![
                line("RMS to the target before", rms(SetMark::Before)),
                line("RMS to the target after", rms(SetMark::After)),
            ],
            ..Card::default()
        }
    }

    fn handover_card(&self) -> Card {
        let step = self.job.as_ref().and_then(|job| job.data().source.clean_step);
        Card {
            instruction: "Print the entry sheet, and hand the car over.".to_owned(),
            detail: "Files go into the job's exports folder.".to_owned(),
            headline: step.map_or_else(String::new, |step| format!("never above {step}")),
            headline_caption: step.map_or_else(String::new, |_| "the customer's volume mark".to_owned()),
            actions: vec![
                action("export-text", "Export sheet", self.job.is_some()),
                action("export-csv", "Export CSV", self.job.is_some()),
                action("export-json", "Export JSON", self.job.is_some()),
            ],
            ..Card::default()
        }
    }

    fn signal_setting(&self) -> Setting {
        let options = [("sweep", "Sweep"), ("pink", "Pink noise")];
        let chosen = if self.choices.signal == Signal::Pink { "pink" } else { "sweep" };
        choice("signal", "Signal", options.map(|(id, label)| (id.to_owned(), label.to_owned())), chosen)
    }

    fn countdown_setting(&self) -> Setting {
        number("countdown", "Countdown", f64::from(self.choices.countdown_s), (0.0, 30.0, 1.0), "s")
    }

    fn target_setting(&self) -> Setting {
        let presets = Target::presets().iter().map(|preset| {
            let label =
                Target::preset(preset.name).map_or_else(|_| preset.name.to_owned(), |target| target.name);
            (preset.name.to_owned(), label)
        });
        choice("target", "Target", presets, self.tune.target_id())
    }

    fn processor_setting(&self) -> Setting {
        let presets = Profile::presets().iter().map(|preset| {
            let label =
                Profile::preset(preset.name).map_or_else(|_| preset.name.to_owned(), |profile| profile.name);
            (preset.name.to_owned(), label)
        });
        choice("processor", "Processor", presets, self.tune.profile_id())
    }
}

fn action(id: &str, label: &str, enabled: bool) -> Action {
    Action { id: id.to_owned(), label: label.to_owned(), enabled }
}

fn line(label: &str, value: String) -> CardLine {
    CardLine { label: label.to_owned(), value, tone: Tone::Plain }
}

fn choice(
    id: &str,
    label: &str,
    options: impl IntoIterator<Item = (String, String)>,
    chosen: &str,
) -> Setting {
    let options = options.into_iter().map(|(id, label)| ChoiceOption { id, label }).collect();
    Setting {
        id: id.to_owned(),
        label: label.to_owned(),
        kind: SettingKind::Choice { options, chosen: chosen.to_owned() },
    }
}

fn number(id: &str, label: &str, value: f64, (min, max, step): (f64, f64, f64), unit: &str) -> Setting {
    let text = format!("{value} {unit}").trim_end().to_owned();
    Setting {
        id: id.to_owned(),
        label: label.to_owned(),
        kind: SettingKind::Number { value, min, max, step, text },
    }
}
