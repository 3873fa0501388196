//! The card of each stage: what to do now, and what was found.

use measure::FindingLevel;
use tuning::Profile;
use units::quantity::counted;
use view::{
    Action, Button, Card, CardLine, Choice, ChoiceKey, ChoiceOption, FindingLine, NumberKey, SetMark,
    Setting, SettingKind, Signal, Stage, SwitchKey, TextKey, Tone, TuneCard,
};

use super::derivation::Derivation;
use super::state::State;

impl State {
    /// Why a button cannot be pressed now, and what to do about it.
    pub(super) fn why_not(&self, action: Action) -> String {
        let sounds = is_sounding(action) || matches!(action, Action::Preview | Action::PlaySpot(_));
        let bands = self.tune.bands().iter().any(|band| band.enabled);
        let why = match action {
            _ if !self.is_idle() => "Wait until it is done, or press Space to stop it.",
            _ if sounds && self.rig.is_none() => "Choose on the Intake card what to measure with.",
            _ if sounds && self.muted => "The output is muted; M unmutes it.",
            Action::Preview if !bands => "There are no bands to listen to.",
            Action::SuggestBands => "Measure the positions first.",
            Action::EnterTiming => "Measure the drivers first: delays follow from their arrivals.",
            Action::ExportBands | Action::WritePapers => "Open or begin a job first (J).",
            Action::Measure => "There is nothing to measure here.",
            Action::RemoveDriver => "There is no driver to take away.",
            Action::PlayOutput(_) => "The output is muted; M unmutes it.",
            Action::UseQ => "Measure first how the processor defines Q.",
            _ => "This cannot be done now.",
        };
        why.to_owned()
    }

    /// What can be begun now.
    pub(super) fn ready(&self) -> Ready {
        Ready { rig: self.rig.is_some(), muted: self.muted, idle: self.is_idle() }
    }

    pub(super) fn is_simulated(&self) -> bool {
        self.rig.as_ref().is_some_and(|rig| rig.car().is_some())
    }

    /// A button that makes captures.
    pub(super) fn measure_button(&self, label: &str) -> Button {
        self.ready().measure(label)
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

    pub(super) fn countdown_setting(&self) -> Setting {
        number(NumberKey::Countdown, "Countdown", f64::from(self.choices.countdown_s), (0.0, 30.0, 1.0), "s")
    }

    pub(super) fn processor_setting(&self) -> Setting {
        let presets = Profile::presets().iter().map(|preset| {
            let label =
                Profile::preset(preset.name).map_or_else(|_| preset.name.to_owned(), |profile| profile.name);
            (preset.name.to_owned(), label)
        });
        let own = library::place::own_names("processors").into_iter().map(|name| {
            let label = library::profile(&name).map_or_else(|_| name.clone(), |profile| profile.name);
            (name, label)
        });
        let chosen = Some(self.tune.profile_id().to_owned());
        choice(ChoiceKey::Processor, Choice::Processor, "Processor", presets.chain(own), chosen)
    }
}

impl Derivation {
    pub(super) fn card(&self) -> Card {
        let mut card = match self.face.stage {
            Stage::Intake if self.is_setting_up() => self.set_up_card(),
            Stage::Intake if self.is_describing_drivers() => self.driver_card(),
            Stage::Intake => self.intake_card(),
            Stage::Source => self.source_card(),
            Stage::Gain => self.gain().card(),
            Stage::Drivers => self.drivers_card(),
            Stage::Timing => self.timing().card(),
            Stage::Tune if self.is_previewing() => self.preview_card(),
            Stage::Tune => match self.face.tune_card {
                TuneCard::Bands => self.tune_card(),
                TuneCard::WholeCar => self.whole_car_card(),
                TuneCard::MeaningOfQ => self.q_card(),
                TuneCard::Target => self.target_card(),
            },
            Stage::Handover => self.handover().card(),
        };
        if self.is_placing() {
            card = self.placing_card(card);
        }
        card.main = Some(self.main_button());
        if !self.is_editing_target() && !self.is_tuning_car() {
            card.actions.extend(self.listen_button());
        }
        for button in card.actions.iter_mut().chain(&mut card.main) {
            if !button.enabled {
                button.why = self.why_not(button.action);
            }
        }
        card
    }

