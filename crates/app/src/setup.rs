//! The rig is set up here: which interface, what is wired to which channel, and what its numbers mean. It is
//! written into the person's own rig file with every change, and nobody needs to open that.

use std::path::{Path, PathBuf};

use chart::Chart;
use engine::{DeviceInfo, Input, InputRole, Output, RigSpec};
use library::files::{read_text, write_text};
use library::{Error, RememberedRig, Result, place};
use procedure::{Session, Store, Watch, play_burst, watch};
use rig::{OpenRig, RigChoice};
use tuning::{Attenuator, parse_ohms};
use view::{
    Action, Button, Card, CardLine, Choice, ChoiceKey, Figure, IntakeCard, NumberKey, Setting, SwitchKey,
    TextKey, Tone, Wiring,
};

use super::Core;
use super::card::{button, choice, number, switch, text};
use super::derivation::Derivation;
use super::faces::{empty, linear};
use super::run::With;
use super::set_up::{NOTHING_DBFS, SetUp, TAPPED_DBFS};
use super::state::State;
use super::work::{Doing, Heading, Task, nothing_more, unbroken};

/// What the first rig is called.
const FIRST: &str = "My rig";
/// So many channels of a device are offered.
const CHANNELS: u16 = 16;
/// An input that was tapped is louder than every other by so much.
const TAPPED_OVER_DB: f64 = 15.0;
/// The attenuators that are usual, in dB.
const USUAL_PADS_DB: [f64; 6] = [0.0, 6.0, 10.0, 20.0, 30.0, 40.0];

fn wiring_of(spec: &RigSpec, channel: u16) -> Wiring {
    match spec.inputs.iter().find(|input| input.channel == channel).map(|input| input.role) {
        None => Wiring::Unused,
        Some(InputRole::Microphone) => Wiring::Microphone,
        Some(InputRole::Electrical) => Wiring::Tap,
        Some(InputRole::Loopback) => Wiring::Loopback,
    }
}

/// A name that no other has: "tap", "tap 2".
fn free_name<'a>(wanted: &str, taken: impl Iterator<Item = &'a str> + Clone) -> String {
    let numbered = (2..).map(|number| format!("{wanted} {number}"));
    let mut names = std::iter::once(wanted.to_owned()).chain(numbered);
    names.find(|name| !taken.clone().any(|other| other == name.as_str())).unwrap_or_default()
}

/// Wires a channel; what was there before goes.
fn wire(spec: &mut RigSpec, channel: u16, wiring: Wiring) {
    spec.inputs.retain(|input| input.channel != channel);
    let (role, name) = match wiring {
        Wiring::Unused => return,
        Wiring::Microphone => (InputRole::Microphone, "microphone"),
        Wiring::Tap => (InputRole::Electrical, "tap"),
        Wiring::Loopback => (InputRole::Loopback, "loopback"),
    };
    let name = free_name(name, spec.inputs.iter().map(|input| input.name.as_str()));
    let at = spec.inputs.partition_point(|input| input.channel < channel);
    spec.inputs.insert(at, Input::new(channel, &name, role));
}

/// Uses an output, or no longer.
fn use_output(spec: &mut RigSpec, channel: u16, used: bool) {
    spec.outputs.retain(|output| output.channel != channel);
    if used {
        let wanted = match channel {
            1 => "left".to_owned(),
            2 => "right".to_owned(),
            other => format!("output {other}"),
        };
        let name = free_name(&wanted, spec.outputs.iter().map(|output| output.name.as_str()));
        let at = spec.outputs.partition_point(|output| output.channel < channel);
        spec.outputs.insert(at, Output::new(channel, &name));
    }
}

impl State {
    /// The spec that is set up.
    fn spec(&self) -> Option<&RigSpec> {
        self.rig.as_ref().filter(|rig| !rig.is_simulated()).map(|rig| rig.spec())
    }

