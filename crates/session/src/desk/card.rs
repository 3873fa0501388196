//! The card of each stage: what to do now, and what was found.

use tuning::{GainInput, GainPlan, Profile, gain_plan, turn_to};
use view::{
    Action, Card, CardLine, ChoiceOption, Figure, FindingLine, SetMark, Setting, SettingKind, Stage, Tone,
};

use super::{Desk, Signal, TuneCard, drivers};

impl Desk {
    pub(super) fn card(&self) -> Card {
        let mut card = match self.stage {
            Stage::Intake => self.intake_card(),
            Stage::Source => self.source_card(),
            Stage::Gain => self.gain_card(),
            Stage::Drivers => self.drivers_card(),
            Stage::Timing => self.timing_card(),
            Stage::Tune if self.is_auditioning() => self.audition_card(),
            Stage::Tune => match self.choices.tuning {
                TuneCard::Bands => self.tune_card(),
                TuneCard::MeaningOfQ => self.q_card(),
                TuneCard::Target => self.target_card(),
            },
            Stage::Handover => self.handover_card(),
        };
        if !self.is_editing_target() {
            card.actions.extend(self.listen_action());
        }
        card
    }

    pub(super) fn is_simulated(&self) -> bool {
        self.bench.as_ref().is_some_and(|bench| bench.car().is_some())
    }

    /// A main button that makes sound.
    pub(super) fn measure_action(&self, label: String) -> Option<Action> {
        Some(Action { id: "measure".to_owned(), label, enabled: self.bench.is_some() && !self.muted })
    }

