//! Recordings made from analytic systems, with clocks, noise and faults.

use std::f64::consts::PI;

use dsp::noise::WhiteNoise;
use dsp::response::interpolate_log;
use measure::{Block, CalibrationCurve, Measurement, ParameterValue, Signal, Stimulus};
use testkit::{at_most, budgeted, near};

use super::*;
use crate::signals::render;

/// How a recording is made from a track.
#[derive(Clone)]
struct Recording {
    track: Stimulus,
    rate: f64,
    ppm: f64,
    start_s: f64,
    gain: f64,
    snr_db: f64,
    system: fn(f64) -> f64,
}

fn of(name: &str) -> Recording {
    Recording {
        track: track(name).unwrap(),
        rate: 48_000.0,
        ppm: 0.0,
        start_s: 0.7,
        gain: 1.0,
        snr_db: f64::INFINITY,
        system: |x| x,
    }
}

impl Recording {
    /// The track played on one clock and recorded on another: rendering at the
    /// recorder's rate in the player's seconds is exact, no resampler is involved.
    fn samples(&self) -> Vec<f32> {
        let played = render(&self.track, self.rate * (1.0 + self.ppm * 1e-6));
        let loud = played.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>();
        let sounding = played.iter().filter(|x| **x != 0.0).count() as f64;
        let sigma = self.gain.abs() * (loud / sounding).sqrt() * 10f64.powf(-self.snr_db / 20.0);
        let mut noise = WhiteNoise::new(11);
        let lead = (self.start_s * self.rate).round() as usize;
        std::iter::repeat_n(0.0, lead)
            .chain(played.iter().map(|x| f64::from(*x)))
            .chain(std::iter::repeat_n(0.0, (0.5 * self.rate) as usize))
            .map(|x| ((self.system)(x * self.gain) + sigma * noise.sample()) as f32)
            .collect()
    }

    fn start(&self) -> Start {
        let parameters = SweepMeasurement::default().manifest().defaults();
        Start {
            sample_rate_hz: self.rate,
            channels: 1,
            stimulus: Some(self.track.clone()),
            parameters,
            ..Start::default()
        }
    }

    fn reading(&self) -> Reading {
        read(&self.start(), &[&self.samples()])
    }
}

fn read(start: &Start, channels: &[&[f32]]) -> Reading {
    let mut measurement = SweepMeasurement::default();
    measurement.start(start).unwrap();
    let frames = channels[0].len();
    for first in (0..frames).step_by(4096) {
        let part: Vec<&[f32]> = channels.iter().map(|c| &c[first..(first + 4096).min(frames)]).collect();
        measurement.feed(&Block { first_frame: first as u64, channels: &part, gap: false });
    }
    let reading = measurement.finish();
    assert_eq!(reading.check(), Ok(()));
    reading
}

fn code(reading: &Reading) -> &str {
    reading.stopped().map_or("", |finding| &finding.code)
}

fn level_at(reading: &Reading, curve: &str, at: &[f64]) -> Vec<f64> {
    let curve = &reading.curves[curve];
    interpolate_log(&curve["frequency_hz"], &curve["magnitude_db"], at)
}

/// Source: analytic; a wire. Bars: 0 ± 0.01 dB from 20 Hz to 20 kHz, clock 0.5 ppm.
#[test]
fn a_wire_reads_zero_decibels() {
    let reading = of("sweep-full").reading();
    assert_eq!(code(&reading), "");
    let curve = &reading.curves["response"];
    let levels = curve["frequency_hz"].iter().zip(&curve["magnitude_db"]);
    let off_db = levels
        .filter(|(f, _)| (20.0..=20_000.0).contains(*f))
        .map(|(_, level)| level.abs())
        .fold(0.0, f64::max);
    let how = "a wire, 20 Hz to 20 kHz: deconvolution and window";
    budgeted("magnitude of a sweep", (off_db, 0.01, "dB"), how);
    let phase = &reading.curves["response"]["phase_deg"];
    at_most("phase", phase.iter().fold(0.0, |a: f64, p| a.max(p.abs())), 1.0);
    near("arrival", reading.values["arrival_s"], 0.7, 1e-6);
    near("clock", reading.values["clock_ppm"], 0.0, 0.01);
    assert_eq!(reading.labels["polarity"], "normal");
    at_most("valid from", reading.values["valid_from_hz"], 16.0);
    assert!(reading.values["valid_to_hz"] > 20_500.0);
}

