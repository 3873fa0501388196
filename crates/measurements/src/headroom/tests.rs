//! Headroom on made-up sources whose last clean step is known.

use std::f64::consts::PI;

use dsp::noise::WhiteNoise;
use measure::{Block, Cell, Measurement, ParameterValue, Parameters, Reading, Start};
use testkit::near;

use super::Headroom;

/// A source under test: what it does to a sine of a peak amplitude.
struct Source {
    sample_rate_hz: f64,
    frequency_hz: f64,
    /// Level of each step in dB re the clip level, and its length in seconds.
    steps: Vec<(f64, f64)>,
    /// Silence before each step but the first.
    mute_s: f64,
    shape: Box<dyn Fn(f64) -> f64>,
    /// The recorded amplitude of the source's clip level.
    gain: f64,
    /// Frequency and recorded amplitude of hum, with half of it an octave up.
    hum: (f64, f64),
    noise: f64,
}

impl Source {
    fn new(steps: Vec<(f64, f64)>) -> Self {
        Self {
            sample_rate_hz: 48_000.0,
            frequency_hz: 1_000.07,
            steps,
            mute_s: 0.0,
            shape: Box::new(|x| x.clamp(-1.0, 1.0)),
            gain: 0.5,
            hum: (50.0, 0.0),
            noise: 3e-5,
        }
    }

    /// Equal steps of `step_db`, the last clean one being number `clean` of `count`,
    /// `below_db` under the clip level.
    fn equal(step_db: f64, count: i32, clean: i32, below_db: f64) -> Self {
        Self::new((1..=count).map(|n| (f64::from(n - clean) * step_db - below_db, 0.8)).collect())
    }

    fn shaped(mut self, shape: impl Fn(f64) -> f64 + 'static) -> Self {
        self.shape = Box::new(shape);
        self
    }

    fn samples(&self) -> Vec<f32> {
        let rate = self.sample_rate_hz;
        let mut noise = WhiteNoise::new(5);
        let mut out = Vec::new();
        let mut push = |source: f64, out: &mut Vec<f32>| {
            let t = out.len() as f64 / rate;
            let turn = 2.0 * PI * self.hum.0 * t;
            let hum = self.hum.1 * (turn.sin() + 0.5 * (2.0 * turn + 1.0).sin());
            out.push((self.gain * source + hum + self.noise * noise.sample()).clamp(-1.0, 1.0) as f32);
        };
        for _ in 0..(0.5 * rate) as usize {
            push(0.0, &mut out);
        }
        for (index, (level_db, seconds)) in self.steps.iter().enumerate() {
            if index > 0 {
                (0..(self.mute_s * rate) as usize).for_each(|_| push(0.0, &mut out));
            }
            let amplitude = 10f64.powf(level_db / 20.0);
            for _ in 0..(seconds * rate) as usize {
                let phase = 2.0 * PI * self.frequency_hz * out.len() as f64 / rate;
                push((self.shape)(amplitude * phase.sin()), &mut out);
            }
        }
        for _ in 0..(0.3 * rate) as usize {
            push(0.0, &mut out);
        }
        out
    }

    fn reading(&self) -> Reading {
        self.reading_with(Parameters::default())
    }

    fn reading_with(&self, parameters: Parameters) -> Reading {
        let mut measurement = Headroom::default();
        let mut start =
            Start { sample_rate_hz: self.sample_rate_hz, channels: 1, parameters, ..Start::default() };
        start.calibration.volts_per_fs = Some(8.0);
        measurement.start(&start).unwrap();
        let mut first_frame = 0;
        for block in self.samples().chunks(1_024) {
            measurement.feed(&Block { first_frame, channels: &[block], gap: false });
            first_frame += block.len() as u64;
        }
        let reading = measurement.finish();
        assert_eq!(reading.check(), Ok(()));
        reading
    }
}

#[track_caller]
fn expect(what: &str, reading: &Reading, clean: f64, first_clipped: Option<f64>) {
    assert_eq!(reading.values.get("clean_step"), Some(&clean), "{what}: {reading:#?}");
    assert_eq!(reading.values.get("first_clipped_step").copied(), first_clipped, "{what}: {reading:#?}");
}

fn has(reading: &Reading, code: &str) -> bool {
    reading.findings.iter().any(|finding| finding.code == code)
}