    fn device(&self, id: Option<&String>, records: bool) -> Option<&DeviceInfo> {
        let channels = |device: &&DeviceInfo| {
            if records { device.input_channels > 0 } else { device.output_channels > 0 }
        };
        let mut devices = self.set_up.devices.iter().filter(channels);
        match id {
            Some(id) => devices.find(|device| device.id == *id),
            None => devices
                .clone()
                .find(|device| if records { device.is_default_input } else { device.is_default_output })
                .or_else(|| devices.next()),
        }
    }

    /// How many channels are offered: those of the device, and what is wired in any case.
    fn channels(&self, records: bool) -> u16 {
        let Some(spec) = self.spec() else { return 0 };
        let id = if records { &spec.input_device } else { &spec.output_device };
        let device = self.device(id.as_ref(), records);
        let has =
            device.map_or(2, |device| if records { device.input_channels } else { device.output_channels });
        let wired = if records {
            spec.inputs.iter().map(|input| input.channel).max()
        } else {
            spec.outputs.iter().map(|output| output.channel).max()
        };
        has.min(CHANNELS).max(wired.unwrap_or(0))
    }

    pub(super) fn is_setting_up(&self) -> bool {
        self.face.intake_card == IntakeCard::Rig && self.spec().is_some()
    }

    pub(super) fn set_up_main(&self) -> Button {
        if self.set_up.heard.is_empty() {
            button(Action::TryInputs, "Try the inputs", self.is_idle())
        } else {
            button(Action::LeaveSetUp, "Done", self.is_idle())
        }
    }

    pub(super) fn set_up_card(&self) -> Card {
        let Some(spec) = self.spec() else { return Card::default() };
        let idle = self.is_idle();
        let mut actions = Vec::new();
        if !self.set_up.heard.is_empty() {
            actions.push(button(Action::TryInputs, "Try the inputs again", idle));
        } else {
            actions.push(button(Action::LeaveSetUp, "Done", idle));
        }
        if let Some(tapped) = self.set_up.tapped
            && wiring_of(spec, tapped) != Wiring::Microphone
        {
            let label = format!("Input {tapped} is the microphone");
            actions.push(button(Action::TappedIsMicrophone, &label, idle));
        }
        for output in spec.outputs.iter().take(8) {
            let label = format!("Play on {}", output.name);
            actions.push(button(Action::PlayOutput(output.channel), &label, idle && !self.muted));
        }
        Card {
            instruction: "What is wired to the interface?".to_owned(),
            detail: "Try the inputs and tap the microphone: the input that jumps is the microphone’s. A bridged amplifier \
                     output has no ground side: never connect one to an interface’s ground."
                .to_owned(),
            actions,
            settings: self.set_up_settings(spec),
            lines: self.input_lines(spec),
            ..Card::default()
        }
    }

    fn input_lines(&self, spec: &RigSpec) -> Vec<CardLine> {
        let state = |input: &Input| {
            let heard = self.set_up.heard.contains(&input.channel);
            let known = match input.role {
                InputRole::Microphone if input.mic_cal.is_some() || input.dbfs_at_94.is_some() => {
                    "calibrated"
                }
                InputRole::Electrical if input.volts_per_fs.is_some() => "calibrated",
                InputRole::Microphone => "no calibration file",
                InputRole::Electrical => "not calibrated: Source, Calibrate input voltage",
                InputRole::Loopback => "the played signal",
            };
            CardLine {
                label: format!("{}, input {}", input.name, input.channel),
                value: if heard { format!("sound arrived · {known}") } else { known.to_owned() },
                tone: if heard { Tone::Good } else { Tone::Plain },
            }
        };
        spec.inputs.iter().map(state).collect()
    }