/// Source: analytic; the bars are those of the design page: clock within 0.5 ppm at
/// 30 dB SNR and better, magnitude within 0.1 dB where the noise allows (a third of
/// an octave, 20 dB and more).
#[test]
fn the_clock_is_found_for_any_band_rate_and_polarity() {
    for (name, rate, ppm, gain, snr_db, at) in [
        ("sweep-full", 44_100.0, 300.0, -0.5, 30.0, 1000.0),
        ("sweep-full", 96_000.0, -211.3, 0.01, 40.0, 3000.0),
        ("sweep-sub", 48_000.0, -300.0, 0.3, 30.0, 60.0),
        ("sweep-mid", 48_000.0, 83.7, -0.02, 30.0, 500.0),
        ("sweep-high", 44_100.0, 12.0, 1.0, 60.0, 8000.0),
        ("sweep-sub", 8_000.0, 150.0, -1.0, 50.0, 60.0),
        ("sweep-full", 48_000.0, 123.0, 0.5, 20.0, 1000.0),
    ] {
        let mut recording = Recording { rate, ppm, gain, snr_db, start_s: 1.3, ..of(name) };
        recording.track.name = name.to_owned();
        let mut start = recording.start();
        start.parameters.set("smoothing", ParameterValue::Number(3.0));
        let reading = read(&start, &[&recording.samples()]);
        let what = format!("{name} at {rate} Hz, {ppm} ppm, {snr_db} dB");
        assert_eq!(code(&reading), "", "{what}: {:?}", reading.findings);
        near(&format!("clock of {what}"), reading.values["clock_ppm"], ppm, 0.5);
        near(
            &format!("level of {what}"),
            level_at(&reading, "response", &[at])[0],
            dsp::response::db(gain.abs()),
            0.1,
        );
        let polarity = if gain < 0.0 { "inverted" } else { "normal" };
        assert_eq!(reading.labels["polarity"], polarity, "{what}");
        // The noise is white up to half the rate; only what lies in the band counts.
        let sweep = Excitation::of(&recording.track).unwrap();
        let share = (sweep.to_hz.min(rate / 2.0) - sweep.from_hz) / (rate / 2.0);
        near(&format!("snr of {what}"), reading.values["snr_db"], snr_db - 10.0 * share.log10(), 1.0);
    }
}

/// Source: design page and check values: y = x + 0.25x² + 0.125x³ on a sine of
/// amplitude A gives H1 = 1 + 0.09375A², H2 = 0.125A, H3 = 0.03125A²; within 0.1 dB.
#[test]
fn the_cubic_gives_its_harmonics() {
    let reading =
        Recording { system: |x| x + 0.25 * x * x + 0.125 * x * x * x, ..of("sweep-full") }.reading();
    let a = dsp::response::amplitude(-6.0);
    let db = dsp::response::db;
    let at = [50.0, 100.0, 300.0, 1000.0, 2000.0];
    let mut worst_db: f64 = 0.0;
    for (curve, wanted) in
        [("response", 1.0 + 0.093_75 * a * a), ("harmonic_2", 0.125 * a), ("harmonic_3", 0.031_25 * a * a)]
    {
        for (f, level) in at.iter().zip(level_at(&reading, curve, &at)) {
            near(&format!("{curve} at {f} Hz"), level, db(wanted), 0.1);
            worst_db = worst_db.max((level - db(wanted)).abs());
        }
    }
    budgeted(
        "harmonics of a sweep",
        (worst_db, 0.1, "dB"),
        "x + 0.25x² + 0.125x³, second and third, 50 Hz to 2 kHz",
    );
    at_most("harmonic 4 at 1 kHz", level_at(&reading, "harmonic_4", &[1000.0])[0], -70.0);
}

