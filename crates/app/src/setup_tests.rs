//! A rig is set up from interface to calibrated input without a file being opened.

use engine::{DeviceInfo, InputRole, RigSpec};
use testkit::near;
use view::{
    Action, Choice, Command, DriverRole, Feed, Layout, NumberKey, RigState, SettingValue, Stage, SwitchKey,
    TextKey, Wiring,
};

use super::tests::TestApp;

fn device(id: &str, input_channels: u16, output_channels: u16) -> DeviceInfo {
    DeviceInfo {
        id: id.to_owned(),
        name: id.to_uppercase(),
        input_channels,
        output_channels,
        sample_rates_hz: vec![48_000],
        is_default_input: false,
        is_default_output: false,
    }
}

/// An app with an interface of four inputs and four outputs that is being set up.
fn setting_up() -> (TestApp, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    library::place::DATA.set(Some(folder.path().to_owned()));
    let mut app = TestApp::new();
    let devices = vec![device("box", 4, 4), device("laptop", 1, 2)];
    app.ask(Command::OpenStage(Stage::Intake));
    app.core.begin_set_up(devices).expect("it begins");
    app.ask(Command::OpenStage(Stage::Intake));
    (app, folder)
}

impl TestApp {
    fn spec(&self) -> RigSpec {
        self.core.rig.as_ref().expect("a rig").spec().clone()
    }

    fn type_text(&mut self, key: TextKey, text: &str) {
        self.set(SettingValue::Text(key, text.to_owned()));
    }
}

#[test]
fn a_rig_of_two_microphones_two_taps_and_a_loopback_is_wired_and_kept() {
    let (mut app, folder) = setting_up();
    app.choose(Choice::InputDevice(Some("box".to_owned())));
    app.choose(Choice::OutputDevice(Some("box".to_owned())));
    app.choose(Choice::Wiring(2, Wiring::Microphone));
    app.choose(Choice::Wiring(3, Wiring::Tap));
    app.choose(Choice::Wiring(4, Wiring::Loopback));
    app.type_text(TextKey::InputName(3), "front leads");
    app.set(SettingValue::Switch(SwitchKey::OutputUsed(3), true));
    app.type_text(TextKey::OutputName(3), "sub");
    app.choose(Choice::CueDevice(Some("laptop".to_owned())));
    app.type_text(TextKey::RigName, "Van in the yard");
    app.set(SettingValue::Number(NumberKey::SensitivityDbfs(1), -31.5));
    let spec = app.spec();
    let inputs: Vec<(u16, &str, InputRole)> =
        spec.inputs.iter().map(|input| (input.channel, &*input.name, input.role)).collect();
    assert_eq!(
        inputs,
        [
            (1, "microphone", InputRole::Microphone),
            (2, "microphone 2", InputRole::Microphone),
            (3, "front leads", InputRole::Electrical),
            (4, "loopback", InputRole::Loopback),
        ]
    );
    assert_eq!(spec.inputs[0].dbfs_at_94, Some(-31.5));
    let outputs: Vec<(u16, &str)> =
        spec.outputs.iter().map(|output| (output.channel, &*output.name)).collect();
    assert_eq!(outputs, [(1, "left"), (2, "right"), (3, "sub")]);
    assert_eq!((spec.cue_device.as_deref(), spec.name.as_str()), (Some("laptop"), "Van in the yard"));
    let file = folder.path().join("rigs/My rig.toml");
    let kept = RigSpec::parse(&std::fs::read_to_string(&file).expect("it is kept"), "it").expect("it is one");
    assert_eq!(kept, spec, "{:?}", app.notices());
    // A cue never comes from what plays: it is taken back with the device.
    app.choose(Choice::OutputDevice(Some("laptop".to_owned())));
    assert_eq!(app.spec().cue_device, None);
    // The last input stays, and so does what was there when something cannot be.
    (1..=3).for_each(|channel| app.choose(Choice::Wiring(channel, Wiring::Unused)));
    app.notices();
    app.choose(Choice::Wiring(4, Wiring::Unused));
    assert_eq!(app.spec().inputs.len(), 1);
    assert!(app.notices().iter().any(|notice| notice.contains("At least one input")));
}