/// Hard clipping, both-sided and one-sided, for all sizes of step, at both tones; the
/// clean step just under the clip level, and the next one 0.25 dB over it or more.
#[test]
fn hard_clipping_at_every_size_of_step() {
    for step_db in [0.3, 0.5, 1.0, 2.0, 3.0] {
        for (frequency_hz, rate) in [(1_000.0, 48_000.0), (40.0, 48_000.0), (1_000.2, 44_100.0)] {
            let mut source = Source::equal(step_db, 12, 8, 0.02);
            (source.frequency_hz, source.sample_rate_hz) = (frequency_hz, rate);
            let what = format!("{step_db} dB at {frequency_hz} Hz");
            let reading = source.reading();
            expect(&what, &reading, 8.0, Some(9.0));
            assert_eq!(reading.tables["steps"].rows.len(), 12, "{what}");
            let level = -0.02 + 20.0 * 0.5f64.log10();
            near(&what, reading.values["clean_level_dbfs"], level, 0.01);
            near(&what, reading.values["clean_level_v"], 8.0 * 10f64.powf(level / 20.0) / 2f64.sqrt(), 0.01);
            let one_sided = source.shaped(|x| x.min(1.0));
            expect(&format!("one-sided, {what}"), &one_sided.reading(), 8.0, Some(9.0));
        }
    }
}

/// The smallest overdrive that the waveform's corner gives away: THD is then
/// far under the limit of 1 %.
#[test]
fn a_clip_that_just_begins_is_no_clean_step() {
    for over_db in [0.05, 0.1, 0.15, 0.2] {
        let source = Source::equal(1.0, 12, 8, 1.0 - over_db);
        expect(&format!("{over_db} dB over"), &source.reading(), 8.0, Some(9.0));
    }
}

/// Soft clipping: the last step with less than 1 % THD, found by the series of tanh:
/// 1 % is reached at a drive of −9.08 dB (computed with numpy).
#[test]
fn soft_clipping() {
    for step_db in [0.5, 1.0, 2.0] {
        let source = Source::equal(step_db, 12, 7, 9.2).shaped(f64::tanh);
        expect(&format!("{step_db} dB"), &source.reading(), 7.0, Some(8.0));
    }
}

/// A source that always has 0.3 % (second and third harmonic) is not clipped for it.
#[test]
fn constant_residual_distortion() {
    let colour = |x: f64| x.clamp(-1.0, 1.0);
    for step_db in [0.3, 1.0, 3.0] {
        let mut source = Source::equal(step_db, 12, 8, 0.02);
        // The residual stands in a fixed ratio to the fundamental at any level.
        let steps = source.steps.clone();
        let rate = source.sample_rate_hz;
        let f0 = source.frequency_hz;
        source = source.shaped(colour);
        let mut samples = source.samples();
        let mut n = (0.5 * rate) as usize;
        for (level_db, seconds) in steps {
            let fundamental = 0.5 * 10f64.powf(level_db.min(0.0) / 20.0);
            for _ in 0..(seconds * rate) as usize {
                let phase = 2.0 * PI * f0 * n as f64 / rate;
                samples[n] +=
                    (fundamental * 0.0021 * ((2.0 * phase).sin() + (3.0 * phase + 0.4).sin())) as f32;
                n += 1;
            }
        }
        let mut measurement = Headroom::default();
        measurement.start(&Start { sample_rate_hz: rate, channels: 1, ..Start::default() }).unwrap();
        measurement.feed(&Block { first_frame: 0, channels: &[&samples], gap: false });
        expect(&format!("{step_db} dB"), &measurement.finish(), 8.0, Some(9.0));
    }
}

/// Hum 40 dB under the clip level, at 50 and 60 Hz, beside both tones.
#[test]
fn hum_is_not_clipping() {
    for hum_hz in [50.0, 60.0] {
        for frequency_hz in [1_000.0, 40.0] {
            for step_db in [0.3, 1.0, 3.0] {
                let mut source = Source::equal(step_db, 12, 8, 0.02);
                source.frequency_hz = frequency_hz;
                source.hum = (hum_hz, 0.004);
                expect(
                    &format!("{hum_hz} Hz beside {frequency_hz} Hz, {step_db} dB"),
                    &source.reading(),
                    8.0,
                    Some(9.0),
                );
            }
        }
    }
}

/// A quiet recording: the second harmonic of 60 Hz hum falls on the third of 40 Hz, and
/// is more than 1 % of the tone at every step.
#[test]
fn hum_on_the_tones_own_harmonic() {
    let mut source = Source::equal(1.0, 12, 8, 0.02);
    (source.frequency_hz, source.gain, source.hum) = (40.0, 0.1, (60.0, 0.003));
    let reading = source.reading();
    expect("quiet", &reading, 8.0, Some(9.0));
    assert!(has(&reading, "hum-taken-off"));
}

/// Hum of the tone's own frequency, before it begins, is no volume step.
#[test]
fn hum_at_the_tones_own_frequency() {
    let mut source = Source::equal(1.5, 11, 7, 0.3);
    (source.frequency_hz, source.hum) = (60.0, (60.0, 0.003));
    expect("60 Hz", &source.reading(), 7.0, Some(8.0));
}