    /// What the open stage offers first: the main button, and the space bar.
    pub(super) fn main_button(&self) -> Button {
        if self.face.at_start {
            return self.start_main();
        }
        if self.is_placing() {
            return self.placing_main();
        }
        let main = self.stage_main();
        if !is_sounding(main.action) || !self.is_idle() {
            return main;
        }
        if self.rig.is_none() {
            return button(Action::OpenStage(Stage::Intake), "Choose what to measure with", true);
        }
        if self.muted {
            return button(Action::UnmuteAndStart, "Unmute and start", true);
        }
        main
    }

    /// The same, as if something to measure with were there and the output allowed.
    fn stage_main(&self) -> Button {
        match self.face.stage {
            Stage::Intake if self.is_setting_up() => self.set_up_main(),
            Stage::Intake if self.is_describing_drivers() => self.drivers_done(),
            Stage::Intake => self.intake_main(),
            Stage::Source => self.source_main(),
            Stage::Gain => self.gain().main(),
            Stage::Drivers => self.drivers_main(),
            Stage::Timing => self.timing().main(),
            Stage::Tune if self.is_previewing() => Self::preview_main(),
            Stage::Tune => match self.face.tune_card {
                TuneCard::Bands => self.tune_next().1,
                TuneCard::WholeCar => self.whole_car_next().1,
                TuneCard::MeaningOfQ => self.q_main(),
                TuneCard::Target => button(Action::ShowBands, "Done", self.is_idle()),
            },
            Stage::Handover => self.handover().main(),
        }
    }

    /// Offered where tracks may be played from a memory stick instead.
    fn listen_button(&self) -> Option<Button> {
        let here = match self.face.stage {
            Stage::Drivers | Stage::Tune => true,
            Stage::Source => !self.is_simulated() && self.plays_tracks(),
            _ => false,
        };
        let ready = self.rig.is_some() && self.is_idle();
        here.then(|| button(Action::Listen, "Listen for tracks", ready))
    }

    fn drivers_main(&self) -> Button {
        let of = self.drivers().len();
        let (left, places) = (self.drivers_open().len(), self.choices.driver_places);
        let label = match (&self.choices.driver, self.reversed_drivers().as_slice()) {
            (Some(name), _) => format!("Measure {name}"),
            (None, _) if of == 0 => {
                return button(Action::OpenStage(Stage::Intake), "Say which drivers there are", true);
            }
            // What was measured twice and is still reversed is meant to stay so.
            (None, [name, ..]) if left == 0 && self.was_measured_again(name) => {
                return button(Action::InvertReversed, "Invert it in the processor", self.is_idle());
            }
            (None, [name]) if left == 0 => format!("Measure {name} again"),
            (None, several @ [_, ..]) if left == 0 => format!("Measure {} drivers again", several.len()),
            (None, _) if left == 0 => return button(Action::NextStage, "Next: Timing", true),
            (None, _) if left < of * places => format!("Measure {left} more"),
            (None, _) if places > 1 => {
                format!("Measure {} at {places} places", counted(of, "driver", "drivers"))
            }
            (None, _) => format!("Measure {}", counted(of, "driver", "drivers")),
        };
        self.measure_button(&label)
    }

    fn drivers_card(&self) -> Card {
        let of = self.drivers().len();
        let (left, reversed) = (self.drivers_open().len(), self.reversed_drivers());
        let done = of > 0 && left == 0 && self.choices.driver.is_none();
        let names = self.drivers().iter().map(|driver| (Some(driver.name.clone()), driver.name.clone()));
        let all = (None, if left > 0 { "the rest" } else { "all of them" }.to_owned());
        let chosen = Some(self.choices.driver.clone());
        Card {
            instruction: match (of, left, reversed.as_slice()) {
                (0, ..) => "Say on the Intake card which drivers the car has.".to_owned(),
                (_, 0, []) => "All drivers are measured.".to_owned(),
                (_, 0, names) => format!("Reversed polarity: {}.", names.join(", ")),
                _ => "Measure each driver alone.".to_owned(),
            },
            detail: if !reversed.is_empty() && left == 0 {
                "Swap its wires and measure it again, or invert it in the processor instead: not both."
                    .to_owned()
            } else {
                let what = if self.is_simulated() {
                    "Each one plays alone, with a sweep that suits it and protects it."
                } else {
                    "Mute the others in the processor, and give a tweeter its high-pass first."
                };
                format!("{what} {}", self.drivers_time()).trim_end().to_owned()
            },
            actions: match (done, reversed.is_empty()) {
                (true, true) => vec![self.measure_button("Measure again")],
                (true, false) => {
                    vec![button(Action::InvertReversed, "Invert it in the processor instead", self.is_idle())]
                }
                (false, _) => Vec::new(),
            },
            settings: vec![
                choice(ChoiceKey::Driver, Choice::Driver, "Which", std::iter::once(all).chain(names), chosen),
                number(
                    NumberKey::DriverPlaces,
                    "At",
                    self.choices.driver_places as f64,
                    (1.0, 20.0, 1.0),
                    if self.choices.driver_places == 1 { "place" } else { "places" },
                ),
                self.go_on_setting(),
                self.countdown_setting(),
            ],
            lines: self.driver_lines(),
            findings: [self.few_places(), self.findings(Stage::Drivers)].concat(),
            ..Card::default()
        }
    }