    fn set_up_settings(&self, spec: &RigSpec) -> Vec<Setting> {
        let devices = |records: bool| {
            let usable = move |device: &&DeviceInfo| {
                if records { device.input_channels > 0 } else { device.output_channels > 0 }
            };
            let named = self.set_up.devices.iter().filter(usable);
            let named = named.map(|device| (Some(device.id.clone()), device.name.clone()));
            std::iter::once((None, "The system’s own choice".to_owned())).chain(named)
        };
        let mut settings = vec![
            text(TextKey::RigName, "Name of the rig", &spec.name),
            choice(
                ChoiceKey::InputDevice,
                Choice::InputDevice,
                "Records with",
                devices(true),
                Some(spec.input_device.clone()),
            ),
        ];
        let wirings = [
            (Wiring::Unused, "not used"),
            (Wiring::Microphone, "microphone"),
            (Wiring::Tap, "electrical tap"),
            (Wiring::Loopback, "loopback"),
        ];
        for channel in 1..=self.channels(true) {
            let wiring = wiring_of(spec, channel);
            let label = format!("Input {channel}");
            let of = |wiring| Choice::Wiring(channel, wiring);
            settings.push(choice(ChoiceKey::Wiring(channel), of, &label, wirings, Some(wiring)));
            if let Some(input) = spec.inputs.iter().find(|input| input.channel == channel) {
                settings.extend(input_settings(input));
            }
        }
        settings.push(choice(
            ChoiceKey::OutputDevice,
            Choice::OutputDevice,
            "Plays with",
            devices(false),
            Some(spec.output_device.clone()),
        ));
        for channel in 1..=self.channels(false) {
            let output = spec.outputs.iter().find(|output| output.channel == channel);
            let key = SwitchKey::OutputUsed(channel);
            settings.push(switch(key, &format!("Output {channel} is used"), output.is_some()));
            if let Some(output) = output {
                settings.push(text(TextKey::OutputName(channel), "wired to", &output.name));
            }
        }
        // Cues go to an output of their own, never to one that is recorded; that must be named beside it.
        if spec.output_device.is_some() {
            let others = devices(false).filter(|(id, _)| id.is_none() || *id != spec.output_device);
            let others =
                others.map(
                    |(id, name)| {
                        if id.is_none() { (None, "Cues are only shown".to_owned()) } else { (id, name) }
                    },
                );
            settings.push(choice(
                ChoiceKey::CueDevice,
                Choice::CueDevice,
                "Cue sounds from",
                others,
                Some(spec.cue_device.clone()),
            ));
        }
        settings
    }

    /// The loudest input in big type while the inputs are tried.
    pub(super) fn tried_figures(&self, levels: &[(u16, f64)]) -> Vec<Figure> {
        let figure = |(channel, dbfs): &(u16, f64)| {
            let mut inputs = self.spec().into_iter().flat_map(|spec| &spec.inputs);
            let name = inputs.find(|input| input.channel == *channel);
            let caption = name.map_or_else(
                || format!("input {channel}"),
                |input| format!("input {channel}, {}", input.name),
            );
            let tone = if self.set_up.tapped == Some(*channel) { Tone::Good } else { Tone::Plain };
            Figure { value: format!("{dbfs:.0} dBFS").replace('-', "−"), caption, tone }
        };
        levels.iter().rev().max_by(|a, b| a.1.total_cmp(&b.1)).map(figure).into_iter().collect()
    }
}

impl Derivation {
    /// The axes over which every input shows its level while the inputs are tried.
    pub(super) fn tried_chart(&self) -> Chart {
        let last = f64::from(self.channels(true)).max(8.0);
        let (inputs, peak) =
            (linear("Input", "", 0.4, last + 0.6), linear("Peak", "dBFS", NOTHING_DBFS, 0.0));
        empty("Level of each input".to_owned(), inputs, peak)
    }
}

