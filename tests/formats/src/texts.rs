//! Texts that a person or another program writes, and the tracks folder.

use cabin::Car;
use engine::{InputRole, RigSpec};
use measure::Stimulus;
use measurements::signals;
use serde_json::Value;
use testkit::{all_near, near};
use tuning::{BandKind, BandLayout, Calibration, Profile, QDefinition, Response, Target, parse_bands_csv};

use crate::page::example;

#[test]
fn bands() {
    let [entry] = &parse_bands_csv(&example("bands.csv"), "bands.csv").unwrap()[..] else {
        panic!("one band")
    };
    assert_eq!((entry.channel.as_str(), entry.number, entry.band.kind), ("front left", 1, BandKind::Peak));
    near("typed Q", entry.band.q, 2.47, 0.0);
}

#[test]
fn responses() {
    let text = example("response.csv");
    let response = Response::parse(&text, "response.csv").unwrap();
    assert_eq!(response.to_csv(), text);
    all_near("spread", &response.spread_db.unwrap(), &[1.5, 0.4, 2.25], 0.0);
    let plain = Response::parse(&example("response.txt"), "response.txt").unwrap();
    all_near("frequency", &plain.frequency_hz, &response.frequency_hz, 0.0);
    all_near("magnitude", &plain.magnitude_db, &response.magnitude_db, 0.0);
}

#[test]
fn calibration() {
    let found = Calibration::parse(&example("microphone.txt"), "microphone.txt").unwrap();
    near("sensitivity", found.dbfs_at_94.unwrap(), -26.3, 0.0);
    all_near("own response", &found.response.magnitude_db, &[-1.9, 0.0, -1.8], 0.0);
    all_near("phase", &found.response.phase_deg.unwrap(), &[38.0, 0.0, -66.0], 0.0);
    assert!(found.comments.iter().any(|comment| comment.contains("invented")), "{:?}", found.comments);
}

#[test]
fn target() {
    let target = Target::parse(&example("target.toml"), "target.toml").unwrap();
    near("tolerance", target.tolerance_db, 2.0, 0.0);
    near("Q when absent", target.shelves[0].q, std::f64::consts::FRAC_1_SQRT_2, 1e-4);
    // At 1 kHz the tilt and the points are at 0 dB and the shelf has ended.
    near("level at 1 kHz", target.db_at(1_000.0), 0.0, 0.01);
    assert!(target.db_at(20.0) > 3.0 + 3.0);
    let unknown = example("target.toml").replace("tolerance_db", "tolerence_db");
    let message = Target::parse(&unknown, "target.toml").unwrap_err().to_string();
    assert!(message.contains("tolerence_db") && message.contains("`tolerance_db`"), "{message}");
}

#[test]
fn processor_profile() {
    let profile = Profile::parse(&example("processor.toml"), "processor.toml").unwrap();
    assert_eq!(profile.q_definition, QDefinition::HalfGain);
    assert!(matches!(profile.bands, BandLayout::Parametric { count: 10, .. }));
    near("delay", profile.delay.unwrap().nearest(0.001_31), 0.001_32, 1e-9);
    for word in QDefinition::ALL.map(QDefinition::word) {
        let text = example("processor.toml").replace("half-gain", word);
        Profile::parse(&text, "processor.toml").unwrap();
    }
}

/// Some editors put a byte order mark in front of what they save.
#[test]
fn a_byte_order_mark_is_passed_over() {
    let marked = |name: &str| format!("\u{feff}{}", example(name));
    assert!(Response::parse(&marked("response.csv"), "x").is_ok());
    assert!(Response::parse(&marked("response.txt"), "x").is_ok());
    assert!(parse_bands_csv(&marked("bands.csv"), "x").is_ok());
    assert!(Calibration::parse(&marked("microphone.txt"), "x").is_ok());
    assert!(Target::parse(&marked("target.toml"), "x").is_ok());
    assert!(Profile::parse(&marked("processor.toml"), "x").is_ok());
    assert!(RigSpec::parse(&marked("rig.toml"), "x").is_ok());
    assert!(Car::parse(&marked("car.toml")).is_ok());
}

#[test]
fn a_grid_is_a_list_or_steps_between_limits() {
    let with = |gain: &str| {
        let text = example("processor.toml");
        let old = "gain_db = { from = -15.0, to = 12.0, step = 0.5 }";
        assert!(text.contains(old));
        Profile::parse(&text.replace(old, &format!("gain_db = {{ {gain} }}")), "x")
    };
    assert!(with("list = [-3.0, 0.0, 3.0]").is_ok());
    assert!(with("from = -15.0, to = 12.0").is_err());
    assert!(with("from = -15.0, to = 12.0, step = 0.5, list = [0.0]").is_err());
}

#[test]
fn rig() {
    let rig = RigSpec::parse(&example("rig.toml"), "rig.toml").unwrap();
    assert_eq!(
        rig.inputs.iter().map(|input| input.role).collect::<Vec<_>>(),
        [InputRole::Microphone, InputRole::Electrical]
    );
    near("volts", rig.inputs[1].volts_per_fs.unwrap(), 24.5, 0.0);
}

#[test]
fn simulated_car() {
    let car = Car::parse(&example("car.toml")).unwrap();
    assert_eq!((car.stated.clean_step, car.drivers.len()), (1, 1));
}

#[test]
fn tracks() {
    let file: Value = serde_json::from_str(&example("tracks.json")).unwrap();
    assert_eq!((&file["format"], &file["version"]), (&"headrest-tracks".into(), &1.into()));
    let track = &file["tracks"][0];
    let stimulus: Stimulus = serde_json::from_value(track["stimulus"].clone()).unwrap();
    assert_eq!(Some(&stimulus), signals::track("tone-1k").as_ref());
    assert_eq!(serde_json::to_value(&stimulus).unwrap(), track["stimulus"]);
    near("duration", track["duration_s"].as_f64().unwrap(), stimulus.duration_s(), 0.0);
    near("peak", track["peak_dbfs"].as_f64().unwrap(), stimulus.peak_dbfs().unwrap(), 0.0);
}