/// Steps 5 and 9 of 12 pass in 0.12 s: they count, have no row, and are named.
#[test]
fn steps_that_pass_too_quickly() {
    for frequency_hz in [1_000.0, 40.0] {
        let mut source = Source::equal(1.0, 12, 10, 0.02);
        source.frequency_hz = frequency_hz;
        source.steps[4].1 = 0.15;
        source.steps[8].1 = 0.2;
        let reading = source.reading();
        expect(&format!("{frequency_hz} Hz"), &reading, 10.0, Some(11.0));
        assert!(has(&reading, "step-skipped"));
        let numbers: Vec<&Cell> = reading.tables["steps"].rows.iter().map(|row| &row[0]).collect();
        assert_eq!(numbers.len(), 10);
        assert!(!numbers.contains(&&Cell::Number(5.0)) && !numbers.contains(&&Cell::Number(9.0)));
    }
}

#[test]
fn a_mute_between_steps_is_no_step() {
    for mute_s in [0.03, 0.2, 0.6] {
        let mut source = Source::equal(1.0, 12, 8, 0.3);
        source.mute_s = mute_s;
        expect(&format!("mute of {mute_s} s"), &source.reading(), 8.0, Some(9.0));
    }
}

#[test]
fn going_down_again_changes_nothing() {
    let mut source = Source::equal(1.0, 10, 8, 0.3);
    let down: Vec<(f64, f64)> = source.steps[4..9].iter().rev().copied().collect();
    source.steps.extend(down);
    let reading = source.reading();
    expect("down", &reading, 8.0, Some(9.0));
    assert!(has(&reading, "went-down"));
    assert_eq!(reading.tables["steps"].rows.len(), 10);
    // A pause in the middle: down two steps and up again.
    let mut source = Source::equal(1.0, 6, 8, 0.3);
    source.steps.extend([
        (-4.3, 0.8),
        (-5.3, 0.8),
        (-4.3, 0.8),
        (-3.3, 0.8),
        (-2.3, 0.8),
        (-1.3, 0.8),
        (-0.3, 0.8),
        (0.7, 0.8),
    ]);
    expect("down and up", &source.reading(), 8.0, Some(9.0));
}

#[test]
fn a_source_that_never_clips() {
    let source = Source::equal(1.0, 12, 14, 0.0);
    let reading = source.reading();
    expect("never", &reading, 12.0, None);
    assert!(has(&reading, "never-clipped"));
}

/// A limiter that holds the level without distortion, ideal and at a ratio of 10:1.
#[test]
fn a_limiter_that_holds_the_level() {
    for (step_db, ratio) in [(1.0, 10.0), (0.5, 10.0), (2.0, 20.0), (1.0, f64::INFINITY)] {
        let mut source = Source::equal(step_db, 12, 8, 0.5 * step_db);
        for step in &mut source.steps {
            step.0 = if step.0 > 0.0 { step.0 / ratio } else { step.0 };
        }
        let reading = source.shaped(|x| x).reading();
        expect(&format!("{step_db} dB, {ratio}:1"), &reading, 8.0, Some(9.0));
        assert!(has(&reading, "level-held"));
    }
}

#[test]
fn a_recorder_that_clips_is_refused() {
    let mut source = Source::equal(1.0, 12, 14, 0.0);
    source.gain = 2.0;
    let reading = source.reading();
    assert_eq!(reading.stopped().map(|finding| finding.code.as_str()), Some("recorder-clips"));
    assert!(!reading.values.contains_key("clean_step"));
    // A source that clips first is judged, even if the recorder clips later on.
    let mut source =
        Source::equal(1.0, 14, 6, 0.1).shaped(|x| x.clamp(-1.0, 1.0) * (1.0 + 0.1 * x.abs().max(1.0)));
    source.gain = 0.8;
    expect("source first", &source.reading(), 6.0, Some(7.0));
}

/// A source whose numbers run over the end of their scale was "never clipped", or lost ten
/// good steps because its third harmonic was taken for the tone.
#[test]
fn a_digital_overflow_is_no_clean_step() {
    let wrapped = |x: f64| (x + 1.0).rem_euclid(2.0) - 1.0;
    for (frequency_hz, rate) in [(40.0, 48_000.0), (1_000.2, 44_100.0), (1_000.0, 48_000.0)] {
        for step_db in [0.7, 3.0] {
            for mute_s in [0.0, 0.2] {
                let mut source = Source::equal(step_db, 10, 8, 0.1).shaped(wrapped);
                (source.frequency_hz, source.sample_rate_hz, source.mute_s) = (frequency_hz, rate, mute_s);
                let reading = source.reading();
                let what = format!("{step_db} dB, {frequency_hz} Hz, mutes of {mute_s} s");
                expect(&what, &reading, 8.0, Some(9.0));
                assert!(has(&reading, "overflow"), "{what}: {:?}", reading.findings);
            }
        }
    }
}

