//! Source and gain from the command line: calibration in volts, the clean limit over several
//! outputs, the volts to turn to.

use std::f64::consts::PI;

use testkit::near;

use crate::material::{RATE_HZ, sine, write_wav};
use crate::program::Desk;

const RIG: &str =
    "name = \"Bench\"\n# Kept.\n[[input]]\nchannel = 1\nname = \"tap\"\nrole = \"electrical\"\n";

/// Source: AES17; arithmetic. A peak of 0.25 where the meter shows 5 V RMS.
#[test]
fn an_input_is_calibrated_from_a_recording_and_a_meter() {
    let desk = Desk::new();
    desk.write("rig.toml", RIG);
    write_wav(&desk.path().join("tone.wav"), RATE_HZ, &[sine(1_000.0, 0.25, 3.0)]);
    let line =
        "calibrate volts --rig rig.toml --recording tone.wav --meter 5 --pad 10k,1k --input-ohms 20k --json";
    let json = desk.run(line).done().json();
    near("volts_per_fs", json["volts_per_fs"].as_f64().unwrap(), 28.284_3, 0.003);
    let rig = desk.read("rig.toml");
    assert!(rig.contains("# Kept.") && rig.contains("attenuator_db = 21.214"), "{rig}");
    assert!(rig.contains("volts_per_fs = 28.28") && rig.contains("calibrated_on = \"20"), "{rig}");
    for nonsense in ["0", "-2", "two", "1e9", "5dB"] {
        let line = ["calibrate", "volts", "--recording", "tone.wav", "--meter", nonsense];
        desk.run_with(&line).refused(&["volts"]);
    }
    desk.run("calibrate volts --recording tone.wav").refused(&["--meter"]);
    write_wav(
        &desk.path().join("clipped.wav"),
        RATE_HZ,
        &[sine(1_000.0, 1.2, 3.0).iter().map(|x| x.clamp(-1.0, 1.0)).collect()],
    );
    desk.run("calibrate volts --rig rig.toml --recording clipped.wav --meter 5").refused(&["full scale"]);
    assert_eq!(desk.read("rig.toml"), rig);
}

/// Source: the voltage divider.
#[test]
fn a_pad_is_computed_from_its_resistors() {
    let desk = Desk::new();
    let json = desk.run("calibrate pad 10k 1k --input-ohms 47k --largest-v 20 --json").done().json();
    near("loss", json["loss_db"].as_f64().unwrap(), 20.994_255, 1e-5);
    near("at the input", json["largest_at_input_v"].as_f64().unwrap(), 1.783_681, 1e-5);
    desk.run("calibrate pad ten 1k").refused(&["ten", "4k7"]);
    desk.run("calibrate pad 10k 0").refused(&["ohms"]);
}

/// A volume sweep of 1 dB a step, clean up to a step, as a sine that is cut off at a peak of 0.5.
#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
pub(crate) fn volume_sweep(tone_hz: f64, steps: i32, clean: i32) -> Vec<f32> {
    let rate = f64::from(RATE_HZ);
    let frames = (0.6 * rate) as i32;
    (0..steps * frames)
        .map(|n| {
            let level_db = f64::from(n / frames + 1 - clean) - 0.3;
            let x = 10f64.powf(level_db / 20.0) * (2.0 * PI * tone_hz * f64::from(n) / rate).sin();
            (0.5 * x.clamp(-1.0, 1.0)) as f32
        })
        .collect()
}

#[test]
fn several_recordings_give_one_verdict() {
    let desk = Desk::new();
    write_wav(&desk.path().join("front.wav"), RATE_HZ, &[volume_sweep(1_000.0, 10, 8)]);
    write_wav(&desk.path().join("sub.wav"), RATE_HZ, &[vec![0.0; 288_000], volume_sweep(40.0, 10, 6)]);
    let line = "source headroom front=front.wav sub=sub.wav#2 --first-step 21 --volts-per-fs 10 --json";
    let json = desk.run(line).done().json();
    assert_eq!(json["clean_step"], 26);
    assert_eq!(json["limited_by"][0], "sub");
    let front = &json["outputs"][0];
    assert_eq!(front["clean_step"], 28);
    // 2.3 dB under a peak of 5 V.
    near("front", front["level_v"].as_f64().unwrap(), 5.0 / 2f64.sqrt() * 10f64.powf(-2.3 / 20.0), 0.01);
    desk.run("source headroom front=front.wav sub=none.wav --job kept").refused(&["none.wav"]);
    desk.run("source headroom front=none.wav --job empty").refused(&["none.wav"]);
    assert!(!desk.has("empty"), "what is refused leaves no job behind");
    desk.run("source headroom front=front.wav sub=sub.wav#2 --first-step 21 --job kept").done();
    let job = desk.run("job show kept --json").done().json();
    assert_eq!(job["clean_step"], 26, "{job}");
    // The first run kept `front` before it came to what is not there.
    assert_eq!(job["captures"].as_array().map(Vec::len), Some(3), "{job}");
    desk.run("source headroom front=front.wav front=sub.wav").refused(&["front", "twice"]);
    desk.run("source headroom front.wav").refused(&["NAME=FILE"]);
    desk.run("source headroom front=none.wav").refused(&["none.wav"]);
    desk.run("source headroom").refused(&["--rig", "--simulated"]);
    write_wav(&desk.path().join("silent.wav"), RATE_HZ, &[vec![0.0; 96_000]]);
    desk.run("source headroom front=front.wav sub=silent.wav").not_measured();
}

