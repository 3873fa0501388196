//! Whole analyses, from samples to the reading.

use measure::{Block, Measurement, Start, Stimulus};
use measurements::signals::{render, track, tracks};
use measurements::{Recogniser, built_ins};

use crate::{Work, noise, recorded};

const RATE: f64 = 48_000.0;
/// What is counted instead of timed runs at a rate at which valgrind does it in seconds.
const SHORT_RATE: f64 = 8_000.0;

fn stimulus(name: &str) -> Stimulus {
    track(name).unwrap_or_else(|| panic!("there is no track `{name}`"))
}

fn read(id: &str, start: &Start, channels: &[&[f32]]) -> f64 {
    let measurement: Option<Box<dyn Measurement>> =
        built_ins().into_iter().find(|measurement| measurement.manifest().id == id);
    let Some(mut measurement) = measurement else { panic!("there is no measurement `{id}`") };
    measurement.start(start).unwrap_or_else(|finding| panic!("{}", finding.text));
    // In blocks, as a file or a device gives them.
    for first in (0..channels[0].len()).step_by(4_096) {
        let until = (first + 4_096).min(channels[0].len());
        let parts: Vec<&[f32]> = channels.iter().map(|channel| &channel[first..until]).collect();
        measurement.feed(&Block { first_frame: first as u64, channels: &parts, gap: false });
    }
    let reading = measurement.finish();
    reading.values.values().next().copied().unwrap_or_default()
}

/// A track as it is recorded, some noise with it.
fn recording(name: &str, rate_hz: f64) -> Vec<f32> {
    let silence = |s: f64| vec![0.0; (s * rate_hz) as usize];
    let played = render(&stimulus(name), rate_hz);
    let all = silence(1.3).into_iter().chain(played).chain(silence(1.0));
    let clean: Vec<f32> = all.collect();
    let count = clean.len();
    clean.into_iter().zip(noise(count)).map(|(x, n)| 0.5 * x + (2e-4 * n) as f32).collect()
}

fn swept(name: &str, rate_hz: f64) -> Work {
    let samples = recording(name, rate_hz);
    let start = Start { sample_rate_hz: rate_hz, channels: 1, stimulus: track(name), ..Start::default() };
    Box::new(move || read("sweep", &start, &[&samples]))
}

/// A full-range sweep, twice, in half a minute.
pub(crate) fn sweep() -> Work {
    swept("sweep-full", RATE)
}

/// A subwoofer's sweep at a low rate.
pub(crate) fn sweep_short() -> Work {
    swept("sweep-sub", SHORT_RATE)
}

fn heard(seconds: usize, rate_hz: f64, tracks: Vec<Stimulus>, played: &str) -> Work {
    let frames = |seconds: usize| seconds * rate_hz as usize;
    let mut samples: Vec<f32> = noise(frames(seconds)).map(|x| (1e-3 * x) as f32).collect();
    for (slot, x) in samples[frames(12)..].iter_mut().zip(render(&stimulus(played), rate_hz)) {
        *slot += 0.3 * x;
    }
    Box::new(move || {
        let mut recogniser = Recogniser::new(rate_hz, &tracks);
        samples.chunks(1 << 18).for_each(|part| recogniser.feed(part));
        recogniser.end();
        recogniser.heard().len() as f64
    })
}

/// Ten minutes in which all tracks are looked for, with one in them.
pub(crate) fn recognition() -> Work {
    heard(600, RATE, tracks(), "sweep-mid")
}

/// A minute at a low rate in which one track is looked for.
pub(crate) fn recognition_short() -> Work {
    heard(60, SHORT_RATE, vec![stimulus("sweep-sub")], "sweep-sub")
}

/// The recogniser itself, of all standard tracks.
pub(crate) fn recogniser() -> Work {
    let tracks = tracks();
    Box::new(move || Recogniser::new(RATE, &tracks).elapsed_s())
}

/// Third-octave bands of a minute of noise.
pub(crate) fn spectrum() -> Work {
    let samples = recorded(60 * 48_000);
    let start = Start { sample_rate_hz: RATE, channels: 1, ..Start::default() };
    Box::new(move || read("spectrum", &start, &[&samples]))
}

/// The level of a minute of noise.
pub(crate) fn level() -> Work {
    let samples = recorded(60 * 48_000);
    let start = Start { sample_rate_hz: RATE, channels: 1, ..Start::default() };
    Box::new(move || read("level", &start, &[&samples]))
}

/// The transfer function of a minute of noise that comes 20 ms late.
pub(crate) fn transfer() -> Work {
    let played = recorded(60 * 48_000);
    let late: Vec<f32> =
        vec![0.0; 960].into_iter().chain(played.iter().copied()).take(played.len()).collect();
    let start = Start {
        sample_rate_hz: RATE,
        channels: 2,
        channel: 1,
        reference_channel: Some(0),
        ..Start::default()
    };
    Box::new(move || read("transfer", &start, &[&played, &late]))
}

/// Two minutes of a tone that is turned up in steps until it clips.
pub(crate) fn headroom() -> Work {
    let samples: Vec<f32> = (0..120 * 48_000)
        .zip(noise(120 * 48_000))
        .map(|(n, noise)| {
            let gain = 0.02 * 1.12f64.powi(n / (3 * 48_000));
            let tone = gain * (0.130_9 * f64::from(n)).sin();
            (tone.clamp(-0.9, 0.9) + 1e-5 * noise) as f32
        })
        .collect();
    let start = Start { sample_rate_hz: RATE, channels: 1, ..Start::default() };
    Box::new(move || read("headroom", &start, &[&samples]))
}