/// Source: the voltage divider: 10 kΩ over 1 kΩ take off 20·log10(11) = 20.828 dB.
#[test]
fn an_attenuator_comes_from_the_list_or_from_its_resistors() {
    let (mut app, _folder) = setting_up();
    app.choose(Choice::Wiring(2, Wiring::Tap));
    let loss = |app: &TestApp| app.spec().inputs[1].attenuator_db;
    app.choose(Choice::Attenuator(2, 200));
    assert_eq!(loss(&app), Some(20.0));
    for typed in ["10k, 1k", "10k 1k", "10kohm / 1k0"] {
        app.choose(Choice::Attenuator(2, 0));
        assert_eq!(loss(&app), None);
        app.type_text(TextKey::Resistors(2), typed);
        near(typed, loss(&app).expect("a loss"), 20.828, 1e-3);
    }
    app.notices();
    for nonsense in ["10k", "1k 2k 3k", "ten, one", "0, 1k"] {
        app.type_text(TextKey::Resistors(2), nonsense);
        assert!(app.notices().iter().any(|notice| notice.contains("such as 10k, 1k")), "{nonsense}");
    }
    // What a sample means follows: behind 20 dB less it is ten times the voltage.
    app.core
        .change_input(2, |input| {
            (input.volts_per_fs, input.attenuator_db) = (Some(2.0), None);
            Ok(())
        })
        .expect("it is one");
    app.choose(Choice::Attenuator(2, 200));
    near("ahead of it", app.spec().inputs[1].volts_per_fs.expect("volts"), 20.0, 1e-9);
}

#[test]
fn a_microphones_file_is_copied_beside_the_rig_and_a_bad_one_changes_nothing() {
    let (mut app, folder) = setting_up();
    let stick = tempfile::tempdir().expect("a folder");
    let example = include_str!("../../../calibration/microphone-example.txt");
    std::fs::write(stick.path().join("mic.txt"), example).expect("it is written");
    std::fs::write(stick.path().join("bad.txt"), "20 nothing\n").expect("it is written");
    app.type_text(TextKey::MicrophoneFile(1), &stick.path().join("mic.txt").display().to_string());
    assert!(app.core.rig.as_ref().expect("a rig").calibration(0).microphone.is_some(), "{:?}", app.notices());
    drop(std::fs::remove_file(stick.path().join("mic.txt")));
    assert!(folder.path().join("rigs/mic.txt").is_file());
    let before = app.spec();
    app.notices();
    for bad in ["bad.txt", "gone.txt"] {
        app.type_text(TextKey::MicrophoneFile(1), &stick.path().join(bad).display().to_string());
        let notices = app.notices();
        assert!(notices.iter().any(|notice| notice.contains(bad)), "{notices:?}");
        assert_eq!(app.spec(), before);
    }
}

/// However many inputs an interface has, each shows its level, and the loudest one in big type.
#[test]
fn every_input_shows_its_level_while_they_are_tried() {
    let (mut app, _folder) = setting_up();
    app.choose(Choice::InputDevice(Some("box".to_owned())));
    app.core.state.busy.what = Some(super::state::BusyWith::Trying);
    let chart = app.snapshot().chart;
    assert_eq!((chart.x.label.as_str(), chart.y.unit.as_str()), ("Input", "dBFS"));
    let levels: Vec<(u16, f64)> =
        (1..=16).map(|channel| (channel, if channel == 11 { -12.4 } else { -71.0 })).collect();
    app.core.tried(&levels);
    let bars = super::set_up::tried_bars(&levels);
    let heights: Vec<(f64, f64)> = bars.iter().map(|bar| (bar.points[1].x + 0.4, bar.points[1].y)).collect();
    assert_eq!((heights.len(), heights[10]), (16, (11.0, -12.4)));
    assert!(bars[10].is_bar() && bars.iter().filter(|bar| bar.is_bar()).count() == 1, "one is heard");
    let figures = app.core.state.tried_figures(&levels);
    assert_eq!(figures.len(), 1);
    assert_eq!((figures[0].value.as_str(), figures[0].caption.as_str()), ("\u{2212}12 dBFS", "input 11"));
}