    fn intake_card(&self) -> Card {
        let mut settings = Vec::new();
        if self.bench.is_some() || self.job.is_some() {
            let vehicle = self.job.as_ref().map_or("", |job| &job.data().intake.vehicle);
            settings.push(text("vehicle", "Vehicle", vehicle));
        }
        settings.extend([self.processor_setting(), self.target_setting()]);
        if self.is_simulated() {
            settings.push(self.times_setting());
        }
        settings.extend(self.rig_setting());
        // The drivers of the simulated car are known.
        if !self.is_simulated() && (self.bench.is_some() || self.job.is_some()) {
            settings.push(self.layout_setting());
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
                    let simulated = action("simulated", "Use the simulated car instead", self.work.is_none());
                    std::iter::once(simulated).chain(self.rig_action()).collect()
                }
            },
            settings,
            lines: self
                .drivers()
                .iter()
                .map(|driver| {
                    line(&driver.name, driver.role.map(|role| role.to_string()).unwrap_or_default())
                })
                .collect(),
            ..Card::default()
        }
    }

    fn layout_setting(&self) -> Setting {
        let layouts = drivers::LAYOUTS.map(|(id, label, _)| (id.to_owned(), label.to_owned()));
        let names = |drivers: &[job::Driver]| -> Vec<String> {
            drivers.iter().map(|driver| driver.name.clone()).collect()
        };
        let now = names(self.drivers());
        let chosen = drivers::LAYOUTS
            .iter()
            .find(|(id, _, _)| drivers::layout(id).is_some_and(|layout| names(&layout) == now))
            .map_or("", |(id, _, _)| *id);
        choice("layout", "Drivers", layouts, chosen)
    }

    /// Offered where tracks may be played from a memory stick instead.
    fn listen_action(&self) -> Option<Action> {
        let here = match self.stage {
            Stage::Drivers | Stage::Tune => true,
            Stage::Source => !self.is_simulated() && self.source.plays_tracks(),
            _ => false,
        };
        let ready = self.bench.is_some() && self.work.is_none();
        here.then(|| action("listen", "Listen for tracks", ready))
    }

    /// The volts to turn the amplifier to, and every stage on the way.
    fn gain_plan(&self) -> Option<GainPlan> {
        let car = self.bench.as_ref().and_then(|bench| bench.car());
        let rms = |peak_v: f64| peak_v * std::f64::consts::FRAC_1_SQRT_2;
        let input = GainInput {
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
        };
        gain_plan(&input).ok()
    }

    /// The volts to turn the amplifier to.
    pub(super) fn gain_target_v(&self) -> Option<f64> {
        let plan = self.gain_plan()?;
        Some(if self.choices.overlap { plan.overlap_target_v } else { plan.target_v })
    }

    /// How far the amplifier is still to be turned, in very big type. The
    /// simulated car has its tap at the radio, where this says nothing.
    pub(super) fn gain_figure(&self, volts: Option<f64>) -> Option<Figure> {
        let volts = volts.filter(|_| !self.is_simulated())?;
        let turn = turn_to(self.gain_target_v()?, volts)?;
        let tone = match (turn.done, turn.turn_db > 0.0) {
            (true, _) => Tone::Good,
            (false, true) => Tone::Caution,
            (false, false) => Tone::Bad,
        };
        Some(Figure { value: format!("{:+.1} dB", turn.turn_db), caption: turn.text, tone })
    }

    fn gain_card(&self) -> Card {
        let clean = self.job.as_ref().and_then(|job| job.data().source.clean_step);
        let step = clean.map_or_else(|| "its clean step".to_owned(), |step| format!("step {step}"));
        let tones = ["0", "-5", "-10"].map(|db| (db.to_owned(), format!("{db} dB").replace('-', "−")));
        let plan = self.gain_plan();
        let measured = self.source_volts().is_some();
        let mut lines: Vec<CardLine> =
            plan.iter().map(|plan| line("Full power is", format!("{:.2} V", plan.full_power_v))).collect();
        for stage in plan.iter().filter(|_| measured).flat_map(|plan| &plan.stages) {
            lines.push(CardLine {
                label: format!("{}, clean to {:.2} V", stage.stage, stage.clips_at_v),
                value: format!("{:+.1} dB room", stage.headroom_db),
                tone: if stage.headroom_db < -0.1 { Tone::Bad } else { Tone::Good },
            });
        }
        let findings = plan.iter().filter(|_| measured).flat_map(|plan| &plan.findings);
        let findings = findings.map(|finding| FindingLine {
            tone: if finding.level == measure::FindingLevel::Note { Tone::Plain } else { Tone::Caution },
            text: finding.text.clone(),
        });
        Card {
            instruction: "Turn the amplifier's gain until its output shows this.".to_owned(),
            detail: format!(
                "Tone of {} dBFS, the source at {step}, tone controls flat, the speaker disconnected.",
                self.choices.tone_dbfs
            ),
            main: Some(Action {
                id: "watch".to_owned(),
                label: "Watch the volts".to_owned(),
                enabled: self.bench.is_some() && !self.muted,
            }),
            actions: vec![action("next", "On to the drivers", self.work.is_none())],
            headline: self.gain_target_v().map_or_else(String::new, |volts| format!("{volts:.2} V")),
            headline_caption: "RMS at the amplifier's output".to_owned(),
            lines,
            findings: findings.collect(),
            first_settings: 0,
            settings: vec![
                number("power", "Amplifier power", self.choices.power_w, (1.0, 5_000.0, 5.0), "W"),
                number("load", "Load", self.choices.load_ohm, (0.5, 16.0, 0.5), "Ω"),
                choice("tone", "Tone", tones, &self.choices.tone_dbfs.to_string()),
                Setting {
                    id: "overlap".to_owned(),
                    label: "The tone itself reaches full power".to_owned(),
                    kind: SettingKind::Switch(self.choices.overlap),
                },
            ],
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
        settings.extend(self.channel_settings());
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
            settings.push(Setting {
                id: "slip".to_owned(),
                label: "One of them is mistyped on purpose".to_owned(),
                kind: SettingKind::Switch(self.choices.slip),
            });
        }
        settings.extend([self.go_on_setting(), self.countdown_setting()]);
        if !self.tune.bands().is_empty() {
            settings.extend(self.audition_settings());
        }
        let mut actions = Vec::new();
        if main.as_ref().is_none_or(|main| main.id != "suggest") {
            let locked = self.tune.bands().iter().any(|band| band.locked);
            let label = if locked { "Fit the rest again" } else { "Suggest bands" };
            actions.push(action("suggest", label, measured && idle));
        }
        actions.push(action("edit-target", "Edit the target", idle));
        if !self.tune.bands().is_empty() {
            actions.push(action("audition", "Hear them", idle && self.is_audible()));
            actions.push(action("clear", "Clear bands", idle));
        } else {
            actions.push(action("find-q", "What it means by Q", idle));
        }
        Card {
            instruction,
            main,
            actions,
            settings,
            // The bands depend on target and processor.
            first_settings: if self.tune.bands().is_empty() { 0 } else { 2 },
            lines: [
                Some(line("From the target, before", rms(SetMark::Before))),
                Some(line("From the target, after", rms(SetMark::After))),
                self.check_line(),
            ]
            .into_iter()
            .flatten()
            .collect(),
            findings: [self.check_lines(), self.outlier_lines(), self.findings(Stage::Tune)].concat(),
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
        lines.extend(self.check_line());
        let open: Vec<&str> =
            results[..6].iter().filter(|(_, result)| result.is_empty()).map(|(title, _)| *title).collect();
        let mut findings = self.check_lines();
        if !open.is_empty() {
            let text = format!("Not done: {}. The sheet says so too.", open.join(", "));
            findings.push(FindingLine { tone: Tone::Caution, text });
        }
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

    /// The positions that stand apart from the others of their set.
    fn outlier_lines(&self) -> Vec<FindingLine> {
        let both = [SetMark::Before, SetMark::After].map(|mark| self.outliers(mark)).concat();
        both.into_iter().map(|(_, text)| FindingLine { tone: Tone::Caution, text }).collect()
    }

    /// What was doubtful in the newest captures of a stage.
    pub(super) fn findings(&self, stage: Stage) -> Vec<FindingLine> {
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

    pub(super) fn signal_setting(&self) -> Setting {
        let options = [("sweep", "Sweep"), ("pink", "Pink"), ("walk", "Pink, moved")];
        let chosen = match self.choices.signal {
            Signal::Sweep => "sweep",
            Signal::Pink => "pink",
            Signal::Walk => "walk",
        };
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

    pub(super) fn countdown_setting(&self) -> Setting {
        number("countdown", "Countdown", f64::from(self.choices.countdown_s), (0.0, 30.0, 1.0), "s")
    }

    pub(super) fn processor_setting(&self) -> Setting {
        let presets = Profile::presets().iter().map(|preset| {
            let label =
                Profile::preset(preset.name).map_or_else(|_| preset.name.to_owned(), |profile| profile.name);
            (preset.name.to_owned(), label)
        });
        let own = crate::place::own_names("processors").into_iter().map(|name| {
            let label = library::profile(&name).map_or_else(|_| name.clone(), |profile| profile.name);
            (name, label)
        });
        choice("processor", "Processor", presets.chain(own), self.tune.profile_id())
    }
}

fn positions(count: usize) -> String {
    if count == 1 { "1 position".to_owned() } else { format!("{count} positions") }
}

pub(super) fn action(id: &str, label: &str, enabled: bool) -> Action {
    Action { id: id.to_owned(), label: label.to_owned(), enabled }
}

pub(super) fn line(label: &str, value: String) -> CardLine {
    CardLine { label: label.to_owned(), value, tone: Tone::Plain }
}

pub(super) fn text(id: &str, label: &str, text: &str) -> Setting {
    Setting { id: id.to_owned(), label: label.to_owned(), kind: SettingKind::Text(text.to_owned()) }
}

pub(super) fn choice(
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

pub(super) fn number(
    id: &str,
    label: &str,
    value: f64,
    (min, max, step): (f64, f64, f64),
    unit: &str,
) -> Setting {
    let text = format!("{value} {unit}").trim_end().to_owned();
    Setting {
        id: id.to_owned(),
        label: label.to_owned(),
        kind: SettingKind::Number { value, min, max, step, text },
    }
}