    /// What comes next in tuning, as the main button and its reason.
    fn tune_next(&self) -> (String, Button) {
        let count = |mark: SetMark| self.side(mark).count();
        let (before, after, of) = (count(SetMark::Before), count(SetMark::After), self.choices.positions);
        let bands = self.tune.bands().iter().any(|band| band.enabled);
        if before < of && self.choices.side == SetMark::Before {
            let instruction = format!("Hold the microphone at position {} of {of}.", before + 1);
            return (
                instruction,
                self.measure_button(&format!(
                    "Measure {} before",
                    counted(of - before, "position", "positions")
                )),
            );
        }
        if !bands {
            let instruction = "Suggest EQ bands this processor can hold.".to_owned();
            return (
                instruction,
                button(Action::SuggestBands, "Suggest bands", before > 0 && self.is_idle()),
            );
        }
        if self.is_simulated() && !self.entered {
            let instruction = "Check the bands, then enter them in the processor.".to_owned();
            return (instruction, button(Action::EnterBands, "Enter them in the processor", true));
        }
        if after < of {
            let instruction = if after == 0 {
                "Enter the bands, then measure what they did.".to_owned()
            } else {
                format!("Hold the microphone at position {} of {of}.", after + 1)
            };
            return (
                instruction,
                self.measure_button(&format!(
                    "Measure {} after",
                    counted(of - after, "position", "positions")
                )),
            );
        }
        ("Compare before with after.".to_owned(), button(Action::NextStage, "Next: Handover", true))
    }

    fn tune_card(&self) -> Card {
        let (instruction, main) = self.tune_next();
        let rms =
            |mark: SetMark| self.deviation(mark).map_or_else(|| "–".to_owned(), |rms| format!("{rms:.1} dB"));
        let measured = self.side(SetMark::Before).next().is_some();
        let idle = self.is_idle();
        let mut settings = vec![self.target_setting(), self.processor_setting()];
        settings.extend(self.channel_settings());
        settings.push(number(
            NumberKey::MaxBands,
            "At most",
            self.choices.max_bands as f64,
            (1.0, 31.0, 1.0),
            "bands",
        ));
        let sets = [(SetMark::Before, "before"), (SetMark::After, "after")];
        settings.push(choice(ChoiceKey::Set, Choice::Set, "Measuring", sets, Some(self.choices.side)));
        settings.push(self.signal_setting());
        settings.push(number(
            NumberKey::Positions,
            "Positions",
            self.choices.positions as f64,
            (1.0, 20.0, 1.0),
            "",
        ));
        if self.is_simulated() {
            settings.push(switch(SwitchKey::BandsEntered, "EQ is switched on", self.entered));
            settings.push(switch(
                SwitchKey::TypingError,
                "Simulate a typing mistake",
                self.choices.typing_error,
            ));
        }
        settings.extend([self.go_on_setting(), self.countdown_setting()]);
        if !self.tune.bands().is_empty() {
            settings.extend(self.preview_settings());
        }
        let mut actions = Vec::new();
        if self.drivers_result().0 > 1 {
            actions.push(button(Action::ShowWholeCar, "Whole car", idle));
        }
        if main.action != Action::SuggestBands {
            let locked = self.tune.bands().iter().any(|band| band.locked);
            let label = if locked { "Fit the rest again" } else { "Suggest bands" };
            actions.push(button(Action::SuggestBands, label, measured && idle));
        }
        actions.push(button(Action::EditTarget, "Edit the target", idle));
        if !self.tune.bands().is_empty() {
            actions.push(button(Action::Preview, "Listen", idle && self.is_audible()));
            actions.push(button(Action::ClearBands, "Clear bands", idle));
        } else {
            actions.push(button(Action::FindQ, "How it defines Q", idle));
        }
        Card {
            instruction,
            actions,
            settings,
            // The bands depend on target and processor.
            first_settings: if self.tune.bands().is_empty() { 0 } else { 2 },
            lines: [
                Some(line("Error before", rms(SetMark::Before))),
                Some(line("Error after", rms(SetMark::After))),
                self.check_line(),
            ]
            .into_iter()
            .flatten()
            .collect(),
            findings: [self.check_lines(), self.outlier_lines(), self.findings(Stage::Tune)].concat(),
            ..Card::default()
        }
    }