/// A linear system 40 dB above its noise had harmonic curves at −42 to −65 dB, all of them noise.
/// Source: analytic; a linear system has none, and `x + cx²` has `c·A/2` at any frequency.
#[test]
fn harmonics_are_drawn_only_above_the_noise() {
    for name in ["sweep-full", "sweep-sub", "sweep-mid", "sweep-high"] {
        let reading = Recording { snr_db: 40.0, ..of(name) }.reading();
        let drawn: Vec<&String> = reading.curves.keys().filter(|key| key.starts_with("harmonic")).collect();
        assert!(drawn.is_empty(), "{name}: {drawn:?}");
    }
    // 29 dB over the noise in the second harmonic's own band at the least.
    let reading = Recording { snr_db: 50.0, system: |x| x + 0.02 * x * x, ..of("sweep-mid") }.reading();
    let wanted = dsp::response::db(0.01 * dsp::response::amplitude(-9.0));
    let curve = &reading.curves["harmonic_2"];
    assert!(curve["frequency_hz"].len() > 300, "{}", curve["frequency_hz"].len());
    let off: Vec<f64> = curve["magnitude_db"].iter().map(|level| (level - wanted).abs()).collect();
    at_most("nineteen of twenty errors", dsp::statistics::quantile(&off, 0.95).unwrap(), 1.0);
    assert!(!reading.curves.contains_key("harmonic_5"));
}

/// The ends of harmonic curves were up to 12 dB off, where the sweep and what carries it on are faded, and single
/// points near the noise by as much. Source: analytic, `x + cx²` has `c·A/2` at any frequency.
#[test]
fn harmonics_are_right_to_their_ends_and_near_the_noise() {
    for (name, peak_dbfs, snr_db, most_db) in [
        ("sweep-full", -6.0, f64::INFINITY, 0.3),
        ("sweep-full", -6.0, 50.0, 2.0),
        ("sweep-full", -6.0, 40.0, 2.0),
        ("sweep-sub", -6.0, f64::INFINITY, 0.3),
        ("sweep-woofer", -9.0, f64::INFINITY, 0.3),
        ("sweep-mid", -9.0, f64::INFINITY, 0.3),
    ] {
        let reading = Recording { snr_db, system: |x| x + 0.03 * x * x, ..of(name) }.reading();
        let wanted = dsp::response::db(0.015 * dsp::response::amplitude(peak_dbfs));
        let curve = &reading.curves["harmonic_2"];
        let off: Vec<f64> = curve["magnitude_db"].iter().map(|level| (level - wanted).abs()).collect();
        let what = format!("{name}, {snr_db} dB over the noise, {} points", off.len());
        at_most(&format!("{what}, nineteen of twenty"), dsp::statistics::quantile(&off, 0.95).unwrap(), 1.0);
        at_most(&format!("{what}, all"), off.iter().copied().fold(0.0, f64::max), most_db);
    }
}

/// Source: analytic; what the harmonics of a band-limited sweep do above its band.
#[test]
fn harmonics_above_the_band_of_the_sweep_are_found() {
    let reading = Recording { system: |x| x + 0.1 * x * x, ..of("sweep-sub") }.reading();
    let wanted = dsp::response::db(0.05 * dsp::response::amplitude(-6.0));
    for (f, level) in [40.0, 100.0, 200.0].iter().zip(level_at(&reading, "harmonic_2", &[40.0, 100.0, 200.0]))
    {
        near(&format!("harmonic 2 at {f} Hz"), level, wanted, 0.1);
    }
}

#[test]
fn the_microphone_is_subtracted() {
    let recording = of("sweep-mid");
    let mut start = recording.start();
    start.calibration.microphone = Some(CalibrationCurve {
        frequency_hz: vec![100.0, 1000.0],
        magnitude_db: vec![-3.0, 2.0],
        phase_deg: vec![],
    });
    let reading = read(&start, &[&recording.samples()]);
    let level = level_at(&reading, "response", &[100.0, 1000.0]);
    near("at 100 Hz", level[0], 3.0, 0.01);
    near("at 1 kHz", level[1], -2.0, 0.01);
}

