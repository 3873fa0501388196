//! Files for a memory stick against what the bands must do.

use std::path::PathBuf;

use ::tuning::{Band, BandKind, bands_db};
use dsp::weighting::Weighting;
use job::ChannelSetting;
use testkit::{at_most, near};

use super::*;

const RATE_HZ: u32 = 44_100;

struct Shelf(tempfile::TempDir);

impl Shelf {
    fn new() -> Self {
        Self(tempfile::tempdir().expect("a folder"))
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn recording(&self, sample: impl Fn(usize) -> f32, seconds: f64) -> PathBuf {
        let path = self.path("song.wav");
        let row: Vec<f32> = (0..(seconds * f64::from(RATE_HZ)) as usize).map(sample).collect();
        let audio = Audio::new(RATE_HZ, vec![row.clone(), row]);
        recording::write_wav(&path, &audio, Depth::Float32, 1).expect("it is written");
        path
    }

    fn order(&self, recording: Option<PathBuf>) -> PreviewOrder {
        PreviewOrder { recording, ..PreviewOrder::default() }
    }

    /// What is in the file, and what is said of it.
    fn write(&self, order: &PreviewOrder) -> (Vec<Vec<f64>>, PreviewReport) {
        self.write_of(&tuning(), order)
    }

    fn write_of(&self, tuning: &PreviewTuning, order: &PreviewOrder) -> (Vec<Vec<f64>>, PreviewReport) {
        let out = self.path("out.wav");
        let report = preview_file(tuning, order, &out, 24).expect("it is written");
        let audio = recording::read(&out).expect("it is read");
        assert_eq!(audio.sample_rate_hz, report.sample_rate_hz);
        let rows = audio.channels.iter().map(|row| row.iter().map(|&x| f64::from(x)).collect());
        (rows.collect(), report)
    }

    fn both(&self, order: &PreviewOrder) -> [(Vec<Vec<f64>>, PreviewReport); 2] {
        [true, false].map(|without| self.write(&PreviewOrder { without, ..order.clone() }))
    }
}

/// The bands that reach a side.
fn bands(left: bool) -> Vec<Band> {
    let mut bands = vec![Band::peak(80.0, -6.0, 2.0), Band::peak(1_000.0, 5.0, 1.4)];
    if left {
        bands.push(Band { kind: BandKind::HighShelf, ..Band::peak(6_000.0, -3.0, 0.7) });
    }
    bands
}

/// The same as a tuning: two bands for both sides, one for the left.
fn tuning() -> PreviewTuning {
    let mut all: Vec<(String, Band)> = bands(false).into_iter().map(|band| (String::new(), band)).collect();
    all.extend(bands(true).pop().map(|band| ("left".to_owned(), band)));
    PreviewTuning { bands: all, ..PreviewTuning::default() }
}

fn tone(n: usize) -> f32 {
    (0.4 * (std::f64::consts::TAU * 700.0 * n as f64 / f64::from(RATE_HZ)).sin()) as f32
}

/// Source: analytic: the quotient of the spectra is the bands' own response, less the gain that
/// matches the levels, at each side. A click has the same power at each frequency. The dither of 24
/// bits, 0.5 steps RMS on each of 132,300 samples, is 2e-5 against it: 0.001 dB with a margin of six.
#[test]
fn the_file_holds_what_the_bands_do_less_what_matches_the_levels() {
    let shelf = Shelf::new();
    let click = shelf.recording(|n| if n == 66_000 { 0.5 } else { 0.0 }, 3.0);
    let [(plain, _), (with, report)] = shelf.both(&shelf.order(Some(click)));
    assert_eq!((report.bands, report.sample_rate_hz, report.switched), (3, RATE_HZ, 0));
    assert!(report.matched_db < -0.3, "the ear hears 1 kHz most: {} dB", report.matched_db);
    let grid = dsp::response::log_grid(25.0, 20_000.0, 24.0);
    for (side, is_left) in [(0, true), (1, false)] {
        let spectrum = |row: &[f64]| dsp::fft::rfft(row, row.len());
        let (plain, with) = (spectrum(&plain[side]), spectrum(&with[side]));
        let bin_hz = f64::from(RATE_HZ) / 132_300.0;
        for hz in &grid {
            let bin = (hz / bin_hz).round() as usize;
            let got_db = 20.0 * (with[bin].norm() / plain[bin].norm()).log10();
            let wanted_db = bands_db(&bands(is_left), &[bin as f64 * bin_hz], f64::from(RATE_HZ))[0];
            near(&format!("{hz:.0} Hz"), got_db, wanted_db + report.matched_db, 0.01);
        }
    }
}

/// Source: IEC 61672-1 for the weighting; analytic: a whole period of the noise, long after the
/// beginning, has lines of known power and no leakage. The two integrals differ by how they take
/// their points: 480 over frequency against each line; a hundredth of a decibel covers it.
#[test]
fn with_the_bands_pink_noise_is_as_loud_as_without() {
    let shelf = Shelf::new();
    let order = PreviewOrder { seconds: Some(61.0), ..shelf.order(None) };
    let [(plain, first), (with, report)] = shelf.both(&order);
    near("peak without", first.peak_dbfs, LOUDEST_DBFS, 1e-4);
    near("the same said with", report.peak_dbfs, LOUDEST_DBFS, 1e-4);
    let period = dsp::noise::periodic_len(20 * 48_000);
    let loudness_db = |rows: &[Vec<f64>]| {
        let power: f64 = rows.iter().map(|row| a_weighted_power(&row[period..2 * period])).sum();
        10.0 * power.log10()
    };
    near("louder with bands", loudness_db(&with) - loudness_db(&plain), 0.0, 0.01);
    at_most("no match is no news", 0.3, report.matched_db.abs());
}

fn a_weighted_power(period: &[f64]) -> f64 {
    let bin_hz = 48_000.0 / period.len() as f64;
    let spectrum = dsp::fft::rfft(period, period.len());
    let lines = spectrum.iter().enumerate().skip(1);
    lines.map(|(bin, line)| line.norm_sqr() * 10f64.powf(Weighting::A.db(bin as f64 * bin_hz) / 10.0)).sum()
}

/// Source: analytic: the second difference of a sine is at most `A·(2π f/fs)²`; a hard change of
/// several decibels at its crest would be a step of a large part of the amplitude.
#[test]
fn in_turn_both_are_heard_without_a_click() {
    let shelf = Shelf::new();
    let song = shelf.recording(tone, 9.0);
    let order = PreviewOrder { every_s: Some(2.0), ..shelf.order(Some(song.clone())) };
    let (both, report) = shelf.write(&PreviewOrder { without: true, ..order.clone() });
    assert_eq!((report.switched, report.file.as_ref().map(|file| file.holds)), (4, Some("both")));
    let [(plain, _), (with, _)] = shelf.both(&PreviewOrder { every_s: None, ..order });
    let frames = |seconds: f64| (seconds * f64::from(RATE_HZ)) as usize;
    for side in 0..2 {
        let peak = plain[side].iter().chain(&with[side]).fold(0.0_f64, |peak, x| peak.max(x.abs()));
        let smooth = peak * (std::f64::consts::TAU * 700.0 / f64::from(RATE_HZ)).powi(2);
        let rough =
            |row: &[f64]| row.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).fold(0.0, f64::max);
        at_most("second difference", rough(&both[side]), 1.02 * smooth);
        let at = frames(4.0003);
        let hard: Vec<f64> = plain[side][..at].iter().chain(&with[side][at..]).copied().collect();
        assert!(rough(&hard) > 5.0 * smooth, "a hard change is rougher: {} {smooth}", rough(&hard));
        // A second after each change it is what it would be alone.
        for (second, alone) in [(1.0, &plain), (3.0, &with), (5.0, &plain), (7.0, &with)] {
            let stretch = frames(second)..frames(second + 0.9);
            testkit::all_near("alone", &both[side][stretch.clone()], &alone[side][stretch], 1e-5);
        }
    }
}