/// A loud noise that is followed by higher steps is none.
#[test]
fn a_loud_noise_between_steps_is_no_overflow() {
    let mut source = Source::equal(1.0, 12, 8, 0.3);
    source.mute_s = 0.6;
    let mut samples = source.samples();
    let mut noise = WhiteNoise::new(9);
    let first = (0.5 + 4.0 * 1.4 + 0.82) * source.sample_rate_hz;
    for x in &mut samples[first as usize..(first + 0.55 * source.sample_rate_hz) as usize] {
        *x = (0.25 * noise.sample()) as f32;
    }
    let mut measurement = Headroom::default();
    measurement.start(&Start { sample_rate_hz: 48_000.0, channels: 1, ..Start::default() }).unwrap();
    measurement.feed(&Block { first_frame: 0, channels: &[&samples], gap: false });
    expect("a drill", &measurement.finish(), 8.0, Some(9.0));
}

/// A knob turned two or three steps within a tenth of a second shifted every later number,
/// and nothing was said.
#[test]
fn several_steps_at_once_are_counted_and_told() {
    for (frequency_hz, step_db) in [(40.0, 2.0), (40.0, 1.0), (1_000.0, 2.0), (1_000.0, 0.5)] {
        for (at, missed) in [(5, 2), (9, 1)] {
            let mut source = Source::equal(step_db, 13, 11, 0.2 * step_db);
            source.frequency_hz = frequency_hz;
            source.steps.drain(at..at + missed);
            let reading = source.reading();
            let what = format!("{missed} steps after {at} of {step_db} dB at {frequency_hz} Hz");
            expect(&what, &reading, 11.0, Some(12.0));
            assert!(has(&reading, "steps-jumped"), "{what}: {:?}", reading.findings);
        }
    }
}

/// The same where only three rises are there to say what a step is.
#[test]
fn steps_at_once_are_counted_by_three_rises() {
    let mut source = Source::equal(3.0, 8, 6, 0.6);
    source.steps.remove(4);
    let reading = source.reading();
    expect("one step at once", &reading, 6.0, Some(7.0));
    assert!(has(&reading, "steps-jumped"), "{:?}", reading.findings);
}

/// A control that is coarse below and fine above has no missing steps.
#[test]
fn a_control_whose_steps_become_finer_misses_none() {
    let gains = [3.0, 3.0, 3.0, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5];
    let mut level = -0.02 - gains[..7].iter().sum::<f64>();
    let mut steps = vec![(level, 0.7)];
    for gain in gains {
        level += gain;
        steps.push((level, 0.7));
    }
    let reading = Source::new(steps).reading();
    expect("finer", &reading, 8.0, Some(9.0));
    assert!(!has(&reading, "steps-jumped"), "{:?}", reading.findings);
}

/// A limiter that begins within a step takes a part of it only, and nothing after it shows.
#[test]
fn a_limiter_within_the_last_step() {
    for (step_db, part) in [(1.5, 0.92), (1.0, 0.9), (2.0, 0.5), (1.0, 0.2)] {
        let mut source = Source::equal(step_db, 8, 8, 0.0);
        source.steps.push((part * step_db, 0.8));
        let reading = source.shaped(|x| x).reading();
        expect(&format!("{part} of {step_db} dB"), &reading, 8.0, Some(9.0));
        assert!(has(&reading, "level-held"));
    }
}

#[test]
fn uneven_steps() {
    let gains = [3.0, 0.4, 2.2, 1.0, 0.3, 1.7, 0.6, 2.9, 0.5];
    let mut level = -0.02 - gains[..7].iter().sum::<f64>();
    let mut steps = vec![(level, 0.7)];
    for gain in gains {
        level += gain;
        steps.push((level, 0.7));
    }
    expect("uneven", &Source::new(steps).reading(), 8.0, Some(9.0));
}

#[test]
fn steps_are_numbered_from_the_first() {
    let mut parameters = Parameters::default();
    parameters.set("first_step", ParameterValue::Number(25.0));
    let reading = Source::equal(1.0, 8, 6, 0.2).reading_with(parameters);
    expect("numbered", &reading, 30.0, Some(31.0));
}

#[test]
fn silence_and_noise_hold_no_tone() {
    for noise in [0.0, 0.1] {
        let mut source = Source::new(vec![(-200.0, 2.0)]);
        source.noise = noise;
        let reading = source.reading();
        assert_eq!(reading.stopped().map(|finding| finding.code.as_str()), Some("no-tone"));
    }
}

/// Hum that sounds before the tone is not taken for it.
#[test]
fn hum_before_the_tone() {
    let mut source = Source::equal(1.0, 12, 8, 0.02);
    source.hum = (50.0, 0.05);
    expect("strong hum", &source.reading(), 8.0, Some(9.0));
}