/// Source: analytic; the measured channel is the reference, halved and 24 samples late.
#[test]
fn with_a_reference_the_response_is_between_the_channels() {
    let recording = Recording { ppm: 40.0, ..of("sweep-full") };
    let reference = recording.samples();
    let mut late = vec![0.0f32; 24];
    late.extend(reference[..reference.len() - 24].iter().map(|x| 0.5 * x));
    let start = Start { channels: 2, channel: 1, reference_channel: Some(0), ..recording.start() };
    let reading = read(&start, &[&reference, &late]);
    near("delay", reading.values["arrival_s"], 24.0 / 48_000.0, 1e-6);
    for level in level_at(&reading, "response", &[25.0, 1000.0, 15_000.0]) {
        near("level", level, -6.0206, 0.01);
    }
}

/// One sweep alone, and a recording used as stimulus: a response, but no clock.
#[test]
fn a_single_copy_gives_a_response_without_a_clock() {
    let excitation = Excitation::of(&track("sweep-mid").unwrap()).unwrap();
    let samples: Vec<f32> = excitation.samples(48_000.0).into_iter().map(|x| x as f32).collect();
    let signal = Signal::Samples { sample_rate_hz: 48_000.0, samples: samples.clone() };
    let duration_s = samples.len() as f64 / 48_000.0;
    let stimulus = Stimulus {
        name: "mine.wav".to_owned(),
        segments: vec![measure::Segment::of(signal, duration_s, 0.0, 0.0)],
    };
    let recording = Recording { track: stimulus, ..of("sweep-full") };
    let reading = recording.reading();
    assert_eq!(code(&reading), "");
    assert!(!reading.values.contains_key("clock_ppm"));
    assert!(reading.findings.iter().any(|finding| finding.code == "clock-unknown"));
    for level in level_at(&reading, "response", &[100.0, 1000.0, 7_000.0]) {
        near("level", level, 0.0, 0.02);
    }
    near("arrival", reading.values["arrival_s"], 0.7, 2e-6);
}

#[test]
fn what_cannot_be_measured_is_refused_with_its_reason() {
    let silent = vec![0.0f32; 700_000];
    assert_eq!(code(&read(&of("sweep-full").start(), &[&silent])), "no-signal");
    let mut noise = WhiteNoise::new(5);
    let noisy: Vec<f32> = silent.iter().map(|_| (0.1 * noise.sample()) as f32).collect();
    assert_eq!(code(&read(&of("sweep-full").start(), &[&noisy])), "not-found");
    let tone: Vec<f32> = (0..700_000).map(|i| (0.1 * i as f64).sin() as f32).collect();
    assert_eq!(code(&read(&of("sweep-full").start(), &[&tone])), "not-found");

    let recorded = Recording { snr_db: 60.0, ..of("sweep-full") };
    let samples = recorded.samples();
    let start = recorded.start();
    assert_eq!(code(&read(&start, &[&samples[..samples.len() / 2]])), "cut", "the second half is missing");
    assert_eq!(code(&read(&start, &[&samples[200_000..]])), "cut", "the first sweep has begun already");
    let loud: Vec<f32> = samples.iter().map(|x| (x * 4.0).clamp(-1.0, 1.0)).collect();
    assert_eq!(code(&read(&start, &[&loud])), "clipped");
    let mut skipped = samples.clone();
    skipped.drain(580_000..584_000);
    let mut without_marks = start.clone();
    for segment in &mut without_marks.stimulus.as_mut().unwrap().segments {
        if segment.duration_s < 0.2 {
            segment.signal = Signal::Silence;
        }
    }
    assert_eq!(code(&read(&without_marks, &[&skipped])), "copies-apart");
    assert_eq!(code(&read(&of("sweep-mid").start(), &[&samples])), "wrong-track");
}

