//! Readings from recordings whose content is known.

use measure::FindingLevel;
use recording::read;
use testkit::{at_most, near};

use crate::material::{RATE_HZ, rows, sine, write_wav};
use crate::program::{Desk, column, value};

/// Source: AES17 (0 dBFS is a full-scale sine); arithmetic.
#[test]
fn the_level_of_a_tone_in_dbfs_and_volts() {
    let desk = Desk::new();
    write_wav(&desk.path().join("tone.wav"), RATE_HZ, &[sine(1_000.0, 0.1, 2.0)]);
    let reading = desk.run("analyze level tone.wav --volts-per-fs 20 --json").done().reading();
    near("rms_dbfs", value(&reading, "rms_dbfs"), -20.0, 0.01);
    near("peak_dbfs", value(&reading, "peak_dbfs"), -20.0, 0.01);
    near("crest_db", value(&reading, "crest_db"), 3.0103, 0.01);
    near("rms_v", value(&reading, "rms_v"), std::f64::consts::SQRT_2, 0.002);
    near("peak_v", value(&reading, "peak_v"), 2.0, 0.003);
    near("rms_dbu", value(&reading, "rms_dbu"), 5.228_8, 0.01);
    near("rms_dbv", value(&reading, "rms_dbv"), 3.010_3, 0.01);
}

/// Source: definition of the sensitivity `dbfs_at_94`; A-weighting is 0 dB at 1 kHz
/// (IEC 61672-1:2013, Table 3).
#[test]
fn the_sound_level_of_a_calibrators_tone() {
    let desk = Desk::new();
    write_wav(&desk.path().join("tone.wav"), RATE_HZ, &[sine(1_000.0, 0.1, 3.0)]);
    let reading = desk.run("analyze level tone.wav --dbfs-at-94 -20 --json").done().reading();
    near("leq_z_db", value(&reading, "leq_z_db"), 94.0, 0.05);
    near("leq_a_db", value(&reading, "leq_a_db"), 94.0, 0.1);
    near("leq_c_db", value(&reading, "leq_c_db"), 94.0, 0.1);
}

/// Source: arithmetic; the statistics of band levels, σ = 4.343/√(BT) dB.
#[test]
fn pink_noise_has_equal_third_octave_bands() {
    let desk = Desk::new();
    desk.run("tracks stick").done();
    let reading = desk.run("analyze spectrum stick/pink.wav --json").done().reading();
    let frequency = column(&reading, "bands", "frequency_hz");
    let level = column(&reading, "bands", "level_db");
    let audible: Vec<(f64, f64)> = frequency
        .iter()
        .copied()
        .zip(level.iter().copied())
        .filter(|(f, _)| (60.0..=16_000.0).contains(f))
        .collect();
    assert!(audible.len() >= 25, "{} bands", audible.len());
    let mean = audible.iter().map(|(_, level)| level).sum::<f64>() / audible.len() as f64;
    let seconds = read(desk.path().join("stick/pink.wav")).unwrap().duration_s();
    for (frequency, level) in audible {
        let sigma = 4.343 / (0.2316 * frequency * seconds).sqrt();
        near(&format!("band at {frequency} Hz"), level, mean, (4.0 * sigma).max(0.5));
    }
}

/// The track itself, 1.5 s late, half as loud and upside down.
#[test]
fn a_recorded_sweep_gives_response_arrival_and_polarity() {
    let desk = Desk::new();
    desk.run("tracks stick --bits 24").done();
    let track = read(desk.path().join("stick/sweep-full.wav")).unwrap();
    let mut late = vec![0.0; RATE_HZ as usize * 3 / 2];
    late.extend(track.channels[0].iter().map(|sample| -0.5 * sample));
    write_wav(&desk.path().join("late.wav"), RATE_HZ, &[late]);
    let outcome = desk
        .run("analyze sweep late.wav --track sweep-full --stimulus stick/tracks.json --json --csv out.csv");
    let reading = outcome.done().reading();
    near("clock_ppm", value(&reading, "clock_ppm"), 0.0, 0.5);
    assert_eq!(reading.labels["polarity"], "inverted");
    let frequency = column(&reading, "response", "frequency_hz");
    let magnitude = column(&reading, "response", "magnitude_db");
    let inside: Vec<f64> = frequency
        .iter()
        .zip(magnitude)
        .filter(|(f, _)| (30.0..=16_000.0).contains(*f))
        .map(|(_, magnitude)| *magnitude)
        .collect();
    assert!(inside.len() > 500, "{} points", inside.len());
    let highest = inside.iter().copied().fold(f64::MIN, f64::max);
    let lowest = inside.iter().copied().fold(f64::MAX, f64::min);
    at_most("the unevenness of a wire in dB", highest - lowest, 0.1);
    assert!(
        reading.findings.iter().all(|finding| finding.level != FindingLevel::Stop),
        "{:?}",
        reading.findings
    );
    let csv = desk.read("out.csv");
    assert!(csv.starts_with("frequency_hz,magnitude_db"), "{csv}");
    let rows = rows(&csv);
    assert!(rows.len() > 500 && rows.windows(2).all(|pair| pair[0][0] < pair[1][0]), "frequencies ascend");
}

#[test]
fn the_channel_that_is_asked_for_is_the_one_that_is_measured() {
    let desk = Desk::new();
    let channels = [sine(1_000.0, 0.1, 1.0), sine(1_000.0, 0.01, 1.0)];
    write_wav(&desk.path().join("two.wav"), RATE_HZ, &channels);
    let first = desk.run("analyze level two.wav --channel 1 --json").done().reading();
    let second = desk.run("analyze level two.wav --channel 2 --json").done().reading();
    near("first channel", value(&first, "rms_dbfs"), -20.0, 0.01);
    near("second channel", value(&second, "rms_dbfs"), -40.0, 0.01);
    desk.run("analyze level two.wav --channel 3").refused(&["two.wav", "3", "2"]);
    desk.run("analyze level two.wav --channel 0").refused(&["0"]);
}

#[test]
fn without_json_the_reading_is_for_people() {
    let desk = Desk::new();
    write_wav(&desk.path().join("tone.wav"), RATE_HZ, &[sine(1_000.0, 0.1, 1.0)]);
    let outcome = desk.run("analyze level tone.wav").done();
    outcome.says(&["RMS level", "−20.0 dBFS"]);
    assert!(serde_json::from_str::<serde_json::Value>(&outcome.stdout).is_err(), "{}", outcome.stdout);
}