fn input_settings(input: &Input) -> Vec<Setting> {
    let channel = input.channel;
    let mut settings = vec![text(TextKey::InputName(channel), "called", &input.name)];
    match input.role {
        InputRole::Microphone => {
            let file = input.mic_cal.as_ref().map_or_else(String::new, |file| file.display().to_string());
            settings.push(text(TextKey::MicrophoneFile(channel), "calibration file", &file));
            let level = input.dbfs_at_94.unwrap_or(0.0);
            let mut at_94 = number(
                NumberKey::SensitivityDbfs(channel),
                "at 94 dB SPL",
                level,
                (-100.0, 20.0, 0.5),
                "dBFS",
            );
            if let (None, view::SettingKind::Number { text, .. }) = (input.dbfs_at_94, &mut at_94.kind) {
                "not known".clone_into(text);
            }
            settings.push(at_94);
        }
        InputRole::Electrical => {
            let loss = input.attenuator_db.unwrap_or(0.0);
            let is_usual = USUAL_PADS_DB.iter().any(|pad| (pad - loss).abs() < 1e-9);
            let own = (!is_usual).then_some(loss);
            let pads = USUAL_PADS_DB.into_iter().chain(own);
            let pads = pads.map(|pad| {
                let words = if pad == 0.0 { "none".to_owned() } else { format!("{pad:.1} dB") };
                (tenths(pad), words)
            });
            let of = |pad| Choice::Attenuator(channel, pad);
            settings.push(choice(ChoiceKey::Attenuator(channel), of, "attenuator", pads, Some(tenths(loss))));
            settings.push(text(TextKey::Resistors(channel), "or its resistors, such as 10k, 1k", ""));
        }
        InputRole::Loopback => {}
    }
    settings
}

/// A loss in tenths of a dB, as a choice holds it.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a loss of 0 to 120 dB")]
fn tenths(db: f64) -> u16 {
    (10.0 * db).round().clamp(0.0, 1_200.0) as u16
}

impl Core {
    /// Looks for the devices, and opens the card on which the rig is set up; a person who has none yet begins one.
    pub(super) fn set_up_rig(&mut self) -> Result<()> {
        self.refuse_while_busy()?;
        let task =
            Task { title: "Looking for sound devices".to_owned(), detail: "the audio system is asked" };
        self.think(task, || {
            let devices = engine::devices().map_err(rig::refused)?;
            Ok(Box::new(move |core| core.begin_set_up(devices)))
        })
    }

    pub(super) fn begin_set_up(&mut self, devices: Vec<DeviceInfo>) -> Result<()> {
        let nothing = devices.is_empty();
        self.state.set_up = SetUp { devices, ..SetUp::default() };
        if self.state.rig.as_ref().is_none_or(|rig| rig.file().is_none()) {
            let folder = rigs_folder()?;
            let name = free_name(FIRST, place::own_names("rigs").iter().map(String::as_str));
            let spec = RigSpec { name: name.clone(), ..RigSpec::system_default() };
            std::fs::create_dir_all(&folder).map_err(|error| Error::io("make", &folder, &error))?;
            self.write_spec(&folder.join(format!("{name}.toml")), &spec)?;
        }
        for face in self.every_face() {
            face.intake_card = IntakeCard::Rig;
        }
        if nothing {
            self.notice(
                "No sound device was found. Plug the interface in and press Set up inputs and outputs again; until then \
                 the rig can be described all the same.",
                false,
            );
        }
        Ok(())
    }

    /// Writes a rig and uses it. A file that a person has commented is kept beside it.
    fn write_spec(&mut self, path: &Path, spec: &RigSpec) -> Result<()> {
        if let Some(fault) = spec.fault() {
            return Err(Error::input(fault));
        }
        let written = spec.to_toml().map_err(|error| Error::input(error.to_string()))?;
        let before = if path.exists() { read_text(path)? } else { String::new() };
        if before.contains('#') {
            write_text(&path.with_extension("toml.before"), &before)?;
        }
        write_text(path, &written)?;
        let opened = OpenRig::open(RigChoice::File(path.to_owned()));
        match opened {
            Ok(rig) => self.use_own(rig, RememberedRig::File(path.to_owned())),
            Err(error) => {
                // A calibration file that cannot be read must not lock a person out of the rig.
                if !before.is_empty() {
                    write_text(path, &before)?;
                }
                return Err(error);
            }
        }
        Ok(())
    }