/// Trade fact (common practice, no source): 4 to 4.5 V at the clean limit with the 5 V
/// setting, and the next step clips.
#[test]
fn the_simulated_car_gives_its_true_clean_step() {
    let desk = Desk::new();
    let reading = desk.run("measure headroom --simulated saloon-adapter --json").done().reading();
    assert_eq!(reading.values["clean_step"], 27.0);
    assert_eq!(reading.values["first_clipped_step"], 28.0);
    assert!((4.0..=4.5).contains(&reading.values["clean_level_v"]), "{:?}", reading.values);
    let tone = desk.run("measure tone --simulated saloon-adapter --json").done().reading();
    // Where the noise is above the distortion there is a bound instead of a value.
    let thd = tone.values.get("thd_percent").or(tone.values.get("thd_at_most_percent"));
    assert!(tone.values.contains_key("rms_v") && *thd.unwrap() < 0.5, "{:?}", tone.values);
}

/// Source: Ohm's law.
#[test]
fn a_hundred_watts_into_four_ohms_are_twenty_volts() {
    let desk = Desk::new();
    let json = desk.run("gain --power 100 --load 4 --tone-dbfs -5 --source-v 4 --json").done().json();
    near("full power", json["full_power_v"].as_f64().unwrap(), 20.0, 1e-9);
    near("target", json["target_v"].as_f64().unwrap(), 11.246_827, 1e-5);
    near("with the peak allowance", json["full_power_target_v"].as_f64().unwrap(), 20.0, 1e-9);
    near("gain", json["amplifier_gain_db"].as_f64().unwrap(), 13.979_4, 1e-4);
    desk.run("gain --power 0 --source-v 4").refused(&["power"]);
    desk.run("gain --power 100").refused(&["--source-v"]);
    desk.run("gain --power 100 --source-v 4 --live processor").refused(&["--rig"]);
}

/// A sweep track through nothing and through a loss of 6 dB, later and upside down, as the two
/// channels of one recording.
#[test]
fn two_outputs_of_one_recording_are_told_apart() {
    let desk = Desk::new();
    desk.run("tracks stick --bits 24").done();
    let track = recording::read(desk.path().join("stick/sweep-mid.wav")).unwrap();
    let left = track.channels[0].clone();
    let late = std::iter::repeat_n(0.0, 48);
    let right: Vec<f32> = late.chain(left.iter().map(|x| -0.5 * x)).take(left.len()).collect();
    write_wav(&desk.path().join("both.wav"), RATE_HZ, &[left, right]);
    let line = "source tone left=both.wav#1 right=both.wav#2 --track sweep-mid --json";
    let json = desk.run(line).done().json();
    let pair = &json["pairs"][0];
    near("level", pair["level_db"].as_f64().unwrap(), -6.0206, 0.02);
    near("delay", pair["delay_s"].as_f64().unwrap(), 1e-3, 2e-6);
    assert_eq!(pair["inverted"], true);
    assert!(
        json["outputs"][0]["flatness_db"].as_f64().unwrap() < 0.2,
        "{}",
        json["outputs"][0]["flatness_db"]
    );
    desk.run("source tone left=both.wav#3 --track sweep-mid").refused(&["both.wav", "2 channels"]);
    desk.run("source tone left@loud=both.wav").refused(&["left@loud"]);
    desk.run("source tone").refused(&["--rig", "--simulated"]);
}

/// Hum that stays, and the second and fourth line of an alternator at two speeds.
#[test]
fn lines_that_follow_the_engine_are_named() {
    let desk = Desk::new();
    let silence = |engine_hz: f64| {
        let parts =
            [(50.0, 1e-3), (engine_hz, 4e-4), (2.0 * engine_hz, 2e-4)].map(|(hz, peak)| sine(hz, peak, 6.0));
        (0..parts[0].len()).map(|n| parts.iter().map(|part| part[n]).sum()).collect::<Vec<f32>>()
    };
    write_wav(&desk.path().join("idle.wav"), RATE_HZ, &[silence(230.0)]);
    write_wav(&desk.path().join("fast.wav"), RATE_HZ, &[silence(547.0)]);
    let line = "source noise idle=idle.wav fast=fast.wav --clean-dbfs -6 --json";
    let json = desk.run(line).done().json();
    near("ratio", json["engine"][0]["ratio"].as_f64().unwrap(), 547.0 / 230.0, 1e-3);
    assert_eq!(json["engine"][0]["moving"].as_array().unwrap().len(), 2);
    near("hum", json["recordings"][0]["mains_hz"].as_f64().unwrap(), 50.0, 0.05);
    // RMS of the three sines re a full-scale sine, below −6 dBFS.
    let noise_db = 10.0 * (1e-6f64 + 1.6e-7 + 4e-8).log10();
    near("SNR", json["recordings"][0]["snr_db"].as_f64().unwrap(), -6.0 - noise_db, 0.05);
    desk.run("source noise idle@fast=idle.wav").refused(&["idle@800"]);
}