    /// The positions that stand apart from the others of their set.
    fn outlier_lines(&self) -> Vec<FindingLine> {
        let both = [SetMark::Before, SetMark::After].map(|mark| self.outliers(mark)).concat();
        both.into_iter().map(|(_, text)| FindingLine { tone: Tone::Caution, text }).collect()
    }

    pub(super) fn signal_setting(&self) -> Setting {
        let options = [
            (Signal::Sweep, "Sweep"),
            (Signal::PinkNoise, "Pink noise"),
            (Signal::MovingMicrophone, "Pink noise, moving microphone"),
        ];
        choice(ChoiceKey::Signal, Choice::Signal, "Signal", options, Some(self.choices.signal))
    }

    pub(super) fn go_on_setting(&self) -> Setting {
        switch(SwitchKey::Continue, "Continue automatically", self.choices.go_on)
    }
}

/// What can be begun now: whether there is a rig, whether its output is muted, and whether nothing is under way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Ready {
    pub(super) rig: bool,
    pub(super) muted: bool,
    pub(super) idle: bool,
}

impl Ready {
    /// Whether something can be played and recorded now.
    pub(super) fn can_begin(self) -> bool {
        self.rig && !self.muted && self.idle
    }

    /// A button that makes captures.
    pub(super) fn measure(self, label: &str) -> Button {
        button(Action::Measure, label, self.can_begin())
    }
}

/// Whether what a button does plays or listens at once.
fn is_sounding(action: Action) -> bool {
    matches!(action, Action::Measure | Action::WatchLevel | Action::Listen)
}

pub(super) fn button(action: Action, label: &str, enabled: bool) -> Button {
    Button { action, label: label.to_owned(), enabled, why: String::new() }
}

pub(super) fn line(label: &str, value: String) -> CardLine {
    CardLine { label: label.to_owned(), value, tone: Tone::Plain }
}

pub(super) fn text(key: TextKey, label: &str, text: &str) -> Setting {
    Setting { label: label.to_owned(), kind: SettingKind::Text(key, text.to_owned()) }
}

pub(super) fn switch(key: SwitchKey, label: &str, on: bool) -> Setting {
    Setting { label: label.to_owned(), kind: SettingKind::Switch(key, on) }
}

/// One of several: what each is and what it is called, and the chosen one.
pub(super) fn choice<T, L: Into<String>>(
    key: ChoiceKey,
    of: impl Fn(T) -> Choice,
    label: &str,
    options: impl IntoIterator<Item = (T, L)>,
    chosen: Option<T>,
) -> Setting {
    let options =
        options.into_iter().map(|(choice, label)| ChoiceOption { choice: of(choice), label: label.into() });
    Setting {
        label: label.to_owned(),
        kind: SettingKind::Choice { key, options: options.collect(), chosen: chosen.map(&of) },
    }
}

pub(super) fn number(
    key: NumberKey,
    label: &str,
    value: f64,
    (min, max, step): (f64, f64, f64),
    unit: &str,
) -> Setting {
    let text = format!("{value} {unit}").trim_end().replace('-', "−");
    Setting { label: label.to_owned(), kind: SettingKind::Number { key, value, min, max, step, text } }
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