    /// Changes the rig that is set up.
    pub(super) fn rewire(&mut self, change: impl FnOnce(&mut RigSpec) -> Result<()>) -> Result<()> {
        self.refuse_while_busy()?;
        let rig = self.state.rig.as_ref();
        let Some((path, mut spec)) = rig.and_then(|rig| Some((rig.file()?.to_owned(), rig.spec().clone())))
        else {
            return Err(Error::input("Set up inputs and outputs on the Intake card first."));
        };
        change(&mut spec)?;
        let (times, go_on) = (self.state.choices.times, self.state.choices.countdown_s);
        self.write_spec(&path, &spec)?;
        (self.state.choices.times, self.state.choices.countdown_s) = (times, go_on);
        Ok(())
    }

    /// What is wired to an input channel.
    pub(super) fn wire(&mut self, channel: u16, wiring: Wiring) -> Result<()> {
        self.rewire(|spec| {
            wire(spec, channel, wiring);
            if spec.inputs.is_empty() {
                return Err(Error::input("At least one input must be used. Wire another one first."));
            }
            Ok(())
        })
    }

    pub(super) fn use_output(&mut self, channel: u16, used: bool) -> Result<()> {
        self.rewire(|spec| {
            use_output(spec, channel, used);
            Ok(())
        })
    }

    /// Changes what is said of an input.
    pub(super) fn change_input(
        &mut self,
        channel: u16,
        change: impl FnOnce(&mut Input) -> Result<()>,
    ) -> Result<()> {
        self.rewire(|spec| match spec.inputs.iter_mut().find(|input| input.channel == channel) {
            Some(input) => change(input),
            None => Ok(()),
        })
    }

    /// The microphone's calibration file is copied beside the rig, so that it stays when the stick has gone.
    pub(super) fn microphone_file(&mut self, channel: u16, typed: &str) -> Result<()> {
        let typed = typed.trim();
        if typed.is_empty() {
            return self.change_input(channel, |input| {
                (input.mic_cal, input.dbfs_at_94) = (None, None);
                Ok(())
            });
        }
        let folder = rigs_folder()?;
        let path = if Path::new(typed).is_absolute() { PathBuf::from(typed) } else { folder.join(typed) };
        let known = library::calibration(&path)?;
        let name = path.file_name().map(PathBuf::from).unwrap_or_default();
        if folder.join(&name) != path {
            let text = read_text(&path)?;
            std::fs::create_dir_all(&folder).map_err(|error| Error::io("make", &folder, &error))?;
            write_text(&folder.join(&name), &text)?;
        }
        let (from_hz, to_hz) = known.response.range_hz();
        let sensitivity = match known.dbfs_at_94 {
            Some(level) => format!(" 94 dB SPL is {level:.1} dBFS.").replace('-', "−"),
            None => {
                " It names no sensitivity: type the level at 94 dB SPL, or levels stay in dBFS.".to_owned()
            }
        };
        let (from, to) = (project::hertz(from_hz), project::hertz(to_hz));
        self.change_input(channel, |input| {
            (input.mic_cal, input.dbfs_at_94) = (Some(name), None);
            Ok(())
        })?;
        self.notice(format!("The microphone is corrected from {from} to {to}.{sensitivity}"), true);
        Ok(())
    }

    /// An attenuator from its two resistors: the one in series, and the one across the input.
    pub(super) fn resistors(&mut self, channel: u16, typed: &str) -> Result<()> {
        if typed.trim().is_empty() {
            return Ok(());
        }
        let loss = loss_of(typed).ok_or_else(|| {
            Error::input(format!(
                "“{}” are no resistors; type the one in series and the one across the input, such as 10k, 1k.",
                typed.trim()
            ))
        })?;
        self.attenuate(channel, loss)?;
        self.notice(format!("These resistors take off {loss:.2} dB."), true);
        Ok(())
    }

    pub(super) fn attenuate(&mut self, channel: u16, loss_db: f64) -> Result<()> {
        self.change_input(channel, |input| {
            let before_db = input.attenuator_db.unwrap_or(0.0);
            // What is before the attenuator follows from what is behind it.
            input.volts_per_fs =
                input.volts_per_fs.map(|volts| volts * 10f64.powf((loss_db - before_db) / 20.0));
            input.attenuator_db = Some(loss_db).filter(|loss| *loss > 0.0);
            Ok(())
        })
    }

