//! A tuning that is heard before it is typed: in a file, and on the simulated car.

use recording::read;
use testkit::{at_most, near};

use crate::material::{RATE_HZ, sine, write_wav};
use crate::program::Desk;

/// A cut at 1 kHz and nothing else.
const BANDS: &str = "channel,band,type,frequency_hz,gain_db,q\n,1,peak,1000,-6,2\n";

fn desk() -> Desk {
    let desk = Desk::new();
    desk.write("bands.csv", BANDS);
    let sides = [sine(1_000.0, 0.5, 4.0), sine(100.0, 0.25, 4.0)];
    write_wav(&desk.path().join("song.wav"), RATE_HZ, &sides);
    desk
}

/// The RMS of a side over the second half of the third second, in dB.
fn level_db(desk: &Desk, file: &str, side: usize) -> f64 {
    let audio = read(desk.path().join(file)).expect("a recording");
    let half = &audio.channels[side][120_000..144_000];
    10.0 * (half.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / 24_000.0).log10()
}

/// Source: the cookbook's peak, −6 dB at its centre; far below it nothing but the gain that matches
/// the levels, which the program tells. Sixteen bits with dither are 80 dB below the quieter tone.
#[test]
fn the_files_for_a_memory_stick_differ_by_the_bands_and_the_match_alone() {
    let desk = desk();
    let with = desk.run("preview song.wav --bands bands.csv --out with.wav --json").done().json();
    let plain = desk.run("preview song.wav --bands bands.csv --bypass --out plain.wav --json").done().json();
    let number = |name: &str| with[name].as_f64().unwrap_or_else(|| panic!("no {name} in {with}"));
    assert_eq!((&with["file"]["holds"], &plain["file"]["holds"]), (&"with".into(), &"without".into()));
    assert_eq!(with["matched_db"], plain["matched_db"]);
    assert_eq!(with["file"]["lowered_db"], plain["file"]["lowered_db"]);
    assert_eq!((number("sample_rate_hz"), number("seconds"), number("bands")), (48_000.0, 4.0, 1.0));
    let matched_db = number("matched_db");
    at_most("a cut is made up for", 0.3, matched_db);
    let change_db = |side| level_db(&desk, "with.wav", side) - level_db(&desk, "plain.wav", side);
    near("at the band", change_db(0), matched_db - 6.0, 0.01);
    near("far from it", change_db(1), matched_db, 0.02);
    near("as loud as the recording", level_db(&desk, "plain.wav", 0), level_db(&desk, "song.wav", 0), 0.01);
}

#[test]
fn both_ways_stand_in_one_file_in_turn() {
    let desk = desk();
    desk.run("preview song.wav --bands bands.csv --out plain.wav --bypass").done();
    let line = "preview song.wav --bands bands.csv --out turn.flac --every 2 --bits 24 --bypass --json";
    let turn = desk.run(line).done().json();
    assert_eq!((&turn["file"]["holds"], &turn["switched"]), (&"both".into(), &1.into()));
    let change_db = level_db(&desk, "turn.flac", 0) - level_db(&desk, "plain.wav", 0);
    let matched_db = turn["matched_db"].as_f64().expect("a gain");
    near("half a second after the change", change_db, matched_db - 6.0, 0.01);
    let outcome = desk.run("preview --bands bands.csv --out noise.wav --seconds 5").done();
    outcome.says(&["pink noise, 5.0 s at 48000 Hz", "peak −12.0 dBFS", "noise.wav, 16 bit: with the bands"]);
    assert_eq!(read(desk.path().join("noise.wav")).expect("noise").frames(), 5 * RATE_HZ as usize);
}

#[test]
fn the_simulated_cars_microphone_hears_the_difference() {
    let desk = desk();
    let outcome = desk.run("preview --bands bands.csv --simulated --seconds 20 --every 5 --json").done();
    for said in ["makes no sound", "0.0 s  with the bands", "bypassed"] {
        assert!(outcome.stderr.contains(said), "stderr lacks `{said}`: {}", outcome.stderr);
    }
    let report = outcome.json();
    assert_eq!((&report["program"], &report["switched"]), (&"pink noise".into(), &3.into()));
    assert!(report.get("file").is_none());
    let heard = &report["heard"];
    let curve = |way: &str, column: &str| -> Vec<f64> {
        let values = heard["curves"][way][column].as_array().unwrap_or_else(|| panic!("{way} in {heard}"));
        values.iter().map(|value| value.as_f64().expect("a number")).collect()
    };
    let (hz, with, without) =
        (curve("with", "frequency_hz"), curve("with", "level_db"), curve("without", "level_db"));
    let at = hz.iter().position(|hz| *hz >= 1_000.0).expect("1 kHz is there");
    // Source: the band, −6 dB at 1 kHz; over a sixth of an octave at Q 2 it is 0.15 dB less deep,
    // and each level over nine seconds scatters by 0.13 dB.
    near("at 1 kHz", with[at] - without[at], report["matched_db"].as_f64().unwrap() - 6.0, 0.6);
    for way in ["with", "without"] {
        for name in ["seconds", "level_a_dbfs", "leq_a_db"] {
            assert!(heard[way][name].is_number(), "no {name} {way}: {heard}");
        }
    }
    near("as loud", heard["louder_db"].as_f64().expect("both were heard"), 0.0, 1.0);
}