/// The input that jumps is the microphone's, and sound has arrived when it has.
#[test]
fn tapping_the_microphone_finds_its_input() {
    let (mut app, _folder) = setting_up();
    app.choose(Choice::InputDevice(Some("box".to_owned())));
    let main = |app: &TestApp| app.snapshot().card.main.expect("a main button").action;
    assert_eq!(main(&app), Action::TryInputs);
    app.core.tried(&[(1, -70.0), (2, -68.0), (3, -71.0), (4, -40.0)]);
    assert_eq!(main(&app), Action::TryInputs, "noise is no sound");
    app.core.tried(&[(1, -20.0), (2, -22.0), (3, -71.0), (4, -40.0)]);
    let offers = |app: &TestApp| {
        app.snapshot().card.actions.into_iter().find(|button| button.action == Action::TappedIsMicrophone)
    };
    assert_eq!(offers(&app), None, "two that jump are not one");
    app.core.tried(&[(1, -70.0), (2, -66.0), (3, -12.0), (4, -40.0)]);
    assert_eq!(offers(&app).map(|button| button.label), Some("Input 3 is the microphone".to_owned()));
    app.press(Action::TappedIsMicrophone);
    assert!(app.spec().inputs.iter().any(|input| input.channel == 3 && input.role == InputRole::Microphone));
    assert_eq!(main(&app), Action::LeaveSetUp);
}

/// A rig that a person wrote by hand is not lost with its remarks.
#[test]
fn a_file_with_remarks_is_kept_beside() {
    let (mut app, folder) = setting_up();
    let file = folder.path().join("rigs/My rig.toml");
    let text = std::fs::read_to_string(&file).expect("it is there");
    std::fs::write(&file, format!("# The red clips.\n{text}")).expect("it is written");
    app.choose(Choice::Wiring(2, Wiring::Tap));
    let before = std::fs::read_to_string(folder.path().join("rigs/My rig.toml.before")).expect("it is kept");
    assert!(before.contains("red clips"));
}

/// Without a device that records there is nothing to be green about.
#[test]
fn devices_are_looked_for_before_they_are_said_to_be_there() {
    let mut app = TestApp::new();
    (app.core.state.rig, app.core.idle_rig) = (None, None);
    for devices in [vec![], vec![device("speaker", 0, 2)]] {
        let refused = app.core.take_devices(&devices).expect_err("nothing records");
        assert!(refused.to_string().contains("Plug the interface in"), "{refused}");
        assert_eq!(app.snapshot().shared.rig.state, RigState::None);
    }
    app.core.take_devices(&[device("box", 2, 2)]).expect("it records");
    assert_eq!(app.snapshot().shared.rig.state, RigState::Untried, "nothing has arrived yet");
    app.core.state.rig_heard = true;
    assert_eq!(app.snapshot().shared.rig.state, RigState::Ready);
}

#[test]
fn any_driver_layout_is_described_with_role_side_and_channel() {
    let (mut app, _folder) = setting_up();
    app.press(Action::LeaveSetUp);
    app.choose(Choice::Layout(Layout::Large));
    let names: Vec<String> = app.core.drivers().iter().map(|driver| driver.name.clone()).collect();
    assert_eq!(
        names,
        [
            "left-tweeter",
            "right-tweeter",
            "left-mid",
            "right-mid",
            "centre",
            "rear-left",
            "rear-right",
            "sub",
            "sub-2"
        ]
    );
    app.press(Action::EditDrivers);
    app.press(Action::AddDriver);
    app.type_text(TextKey::DriverName, "roof");
    app.choose(Choice::DriverRole(DriverRole::FullRange));
    app.choose(Choice::DriverFeed(Feed::Both));
    app.type_text(TextKey::DriverChannel, "");
    let roof = app.core.drivers().last().expect("it was added").clone();
    assert_eq!((roof.name.as_str(), roof.channel.as_str()), ("roof", ""));
    assert_eq!((roof.role, roof.feed), (Some(tuning::Role::FullRange), Some(tuning::Feed::Both)));
    app.notices();
    app.type_text(TextKey::DriverName, "sub");
    assert!(app.notices().iter().any(|notice| notice.contains("each needs one of its own")));
    app.choose(Choice::EditedDriver(0));
    app.press(Action::RemoveDriver);
    assert_eq!(app.core.drivers()[0].name, "right-tweeter");
    app.ask(Command::Undo);
    assert_eq!(app.core.drivers()[0].name, "left-tweeter");
}