#[test]
fn a_loud_recording_with_boosts_does_not_clip_and_both_are_lowered_alike() {
    let shelf = Shelf::new();
    let mut order = shelf.order(Some(shelf.recording(|n| (2.5 * tone(n)).clamp(-1.0, 1.0), 3.0)));
    let [(plain, without), (with, report)] = shelf.both(&order);
    let peak_db =
        |rows: &[Vec<f64>]| 20.0 * rows.iter().flatten().fold(0.0_f64, |peak, x| peak.max(x.abs())).log10();
    let file = |report: &PreviewReport| report.file.clone().expect("a file");
    near("the louder of the two", peak_db(&with).max(peak_db(&plain)), HIGHEST_DBFS, 1e-3);
    near("both alike", file(&without).lowered_db, file(&report).lowered_db, 1e-9);
    at_most("something was taken off", 1.0, file(&report).lowered_db);
    near("what is said of the peak", file(&report).peak_dbfs, peak_db(&with), 1e-3);
    near("and of that without", report.peak_dbfs, peak_db(&plain), 1e-3);
    order.level_dbfs = Some(-20.0);
    let [(plain, without), _] = shelf.both(&order);
    near("as was asked for", peak_db(&plain), -20.0, 1e-3);
    near("nothing taken off", file(&without).lowered_db, 0.0, 0.0);
}