/// A level control that turns the second copy down over its course.
#[test]
fn copies_that_disagree_are_refused() {
    let recorded = Recording { snr_db: 60.0, ..of("sweep-full") };
    let mut samples = recorded.samples();
    let second = (0.7 + 12.0) * 48_000.0;
    for (i, x) in samples.iter_mut().enumerate().skip(second as usize) {
        *x *= (1.0 - 0.9 * ((i as f64 - second) / 480_000.0).min(1.0)) as f32;
    }
    assert_eq!(code(&read(&recorded.start(), &[&samples])), "copies-disagree");
}

#[test]
fn a_gap_is_told_and_a_missing_stimulus_refused() {
    let mut measurement = SweepMeasurement::default();
    let start = Start { stimulus: None, ..of("sweep-full").start() };
    assert_eq!(measurement.start(&start).unwrap_err().code, "stimulus-missing");
    measurement.start(&of("sweep-full").start()).unwrap();
    let block = [0.1f32; 100];
    measurement.feed(&Block { first_frame: 50, channels: &[&block], gap: true });
    assert_eq!(measurement.reading().findings[0].code, "gap");
}

/// What a lossy coder does, in small: blocks of a lapped cosine transform, in each of which
/// every band is rounded to so many steps of its own RMS. Half as many steps, twice the error.
///
/// References: the transform with a sine window gives back what was put in (Princen &
/// Bradley, IEEE Trans. ASSP 34(5), 1986).
fn coded(samples: &[f32], steps: f64) -> Vec<f32> {
    const N: usize = 256;
    let angle = |n: usize, k: usize| PI / N as f64 * (n as f64 + 0.5 + N as f64 / 2.0) * (k as f64 + 0.5);
    let table: Vec<f64> = (0..N).flat_map(|k| (0..2 * N).map(move |n| angle(n, k).cos())).collect();
    let window: Vec<f64> = (0..2 * N).map(|n| (PI / (2 * N) as f64 * (n as f64 + 0.5)).sin()).collect();
    let mut out = vec![0.0f64; samples.len() + 2 * N];
    for start in (0..samples.len().saturating_sub(2 * N)).step_by(N) {
        let block: Vec<f64> = (0..2 * N).map(|n| window[n] * f64::from(samples[start + n])).collect();
        if block.iter().all(|x| x.abs() < 1e-7) {
            continue;
        }
        let mut lines: Vec<f64> =
            table.chunks(2 * N).map(|row| row.iter().zip(&block).map(|(c, x)| c * x).sum::<f64>()).collect();
        for band in lines.chunks_mut(16) {
            let rms = (band.iter().map(|x| x * x).sum::<f64>() / 16.0).sqrt().max(1e-9);
            band.iter_mut().for_each(|x| *x = (*x / rms * steps).round() * rms / steps);
        }
        for n in 0..2 * N {
            let sum: f64 = (0..N).map(|k| table[k * 2 * N + n] * lines[k]).sum();
            out[start + n] += window[n] * sum / (N as f64 / 2.0) / 2.0;
        }
    }
    // The overlapping windows squared add up to one.
    out[..samples.len()].iter().map(|x| 2.0 * *x as f32).collect()
}

/// Coarse coding is refused or doubted, fine coding and none are not.
#[test]
fn what_was_coded_coarsely_is_noticed() {
    let recorded = Recording { snr_db: 70.0, ..of("sweep-high") };
    let samples = recorded.samples();
    let codes = |samples: &[f32]| -> Vec<String> {
        let findings = read(&recorded.start(), &[samples]).findings;
        findings.into_iter().map(|f| f.code).filter(|code| code.starts_with("copies")).collect()
    };
    assert_eq!(codes(&samples), [""; 0]);
    assert_eq!(codes(&coded(&samples, 200.0)), [""; 0]);
    assert_eq!(codes(&coded(&samples, 1.0)), ["copies-differ"]);
    assert_eq!(codes(&coded(&samples, 0.25)), ["copies-disagree"]);
}
