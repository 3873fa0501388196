//! Recordings of sweep tracks with everything left to chance: when they begin, how
//! the clocks differ, the gain, the polarity, the noise, the rates and the band.

use dsp::noise::WhiteNoise;
use dsp::response::{db, interpolate_log};
use measure::{Block, Measurement, ParameterValue, Reading, Start};
use measurements::SweepMeasurement;
use measurements::signals::{render, track};
use testkit::near;

/// How many recordings are tried; their seeds count from 0.
const RECORDINGS: u64 = 8;

fn read(start: &Start, samples: &[f32]) -> Reading {
    let mut measurement = SweepMeasurement::new();
    measurement.start(start).unwrap();
    for (index, part) in samples.chunks(48_000).enumerate() {
        measurement.feed(&Block { first_frame: index as u64 * 48_000, channels: &[part], gap: false });
    }
    measurement.finish()
}

/// Source: analytic; the track is rendered in the player's seconds at the recorder's
/// rate, so clock, gain and polarity are known exactly. Bars of the design page: any
/// start, ±300 ppm, either polarity, 20 to 70 dB SNR: all are found; clock within 0.5
/// ppm at 30 dB and better; magnitude within 0.1 dB (third octaves around the middle
/// of the band, where the noise allows that from 20 dB up).
#[test]
fn recordings_left_to_chance_are_all_measured() {
    for seed in 0..RECORDINGS {
        let mut random = WhiteNoise::new(seed);
        let mut pick = |low: f64, high: f64| low + (high - low) * random.uniform();
        let (name, middle_hz) =
            [("sweep-full", 1000.0), ("sweep-sub", 60.0), ("sweep-mid", 800.0), ("sweep-high", 7000.0)]
                [pick(0.0, 3.999) as usize];
        let rate = [44_100.0, 48_000.0, 96_000.0][pick(0.0, 2.999) as usize];
        let (start_s, ppm, snr_db) = (pick(0.0, 20.0), pick(-300.0, 300.0), pick(20.0, 70.0));
        let gain = 10f64.powf(pick(-2.0, 0.0)) * if pick(0.0, 1.0) < 0.5 { -1.0 } else { 1.0 };
        let what = format!(
            "recording {seed}: {name} at {rate} Hz, {start_s:.2} s, {ppm:.1} ppm, {snr_db:.0} dB, {gain:.3}"
        );

        let mut stimulus = track(name).unwrap();
        stimulus.segments[0].duration_s += start_s;
        let played = render(&stimulus, rate * (1.0 + ppm * 1e-6));
        let loud: f64 = played.iter().map(|x| f64::from(*x).powi(2)).sum();
        let sounding = played.iter().filter(|x| **x != 0.0).count() as f64;
        let sigma = gain.abs() * (loud / sounding).sqrt() * 10f64.powf(-snr_db / 20.0);
        let samples: Vec<f32> =
            played.iter().map(|x| (f64::from(*x) * gain + sigma * random.sample()) as f32).collect();

        let mut start = Start {
            sample_rate_hz: rate,
            channels: 1,
            stimulus: track(name),
            parameters: SweepMeasurement::new().manifest().defaults(),
            ..Start::default()
        };
        start.parameters.set("smoothing", ParameterValue::Number(3.0));
        let reading = read(&start, &samples);
        assert_eq!(reading.check(), Ok(()));
        assert_eq!(reading.stopped(), None, "{what}");
        near(
            &format!("clock, {what}"),
            reading.values["clock_ppm"],
            ppm,
            if snr_db >= 30.0 { 0.5 } else { 2.0 },
        );
        let curve = &reading.curves["response"];
        let level = interpolate_log(&curve["frequency_hz"], &curve["magnitude_db"], &[middle_hz])[0];
        near(&format!("level, {what}"), level, db(gain.abs()), 0.1);
        assert_eq!(reading.labels["polarity"], if gain < 0.0 { "inverted" } else { "normal" }, "{what}");
        // Player seconds to recorder seconds.
        near(&format!("arrival, {what}"), reading.values["arrival_s"], start_s * (1.0 + ppm * 1e-6), 60e-6);
    }
}

/// Two minutes of what a listening microphone hears without any track: chords that
/// come and go, a slow gliding tone, rumble, knocks, and a voice-like buzz.
#[test]
fn other_sounds_are_not_taken_for_a_sweep() {
    let rate = 16_000.0;
    let mut random = WhiteNoise::new(77);
    let turn = 2.0 * std::f64::consts::PI;
    let mut rumble = 0.0;
    let mut notes = [220.0; 4];
    let samples: Vec<f32> = (0..(120.0 * rate) as usize)
        .map(|i| {
            let t = i as f64 / rate;
            if i % 6_000 == 0 {
                notes[(i / 6_000) % 4] = 110.0 * 2f64.powf((random.uniform() * 36.0).floor() / 12.0);
            }
            let decay = (-3.0 * (t % 0.375)).exp();
            let chord: f64 = notes
                .iter()
                .map(|f| (1..6).map(|h| (turn * f * f64::from(h) * t).sin() / f64::from(h)).sum::<f64>())
                .sum();
            let glide = (turn * 300.0 * 20.0 * ((t % 20.0) / 20.0).exp()).sin();
            rumble += 0.01 * (random.sample() - rumble);
            let knock = if i % 40_000 < 80 { random.sample() } else { 0.0 };
            let voice =
                if (t % 7.0) < 2.0 { ((120.0 * t) % 1.0 - 0.5) * (turn * 3.0 * t).sin().abs() } else { 0.0 };
            (0.05 * decay * chord
                + 0.05 * glide
                + rumble
                + 0.5 * knock
                + 0.2 * voice
                + 0.003 * random.sample()) as f32
        })
        .collect();
    for name in ["sweep-full", "sweep-sub", "sweep-mid"] {
        let start = Start { sample_rate_hz: rate, channels: 1, stimulus: track(name), ..Start::default() };
        let reading = read(&start, &samples);
        assert_eq!(reading.stopped().map(|finding| finding.code.as_str()), Some("not-found"), "{name}");
    }
}

/// Six minutes at 48 kHz with the track in the last one; time and memory are measured
/// by the bench `sweep`, here it only has to be found.
#[test]
fn a_track_late_in_a_long_recording_is_found() {
    let rate = 48_000.0;
    let mut random = WhiteNoise::new(5);
    let lead = (330.0 * rate) as usize;
    let played = render(&track("sweep-full").unwrap(), rate);
    let samples: Vec<f32> = std::iter::repeat_n(0.0, lead)
        .chain(played)
        .map(|x: f32| 0.1 * x + (0.002 * random.sample()) as f32)
        .collect();
    let start =
        Start { sample_rate_hz: rate, channels: 1, stimulus: track("sweep-full"), ..Start::default() };
    let reading = read(&start, &samples);
    assert_eq!(reading.stopped(), None);
    near("arrival", reading.values["arrival_s"], 330.0, 5e-6);
}
