//! The card of each stage: what to do now, and what was found.

use tuning::{Profile, Target};
use units::Volts;
use view::{
    Action, Card, CardLine, ChoiceOption, Figure, FindingLine, SetMark, Setting, SettingKind, Stage, Tone,
};

use super::{Desk, Signal, SourceTask, drivers};

/// A voltage this near to the wanted one is right.
const GAIN_DB: f64 = 0.2;

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

    fn is_simulated(&self) -> bool {
        self.bench.as_ref().is_some_and(|bench| bench.car().is_some())
    }

    /// A main button that makes sound.
    fn measure_action(&self, label: String) -> Option<Action> {
        Some(Action { id: "measure".to_owned(), label, enabled: self.bench.is_some() && !self.muted })
    }

    fn intake_card(&self) -> Card {
        let mut settings = Vec::new();
        if let Some(job) = &self.job {
            settings.push(text("vehicle", "Vehicle", &job.data().intake.vehicle));
        }
        settings.extend([self.processor_setting(), self.target_setting()]);
        if self.is_simulated() {
            settings.push(self.times_setting());
        } else if self.job.is_some() {
            let layouts = drivers::LAYOUTS.map(|(id, label, _)| (id.to_owned(), label.to_owned()));
            let names = |drivers: &[job::Driver]| -> Vec<String> {
                drivers.iter().map(|driver| driver.name.clone()).collect()
            };
            let now = names(self.drivers());
            let chosen = drivers::LAYOUTS
                .iter()
                .find(|(id, _, _)| drivers::layout(id).is_some_and(|layout| names(&layout) == now))
                .map_or("", |(id, _, _)| *id);
            settings.push(choice("layout", "Drivers", layouts, chosen));
        }
        let (main, instruction) = match &self.bench {
            None => (action("simulated", "Use the simulated car", true), "Choose what to measure with."),
            Some(_) => (action("next", "On to the source", true), "Say what is in the car."),
        };
        Card {
            instruction: instruction.to_owned(),
            detail: "Supply the battery, and keep the engine off indoors.".to_owned(),
            main: Some(main),
            actions: match (&self.bench, self.is_simulated()) {
                (None, _) => vec![action("devices", "Use the sound devices", true)],
                (Some(_), true) => vec![action("devices", "Use sound devices instead", self.work.is_none())],
                (Some(_), false) => {
                    vec![action("simulated", "Use the simulated car instead", self.work.is_none())]
                }
            },
            settings,
            lines: self.drivers().iter().map(|driver| line(&driver.name, driver.role.clone())).collect(),
            ..Card::default()
        }
    }

    fn source_card(&self) -> Card {
        let simulated = self.is_simulated();
        let headroom = self.choices.source_task == SourceTask::Headroom;
        let tasks = [("headroom", "Clean step"), ("response", "Response")];
        let tasks = tasks.map(|(id, label)| (id.to_owned(), label.to_owned()));
        let mut settings =
            vec![choice("task", "Measure", tasks, if headroom { "headroom" } else { "response" })];
        if !simulated {
            settings.push(text("output", "Output that is tapped", &self.choices.output));
            if headroom {
                let first = f64::from(self.choices.first_step);
                settings.push(number("first-step", "First step", first, (1.0, 100.0, 1.0), ""));
            }
        }
        if !headroom {
            settings.push(self.signal_setting());
        }
        settings.push(self.countdown_setting());
        let limit = self.limit();
        let clean = limit.as_ref().and_then(|limit| limit.clean_step);
        let found = self.outputs_found();
        let lines = found.iter().map(|output| CardLine {
            label: output.name.clone(),
            value: match (output.clean_step, output.volts) {
                (Some(step), Some(volts)) => format!("step {step} · {volts:.2} V"),
                (Some(step), None) => format!("step {step}"),
                (None, _) => "no clean step".to_owned(),
            },
            tone: match output.clean_step {
                None => Tone::Bad,
                Some(step) if Some(step) == clean => Tone::Caution,
                Some(_) => Tone::Good,
            },
        });
        let done = clean.is_some() && self.work.is_none();
        Card {
            instruction: match (headroom, done) {
                (true, false) => "Find the highest volume step that is still clean.".to_owned(),
                (true, true) => "This step is the customer's “never above” mark.".to_owned(),
                (false, _) => "Measure what the source does to the sound.".to_owned(),
            },
            detail: if simulated && headroom {
                "Every output plays a full-scale tone, and the volume climbs by itself.".to_owned()
            } else if headroom {
                "Play the full-scale tone on the source and turn its volume up, one step a second. A bridged output \
                 has no ground side: never connect one to the interface's ground."
                    .to_owned()
            } else {
                "A factory tone curve must be known before it is undone.".to_owned()
            },
            main: match (headroom, done) {
                (true, true) => Some(action("next", "On to the gain", true)),
                (true, false) => self.measure_action("Find the clean step".to_owned()),
                (false, _) => self.measure_action("Sweep the source".to_owned()),
            },
            actions: if done && headroom {
                vec![action("measure", "Climb again", self.bench.is_some() && !self.muted)]
            } else {
                Vec::new()
            },
            settings,
            headline: clean.map_or_else(String::new, |step| format!("step {step}")),
            headline_caption: limit.map_or_else(String::new, |limit| {
                let volts = limit.volts.map_or_else(String::new, |volts| format!("{volts:.2} V at "));
                format!("clean everywhere; {volts}{} is the first to clip", limit.name)
            }),
            lines: lines.collect(),
            findings: self.findings(Stage::Source),
        }
    }

    /// The voltage for which the amplifier's gain is set, without and with overlap.
    pub(super) fn gain_volts(&self) -> (f64, f64) {
        let full = Volts::for_power(self.choices.power_w, self.choices.load_ohm).0;
        (full, full * units::amplitude_from_db(self.choices.overlap_db))
    }

    /// How far a measured voltage is from the wanted one, in very big type. The
    /// simulated car has its tap at the radio, where this says nothing.
    pub(super) fn gain_figure(&self, volts: Option<f64>) -> Option<Figure> {
        let volts = volts.filter(|volts| *volts > 0.0 && !self.is_simulated())?;
        let (_, target) = self.gain_volts();
        let off_db = 20.0 * (volts / target).log10();
        let (tone, word) = if off_db.abs() <= GAIN_DB {
            (Tone::Good, "right")
        } else if off_db < 0.0 {
            (Tone::Caution, "turn it up")
        } else {
            (Tone::Bad, "turn it down")
        };
        Some(Figure { value: format!("{off_db:+.1} dB"), caption: word.to_owned(), tone })
    }

    fn gain_card(&self) -> Card {
        let (full, target) = self.gain_volts();
        let clean = self.job.as_ref().and_then(|job| job.data().source.clean_step);
        let step = clean.map_or_else(|| "its clean step".to_owned(), |step| format!("step {step}"));
        let mut lines = vec![line("Full power is", format!("{full:.2} V"))];
        if let Some(volts) = self.limit().and_then(|limit| limit.volts) {
            lines.push(line("The source gives", format!("{volts:.2} V")));
        }
        Card {
            instruction: "Turn the amplifier's gain until its output shows this.".to_owned(),
            detail: format!(
                "Full-scale tone, the source at {step}, tone controls flat, the speaker disconnected."
            ),
            main: Some(Action {
                id: "watch".to_owned(),
                label: "Watch the volts".to_owned(),
                enabled: self.bench.is_some() && !self.muted,
            }),
            actions: vec![action("next", "On to the drivers", self.work.is_none())],
            headline: format!("{target:.2} V"),
            headline_caption: "RMS at the amplifier's output".to_owned(),
            settings: vec![
                number("power", "Amplifier power", self.choices.power_w, (1.0, 5_000.0, 5.0), "W"),
                number("load", "Load", self.choices.load_ohm, (0.5, 16.0, 0.5), "Ω"),
                number("overlap", "Overlap", self.choices.overlap_db, (-20.0, 0.0, 1.0), "dB"),
            ],
            lines,
            ..Card::default()
        }
    }

    fn drivers_card(&self) -> Card {
        let (measured, of, backwards) = self.drivers_result();
        let left = of - measured;
        let names = self.drivers().iter().map(|driver| (driver.name.clone(), driver.name.clone()));
        let all = ("all".to_owned(), if left > 0 { "all that are left" } else { "all of them" }.to_owned());
        let chosen = self.choices.driver.as_deref();
        let label = match chosen {
            Some(name) => format!("Measure {name}"),
            None if of == 0 => "Measure the drivers".to_owned(),
            None if left == of => format!("Measure {of} drivers"),
            None => format!("Measure {left} more"),
        };
        let done = of > 0 && left == 0 && chosen.is_none();
        Card {
            instruction: match (of, left, backwards.as_slice()) {
                (0, ..) => "Say on the Intake card which drivers the car has.".to_owned(),
                (_, 0, []) => "All drivers are measured.".to_owned(),
                (_, 0, names) => format!("Wired backwards: {}.", names.join(", ")),
                _ => "Measure each driver alone.".to_owned(),
            },
            detail: if self.is_simulated() {
                "Each one plays alone, with a sweep that suits it and protects it.".to_owned()
            } else {
                "Mute the others in the processor, and give a tweeter its high-pass first.".to_owned()
            },
            main: if done {
                Some(action("next", "On to the timing", true))
            } else {
                self.measure_action(label)
                    .map(|action| Action { enabled: action.enabled && of > 0, ..action })
            },
            actions: if done {
                vec![action("measure", "Measure again", self.bench.is_some() && !self.muted)]
            } else {
                Vec::new()
            },
            settings: vec![
                choice("driver", "Which", std::iter::once(all).chain(names), chosen.unwrap_or("all")),
                self.go_on_setting(),
                self.countdown_setting(),
            ],
            lines: self.driver_lines(),
            findings: self.findings(Stage::Drivers),
            ..Card::default()
        }
    }

    fn timing_card(&self) -> Card {
        let timing = self.timing();
        let kept = self.job.as_ref().map(|job| job.data().channels.clone()).unwrap_or_default();
        let entered = !timing.is_empty() && timing == kept;
        let mut findings = Vec::new();
        if !timing.is_empty() && !self.arrivals_compare() {
            findings.push(FindingLine {
                tone: Tone::Caution,
                text: "Without a loopback channel the arrivals of separate captures do not share their zero. Add one \
                       to the rig file, or measure distances."
                    .to_owned(),
            });
        }
        let main = if entered {
            action("next", "On to the tuning", true)
        } else if self.is_simulated() {
            action("enter-timing", "Enter them in the processor", !timing.is_empty())
        } else {
            action("enter-timing", "They are entered", !timing.is_empty())
        };
        Card {
            instruction: match (timing.is_empty(), entered) {
                (true, _) => "Measure the drivers first: delays follow from their arrivals.".to_owned(),
                (false, false) => "Enter these delays and polarities.".to_owned(),
                (false, true) => "Delays and polarities are entered.".to_owned(),
            },
            detail: "With them every driver arrives with the latest one. A subwoofer stays as it is."
                .to_owned(),
            main: Some(main),
            lines: timing
                .iter()
                .map(|channel| CardLine {
                    label: channel.channel.clone(),
                    value: format!(
                        "{:.2} ms{}",
                        1e3 * channel.delay_s,
                        if channel.inverted { ", turn over" } else { "" }
                    ),
                    tone: if channel.inverted { Tone::Caution } else { Tone::Plain },
                })
                .collect(),
            findings,
            ..Card::default()
        }
    }

    /// What comes next in tuning, as the main button and its reason.
    fn tune_next(&self) -> (String, Option<Action>) {
        let count = |mark: SetMark| self.captures.side(mark).count();
        let (before, after, of) = (count(SetMark::Before), count(SetMark::After), self.choices.positions);
        let bands = self.tune.bands().iter().any(|band| band.enabled);
        if before < of && self.choices.side == SetMark::Before {
            let instruction = format!("Hold the microphone at position {} of {of}.", before + 1);
            return (instruction, self.measure_action(format!("Measure {} before", positions(of - before))));
        }
        if !bands {
            let instruction = "Let bands be suggested that the processor can hold.".to_owned();
            return (instruction, Some(action("suggest", "Suggest bands", before > 0)));
        }
        if self.is_simulated() && !self.entered {
            let instruction = "Look the bands over, then type them in.".to_owned();
            return (instruction, Some(action("enter", "Type them in", true)));
        }
        if after < of {
            let instruction = if after == 0 {
                "Type the bands in, then prove what they did.".to_owned()
            } else {
                format!("Hold the microphone at position {} of {of}.", after + 1)
            };
            return (instruction, self.measure_action(format!("Measure {} after", positions(of - after))));
        }
        ("Compare before with after.".to_owned(), Some(action("next", "On to the handover", true)))
    }

    fn tune_card(&self) -> Card {
        let (instruction, main) = self.tune_next();
        let side = self.choices.side;
        let rms =
            |mark: SetMark| self.deviation(mark).map_or_else(|| "–".to_owned(), |rms| format!("{rms:.1} dB"));
        let measured = self.captures.side(SetMark::Before).next().is_some();
        let idle = self.work.is_none();
        let mut settings = vec![self.target_setting(), self.processor_setting()];
        settings.push(number(
            "max-bands",
            "At most",
            self.choices.max_bands as f64,
            (1.0, 31.0, 1.0),
            "bands",
        ));
        settings.push(choice(
            "side",
            "The next set is",
            [("before", "before"), ("after", "after")].map(|(id, label)| (id.to_owned(), label.to_owned())),
            if side == SetMark::Before { "before" } else { "after" },
        ));
        settings.push(self.signal_setting());
        settings.push(number("positions", "Positions", self.choices.positions as f64, (1.0, 20.0, 1.0), ""));
        if self.is_simulated() {
            let label = "Bands are in the processor".to_owned();
            settings.push(Setting {
                id: "entered".to_owned(),
                label,
                kind: SettingKind::Switch(self.entered),
            });
        }
        settings.extend([self.go_on_setting(), self.countdown_setting()]);
        let mut actions = Vec::new();
        if main.as_ref().is_none_or(|main| main.id != "suggest") {
            actions.push(action("suggest", "Suggest bands", measured && idle));
        }
        if !self.tune.bands().is_empty() {
            actions.push(action("clear", "Clear bands", idle));
        }
        Card {
            instruction,
            main,
            actions,
            settings,
            lines: vec![
                line("From the target, before", rms(SetMark::Before)),
                line("From the target, after", rms(SetMark::After)),
            ],
            findings: self.findings(Stage::Tune),
            ..Card::default()
        }
    }

    fn handover_card(&self) -> Card {
        let clean = self.job.as_ref().and_then(|job| job.data().source.clean_step);
        let has_job = self.job.is_some();
        let results = Stage::ALL.map(|stage| (stage.title(), self.stage_line(stage).result));
        let rms = |mark: SetMark| self.deviation(mark).map(|rms| format!("{rms:.1} dB")).unwrap_or_default();
        let (before, after) = (rms(SetMark::Before), rms(SetMark::After));
        let mut lines: Vec<CardLine> = Vec::new();
        if !before.is_empty() {
            lines.push(line("From the target, before", before));
        }
        if !after.is_empty() {
            lines.push(line("From the target, after", after));
        }
        lines.push(line("Bands", self.tune.bands().iter().filter(|band| band.enabled).count().to_string()));
        let open: Vec<&str> =
            results[..6].iter().filter(|(_, result)| result.is_empty()).map(|(title, _)| *title).collect();
        let findings = if open.is_empty() {
            Vec::new()
        } else {
            let text = format!("Not done: {}. The sheet says so too.", open.join(", "));
            vec![FindingLine { tone: Tone::Caution, text }]
        };
        Card {
            instruction: "Write the sheet for the processor and the report for the customer.".to_owned(),
            detail: "The files go into the job's folder “exports”: bands, entry sheet, report.".to_owned(),
            headline: clean.map_or_else(String::new, |step| format!("never above {step}")),
            headline_caption: clean.map_or_else(String::new, |_| "the customer's volume mark".to_owned()),
            main: Some(action("write", "Write sheet and report", has_job)),
            actions: vec![action("export", "Export bands only", has_job)],
            lines,
            findings,
            ..Card::default()
        }
    }

    /// What was doubtful in the newest captures of a stage.
    fn findings(&self, stage: Stage) -> Vec<FindingLine> {
        let mut findings: Vec<FindingLine> = Vec::new();
        let doubtful = self.captures.of(stage).rev().filter(|held| !held.remark.is_empty());
        for held in doubtful {
            let text = format!("{}: {}", held.label, held.remark);
            if findings.len() < 3 && !findings.iter().any(|finding| finding.text == text) {
                findings.push(FindingLine { tone: Tone::Caution, text });
            }
        }
        findings
    }

    fn signal_setting(&self) -> Setting {
        let options = [("sweep", "Sweep"), ("pink", "Pink noise")];
        let chosen = if self.choices.signal == Signal::Pink { "pink" } else { "sweep" };
        choice("signal", "Signal", options.map(|(id, label)| (id.to_owned(), label.to_owned())), chosen)
    }

    fn times_setting(&self) -> Setting {
        let options = [("1", "Real time"), ("10", "10 × faster")];
        let chosen = if self.choices.times > 1 { "10" } else { "1" };
        let options = options.map(|(id, label)| (id.to_owned(), label.to_owned()));
        choice("times", "The simulated car plays in", options, chosen)
    }

    fn go_on_setting(&self) -> Setting {
        let label = "Go on by itself".to_owned();
        Setting { id: "go-on".to_owned(), label, kind: SettingKind::Switch(self.choices.go_on) }
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

fn positions(count: usize) -> String {
    if count == 1 { "1 position".to_owned() } else { format!("{count} positions") }
}

fn action(id: &str, label: &str, enabled: bool) -> Action {
    Action { id: id.to_owned(), label: label.to_owned(), enabled }
}

fn line(label: &str, value: String) -> CardLine {
    CardLine { label: label.to_owned(), value, tone: Tone::Plain }
}

fn text(id: &str, label: &str, text: &str) -> Setting {
    Setting { id: id.to_owned(), label: label.to_owned(), kind: SettingKind::Text(text.to_owned()) }
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