/// An interruption ends it early, in good order, and the report is still given.
#[cfg(unix)]
#[test]
fn an_interruption_ends_it_with_a_report() {
    let desk = desk();
    let arguments = ["preview", "--bands", "bands.csv", "--simulated", "--seconds", "80000", "--json"];
    let mut command = desk.command();
    command.args(arguments).stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::null());
    let running = command.spawn().expect("the program starts");
    std::thread::sleep(std::time::Duration::from_secs(2));
    let kill = std::process::Command::new("kill").args(["-INT", &running.id().to_string()]).status();
    assert!(kill.expect("the signal is sent").success());
    let output = running.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(0));
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).expect("one document");
    let seconds = report["seconds"].as_f64().expect("a number");
    assert!(seconds > 0.0 && seconds < 79_000.0, "{seconds} s");
}

#[test]
fn what_cannot_be_heard_is_refused_and_leaves_no_file() {
    let desk = desk();
    desk.run("preview --out x.wav").refused(&["--bands", "--job"]);
    desk.run("preview --bands none.csv --out x.wav").refused(&["none.csv"]);
    desk.run("preview none.wav --bands bands.csv --out x.wav").refused(&["none.wav"]);
    desk.run("preview --job none --out x.wav").refused(&["none"]);
    desk.run("preview --bands bands.csv --rig none.toml").refused(&["none.toml"]);
    desk.run("preview --bands bands.csv --simulated no-such-car").refused(&["no-such-car"]);
    desk.run("preview --bands bands.csv --car none.csv --out x.wav").refused(&["none.csv"]);
    desk.run("preview --bands bands.csv --processor parametrik --out x.wav").refused(&["parametrik"]);
    desk.run("preview --bands bands.csv --out x.ogg").refused(&["x.ogg", ".wav"]);
    desk.run("preview --bands bands.csv --out no/folder/x.wav").refused(&["x.wav"]);
    desk.run("preview --bands bands.csv --level -3 --simulated").refused(&["--level -3", "-12 dBFS"]);
    desk.run("preview --bands bands.csv --every 0.1 --out x.wav").refused(&["--every 0.1", "2 to"]);
    desk.run("preview song.wav --bands bands.csv --out song.wav").refused(&["song.wav", "never overwritten"]);
    desk.write("wrong.csv", "channel,band,type,frequency_hz,gain_db,q\n,1,peek,1000,-6,2\n");
    desk.run("preview --bands wrong.csv --out x.wav").refused(&["wrong.csv", "line 2", "peek", "peak"]);
    desk.write("sub.csv", "channel,band,type,frequency_hz,gain_db,q\nsub,1,peak,50,-6,2\n");
    desk.run("preview --bands sub.csv --out x.wav").refused(&["sub", "left, right"]);
    desk.write("high.csv", "channel,band,type,frequency_hz,gain_db,q\n,1,peak,30000,-6,2\n");
    desk.run("preview --bands high.csv --out x.wav").refused(&["30000 Hz"]);
    desk.write("none-yet.csv", "channel,band,type,frequency_hz,gain_db,q\n");
    desk.run("preview --bands none-yet.csv --out x.wav").refused(&["none-yet.csv", "headrest fit"]);
    write_wav(&desk.path().join("silent.wav"), RATE_HZ, &[vec![0.0; 48_000]]);
    desk.run("preview silent.wav --bands bands.csv --out x.wav").refused(&["silent.wav", "silence"]);
    let left: Vec<_> = std::fs::read_dir(desk.path())
        .expect("the desk")
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| name.contains("x.wav") || name.contains("partial"))
        .collect();
    assert!(left.is_empty(), "a refused request left {left:?}");
}