/// Source: arithmetic: a delay of a millisecond and −6.0206 dB on one side, with the bands and
/// without.
#[test]
fn channels_are_heard_as_well() {
    let shelf = Shelf::new();
    let channel = |name: &str| ChannelSetting {
        channel: name.to_owned(),
        delay_s: 0.001,
        gain_db: -6.020_6,
        ..ChannelSetting::default()
    };
    let tuning = PreviewTuning {
        bands: vec![(String::new(), Band::peak(1_000.0, -4.0, 2.0))],
        channels: vec![channel("right"), channel("sub")],
        car: None,
        ..PreviewTuning::default()
    };
    let click = shelf.recording(|n| if n == 22_050 { 0.4 } else { 0.0 }, 1.0);
    let order = PreviewOrder { without: true, ..shelf.order(Some(click)) };
    let (plain, report) = shelf.write_of(&tuning, &order);
    near("left", plain[0][22_050], 0.4, 1e-6);
    near("right, 44 samples later", plain[1][22_094], 0.2, 1e-6);
    let codes: Vec<&str> = report.findings.iter().map(|finding| finding.code.as_str()).collect();
    assert_eq!(codes, ["channel-not-heard"], "{:?}", report.findings);
    assert!(report.findings[0].text.contains("sub"), "{:?}", report.findings);
}

#[test]
fn what_cannot_be_written_is_refused_and_leaves_nothing() {
    let shelf = Shelf::new();
    let song = shelf.recording(tone, 1.0);
    let order = shelf.order(Some(song.clone()));
    let refused = |order: &PreviewOrder, out: &Path, bits: u16| {
        preview_file(&tuning(), order, out, bits).expect_err("refused").to_string()
    };
    let before = std::fs::read(&song).expect("it is there");
    assert!(refused(&order, &song, 16).contains("never overwritten"));
    assert_eq!(std::fs::read(&song).expect("it is there"), before);
    assert!(refused(&order, &shelf.path("out.mp3"), 16).contains(".wav or .flac"));
    assert!(refused(&order, &shelf.path("out.wav"), 20).contains("16 or 24"));
    let audio = Audio::new(RATE_HZ, vec![vec![0.1; 100]; 3]);
    let wide = shelf.path("wide.wav");
    recording::write_wav(&wide, &audio, Depth::Int16, 1).expect("it is written");
    assert!(refused(&shelf.order(Some(wide)), &shelf.path("out.wav"), 16).contains("3 channels"));
    let slow = Audio::new(8_000, vec![vec![0.1; 100]; 2]);
    let slow_path = shelf.path("slow.wav");
    recording::write_wav(&slow_path, &slow, Depth::Int16, 1).expect("it is written");
    assert!(refused(&shelf.order(Some(slow_path)), &shelf.path("out.wav"), 16).contains("6000 Hz"));
    let long = Audio::new(8_000, vec![vec![0.1; 8_000 * 601]]);
    let long_path = shelf.path("long.wav");
    recording::write_wav(&long_path, &long, Depth::Int16, 1).expect("it is written");
    let order = shelf.order(Some(long_path));
    assert!(refused(&order, &shelf.path("out.wav"), 16).contains("longer than the 600 seconds"));
    let order = PreviewOrder { seconds: Some(601.0), ..order };
    assert!(refused(&order, &shelf.path("out.wav"), 16).contains("--seconds 601: a file lasts 600"));
    assert!(!shelf.path("out.wav").exists());
}
