//! Bad input ends with 1 or 2 and one message that says what to do, never with
//! a panic and never with half a file.

use crate::material::{RATE_HZ, response_csv, sine, write_wav};
use crate::program::Desk;

#[test]
fn files_that_are_no_recordings_are_refused_by_name() {
    let desk = Desk::new();
    desk.write("empty.wav", "");
    desk.write("text.wav", "This is a letter, not a recording.\n".repeat(50));
    desk.write("head.wav", b"RIFF");
    std::fs::create_dir(desk.path().join("folder.wav")).unwrap();
    for name in ["missing.wav", "empty.wav", "text.wav", "head.wav", "folder.wav"] {
        desk.run(&format!("analyze level {name} --json")).refused(&[name]);
        desk.run(&format!("analyze sweep {name} --track sweep-full --json")).refused(&[name]);
    }
}

#[test]
fn a_recording_that_was_cut_short_is_read_as_far_as_it_goes() {
    let desk = Desk::new();
    write_wav(&desk.path().join("whole.wav"), RATE_HZ, &[sine(1_000.0, 0.1, 2.0)]);
    let whole = std::fs::read(desk.path().join("whole.wav")).unwrap();
    desk.write("cut.wav", &whole[..whole.len() / 2]);
    let reading = desk.run("analyze level cut.wav --json").done().reading();
    let told = reading.findings.iter().find(|finding| finding.code == "recording-damaged");
    assert!(told.is_some_and(|finding| finding.text.contains("1.0 s")), "{:?}", reading.findings);
    // A sine of a tenth of full scale is 20 dB under a full one.
    testkit::near("level", reading.values["rms_dbfs"], -20.0, 0.1);
}

#[test]
fn samples_that_are_not_numbers_give_no_number() {
    let desk = Desk::new();
    let mut broken = sine(1_000.0, 0.1, 1.0);
    broken[2_000] = f32::NAN;
    broken[3_000] = f32::INFINITY;
    write_wav(&desk.path().join("broken.wav"), RATE_HZ, &[broken]);
    let outcome = desk.run("analyze level broken.wav --json");
    match outcome.status {
        Some(0 | 1) => assert!(!outcome.reading().findings.is_empty(), "{}", outcome.stdout),
        _ => {
            outcome.refused(&["broken.wav"]);
        }
    }
}

#[test]
fn rates_outside_the_range_are_refused_with_the_range() {
    let desk = Desk::new();
    for rate in [4_000_u32, 384_000] {
        let plain = desk.path().join(format!("plain-{rate}.wav"));
        write_wav(&plain, RATE_HZ, &[sine(100.0, 0.1, 0.2)]);
        let mut odd = std::fs::read(plain).unwrap();
        // After `fmt ` come its size, the format and the channels; then the rate, and the bytes a second.
        let at = odd.windows(4).position(|word| word == b"fmt ").unwrap() + 12;
        odd[at..at + 4].copy_from_slice(&u32::to_le_bytes(rate));
        odd[at + 4..at + 8].copy_from_slice(&u32::to_le_bytes(4 * rate));
        desk.write("odd.wav", odd);
        desk.run("analyze level odd.wav --json").refused(&["odd.wav", &rate.to_string()]);
    }
}

#[test]
fn silence_gives_no_response_and_the_finding_says_why() {
    let desk = Desk::new();
    write_wav(&desk.path().join("silent.wav"), RATE_HZ, &[vec![0.0; RATE_HZ as usize * 15]]);
    let outcome = desk.run("analyze sweep silent.wav --track sweep-full --json").not_measured();
    let reading = outcome.reading();
    assert!(reading.stopped().is_some(), "{:?}", reading.findings);
    assert!(!reading.curves.contains_key("response"), "a response out of silence");
}