    /// Every input of the interface shows its level, until it is stopped.
    pub(super) fn try_inputs(&mut self) -> Result<()> {
        let Some(spec) = self.state.spec() else { return Ok(()) };
        let channels: Vec<u16> = (1..=self.state.channels(true)).collect();
        let input = |channel: &u16| Input::new(*channel, &format!("input {channel}"), InputRole::Microphone);
        let inputs: Vec<Input> = channels.iter().map(input).collect();
        let spec = RigSpec { inputs, ..spec.clone() };
        let heading = Heading {
            title: "Trying the inputs".to_owned(),
            detail: "tap the microphone; Space ends it".to_owned(),
            ..Heading::default()
        };
        self.state.set_up.tapped = None;
        let hand = procedure::Hand::SeesIt { seconds: 0.0 };
        self.work_on(Doing::Trying { channels }, vec![heading], None, move |token, inbox, on_event| {
            let result = unbroken(|| {
                let mut rig = OpenRig::devices(spec)?;
                let store = Store::Nowhere;
                let order = Watch { input: 0, stimulus: None, scene: None };
                watch(&mut Session { rig: &mut rig, store, token, inbox, hand, on_event }, &order)?;
                Ok(nothing_more())
            });
            (None, result)
        })
    }

    /// Takes what every input shows: which one something arrived at, and which one was tapped.
    pub(super) fn tried(&mut self, levels: &[(u16, f64)]) {
        let before = self.state.set_up.clone();
        for (channel, dbfs) in levels {
            if *dbfs > TAPPED_DBFS && !self.state.set_up.heard.contains(channel) {
                self.state.set_up.heard.push(*channel);
            }
        }
        let loudest = levels.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((channel, dbfs)) = loudest {
            let others = levels.iter().filter(|(other, _)| other != channel).map(|(_, dbfs)| *dbfs);
            let next_dbfs = others.fold(f64::NEG_INFINITY, f64::max);
            if *dbfs > TAPPED_DBFS && dbfs - next_dbfs > TAPPED_OVER_DB {
                self.state.set_up.tapped = Some(*channel);
            }
        }
        self.changed |= before != self.state.set_up;
    }

    pub(super) fn tapped_is_microphone(&mut self) -> Result<()> {
        match self.state.set_up.tapped {
            Some(channel) => self.wire(channel, Wiring::Microphone),
            None => Ok(()),
        }
    }

    /// A quiet burst on one output, so that a person hears which one it is.
    pub(super) fn play_output(&mut self, channel: u16) -> Result<()> {
        let Some(spec) = self.state.spec() else { return Ok(()) };
        let Some(at) = spec.outputs.iter().position(|output| output.channel == channel) else {
            return Ok(());
        };
        let heading =
            Heading { title: format!("A quiet burst on {}", spec.outputs[at].name), ..Heading::default() };
        let with = With { headings: vec![heading], store: Store::Nowhere, pace: engine::Pace::RealTime };
        self.start(Doing::Capturing, with, false, move |session| {
            play_burst(session, at)?;
            Ok(nothing_more())
        })
    }
}

/// What two resistors take off, the one in series and the one across the input, into an input that does not load
/// them.
fn loss_of(typed: &str) -> Option<f64> {
    let parts = typed.split(|c: char| c.is_whitespace() || c == ';' || c == '/');
    let parts: Vec<f64> = parts
        .map(|part| part.trim_end_matches(','))
        .filter(|part| !part.is_empty())
        .map(parse_ohms)
        .collect::<Option<_>>()?;
    let [series_ohm, shunt_ohm] = parts[..] else { return None };
    let pad = Attenuator { series_ohm, shunt_ohm, input_ohm: None, balanced: false };
    pad.check().ok().map(|()| pad.loss_db())
}

/// The folder of the person's rigs.
fn rigs_folder() -> Result<PathBuf> {
    let data = place::data().ok_or_else(|| {
        Error::input("The system names no folder for a program's data, so no rig can be kept.")
    })?;
    Ok(data.join("rigs"))
}
