//! The files that the tests bring: tones, noise, responses.

use std::f64::consts::PI;
use std::fmt::Write as _;
use std::path::Path;

use recording::WavWriter;

pub(crate) const RATE_HZ: u32 = 48_000;

/// A sine of this peak.
#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
pub(crate) fn sine(frequency_hz: f64, peak: f64, seconds: f64) -> Vec<f32> {
    let rate = f64::from(RATE_HZ);
    (0..frames(seconds))
        .map(|n| (peak * (2.0 * PI * frequency_hz * f64::from(n) / rate).sin()) as f32)
        .collect()
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few seconds")]
fn frames(seconds: f64) -> u32 {
    (seconds * f64::from(RATE_HZ)).round() as u32
}

/// Writes channels as a 32-bit float WAV.
pub(crate) fn write_wav(path: &Path, rate_hz: u32, channels: &[Vec<f32>]) {
    let mut writer = WavWriter::create(path, rate_hz, u16::try_from(channels.len()).unwrap()).unwrap();
    let frames = channels[0].len();
    let interleaved: Vec<f32> =
        (0..frames).flat_map(|frame| channels.iter().map(move |channel| channel[frame])).collect();
    writer.write(&interleaved).unwrap();
    writer.finish().unwrap();
}

/// A response as the CSV of the contract, 48 points an octave from 20 Hz to 20 kHz.
pub(crate) fn response_csv(magnitude_db: impl Fn(f64) -> f64) -> String {
    let mut text = "frequency_hz,magnitude_db\n".to_owned();
    for index in 0..=478 {
        let frequency = 20.0 * (f64::from(index) / 48.0).exp2();
        writeln!(text, "{frequency},{}", magnitude_db(frequency)).unwrap();
    }
    text
}

/// The rows of a CSV without its header and comments.
pub(crate) fn rows(csv: &str) -> Vec<Vec<f64>> {
    csv.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.trim().parse().expect("a number")).collect())
        .collect()
}