#[test]
fn unknown_names_are_answered_with_the_nearest_or_the_list() {
    let desk = Desk::new();
    write_wav(&desk.path().join("tone.wav"), RATE_HZ, &[sine(1_000.0, 0.1, 1.0)]);
    desk.write("flat.csv", response_csv(|_| 0.0));
    desk.run("analyze levle tone.wav").refused(&["levle", "level"]);
    desk.run("analyze sweep tone.wav --track sweep-ful").refused(&["sweep-ful", "sweep-full"]);
    desk.run("analyze spectrum tone.wav -p fractoin=3").refused(&["fractoin", "fraction"]);
    desk.run("analyze sweep tone.wav --track sweep-full -p smoothing=-4").refused(&["smoothing", "-4"]);
    desk.run("analyze sweep tone.wav --track sweep-full -p smoothing").refused(&["smoothing"]);
    desk.run("fit flat.csv --target flatt").refused(&["flatt", "flat"]);
    desk.run("fit flat.csv --processor parametrik").refused(&["parametrik"]);
    desk.run("measure level --simulated no-such-car").refused(&["no-such-car"]);
    desk.run("measure level --rig no-such-rig.toml").refused(&["no-such-rig.toml"]);
}

#[test]
fn responses_that_cannot_be_read_are_refused_with_the_line() {
    let desk = Desk::new();
    let bad: &[(&str, &str, &[&str])] = &[
        ("empty.csv", "", &[]),
        ("header.csv", "frequency_hz,magnitude_db\n", &[]),
        ("word.csv", "frequency_hz,magnitude_db\n20,0\n30,loud\n40,0\n", &["3"]),
        ("nan.csv", "frequency_hz,magnitude_db\n20,0\n30,NaN\n40,0\n", &["3"]),
        ("loud.csv", "frequency_hz,magnitude_db\n20,0\n30,1e300\n40,0\n", &["3", "1000 dB"]),
        ("back.csv", "frequency_hz,magnitude_db\n20,0\n40,0\n30,0\n", &["4"]),
        ("short.csv", "frequency_hz,magnitude_db\n20,0\n30\n40,0\n", &["3"]),
        ("negative.csv", "frequency_hz,magnitude_db\n-20,0\n30,0\n", &["2"]),
    ];
    desk.write("flat.csv", response_csv(|_| 0.0));
    for (name, text, words) in bad {
        desk.write(name, text);
        let words: Vec<&str> = [*name].into_iter().chain(words.iter().copied()).collect();
        desk.run(&format!("compare flat.csv {name} --json")).refused(&words);
        desk.run(&format!("fit {name} --target flat --json --out bands.csv")).refused(&words);
        desk.run(&format!("average flat.csv {name} --out mean.csv")).refused(&words);
    }
    desk.write("binary.csv", [0xff_u8, 0xfe, 0x00, 0x80, 0x41]);
    desk.run("compare flat.csv binary.csv").refused(&["binary.csv"]);
    desk.run("compare flat.csv missing.csv").refused(&["missing.csv"]);
    assert!(!desk.has("bands.csv") && !desk.has("mean.csv"), "a refused request left a file behind");
}

#[test]
fn presets_with_mistyped_keys_are_refused_with_the_nearest_key() {
    let desk = Desk::new();
    desk.write("flat.csv", response_csv(|_| 0.0));
    desk.write("target.toml", "name = \"mine\"\ntitl = \"Mine\"\n");
    desk.run("fit flat.csv --target target.toml").refused(&["target.toml", "titl"]);
    desk.write("processor.toml", "nonsense = true\n");
    desk.run("fit flat.csv --processor processor.toml").refused(&["processor.toml", "nonsense"]);
    desk.write("car.toml", "nonsense = true\n");
    desk.run("measure level --simulated car.toml").refused(&["car.toml", "nonsense"]);
    desk.write("rig.toml", "nonsense = true\n");
    desk.run("measure level --rig rig.toml").refused(&["rig.toml", "nonsense"]);
}

#[test]
fn a_target_that_cannot_be_written_leaves_nothing_half_done() {
    let desk = Desk::new();
    desk.write("flat.csv", response_csv(|_| 0.0));
    desk.run("average flat.csv --out no/such/folder/mean.csv").refused(&["mean.csv"]);
    desk.run("fit flat.csv --target flat --out no/such/folder/bands.csv").refused(&["bands.csv"]);
}
