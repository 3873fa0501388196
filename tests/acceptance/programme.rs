//! Two channels of music, and drivers recorded one after the other without a common clock.

use std::f64::consts::TAU;

use dsp::noise::WhiteNoise;
use recording::read;
use testkit::{at_most, near};

use crate::material::{RATE_HZ, write_wav};
use crate::program::{Desk, column, value};

/// The arrival track as it was written, played on another clock after a wait: the left side
/// by one driver that stays, the right side by the driver under test, each with its way.
fn one_driver(desk: &Desk, ppm: f64, wait_s: f64, ways_s: (f64, f64), gain: f64) -> Vec<f32> {
    let track = read(desk.path().join("stick/arrival.wav")).unwrap();
    let rate = f64::from(RATE_HZ);
    let step = f64::from(track.sample_rate_hz) / (rate * (1.0 + ppm * 1e-6));
    let frames = ((wait_s + track.duration_s() + 1.0) * rate) as usize;
    let heard = |side: usize, way_s: f64| {
        // The way is as long for the player's clock as for the recorder's, to 1e-9 s.
        dsp::resample::read_at(&track.channels[side], -(wait_s + way_s) * rate * step, step, frames)
    };
    let mut noise = WhiteNoise::new(wait_s.to_bits());
    heard(0, ways_s.0)
        .iter()
        .zip(heard(1, ways_s.1))
        .map(|(left, right)| (0.4 * left + gain * right + 5e-4 * noise.sample()) as f32)
        .collect()
}

/// Source: analytic; the ways differ by 1.358 ms, the clocks by 320 ppm, the starts by
/// seconds. A speaker wired backwards is one of them.
#[test]
fn drivers_recorded_one_after_the_other_share_a_time() {
    let desk = Desk::new();
    desk.run("tracks stick --rate 44100").done();
    let mid = one_driver(&desk, 110.0, 2.37, (0.0031, 0.004_444), 0.3);
    let high = one_driver(&desk, -210.0, 5.11, (0.0031, 0.003_086), -0.2);
    write_wav(&desk.path().join("mid.wav"), RATE_HZ, &[mid]);
    write_wav(&desk.path().join("high.wav"), RATE_HZ, &[high]);
    let reading = |name: &str| {
        let line = format!("analyze arrival {name}.wav --track arrival --stimulus stick/tracks.json --json");
        desk.run(&line).done().reading()
    };
    let (mid, high) = (reading("mid"), reading("high"));
    near("clock of the first", value(&mid, "clock_ppm"), 110.0, 0.1);
    near("clock of the second", value(&high, "clock_ppm"), -210.0, 0.1);
    let apart_s = value(&mid, "arrival_s") - value(&high, "arrival_s");
    near("the difference of the ways", apart_s, 0.001_358, 1e-6);
    assert_eq!((&*mid.labels["polarity"], &*high.labels["polarity"]), ("normal", "inverted"));
    for reading in [&mid, &high] {
        at_most("what is said of the error in s", value(reading, "random_error_s"), 1e-6);
        at_most("the wanted confidence", 0.8, value(reading, "polarity_confidence"));
    }
    // The same through the job, and on to the delays.
    let imported = desk.run("job import car mid.wav high.wav --json").done().json();
    assert_eq!(imported["captures"], 2);
    let of = |index: usize| {
        let track = &imported["recordings"][index]["tracks"][0];
        assert_eq!(track["measurement"], "arrival");
        1e3 * track["values"]["arrival_s"].as_f64().unwrap()
    };
    near("the same difference in ms", of(0) - of(1), 1.358, 1e-3);
    // The tweeter is nearer than the reference.
    at_most("the tweeter's arrival in ms", of(1), -0.01);
    let line = format!("timing --arrival mid={} --arrival high={} --json", of(0), of(1));
    let delays = desk.run(&line).done().json();
    // On the processor's grid of 0.01 ms.
    near("the tweeter's delay", delays["drivers"][1]["delay_s"].as_f64().unwrap(), 0.001_36, 1e-9);
}

/// Chords with bass, drum and cymbal: steady in nothing, and silent between.
fn music(seconds: f64) -> Vec<f64> {
    let rate = f64::from(RATE_HZ);
    let mut random = WhiteNoise::new(21);
    let notes: Vec<f64> =
        (0..400).map(|_| 55.0 * 2f64.powf((48.0 * random.uniform()).floor() / 12.0)).collect();
    (0..(seconds * rate) as usize)
        .map(|i| {
            let t = i as f64 / rate;
            let (beat, into_s) = ((t / 0.42) as usize, t % 0.42);
            let voice = |k: usize| {
                let f = notes[(3 * beat + k) % notes.len()];
                (1..9).map(|h| (TAU * f * f64::from(h) * t).sin() / f64::from(h)).sum::<f64>()
            };
            let chord = (0..3).map(voice).sum::<f64>() * (-4.0 * into_s).exp();
            let drum = (TAU * 20.0 * (1.0 - (-25.0 * into_s).exp())).sin() * (-9.0 * into_s).exp();
            let cymbal = random.sample() * (-40.0 * (t % 0.21)).exp();
            0.05 * chord + 0.2 * drum + 0.05 * cymbal
        })
        .collect()
}

/// Source: analytic; a one-pole low-pass `a/(1 − (1−a)z⁻¹)`, upside down and half as loud,
/// 12.85 ms late, in noise. What is said of the error holds: within four of it, and a
/// fifth of a decibel for smoothing and leakage, wherever it is said to be small.
#[test]
fn music_gives_the_response_between_two_channels() {
    let desk = Desk::new();
    let (played, a, late) = (music(40.0), 0.3, 617);
    let mut noise = WhiteNoise::new(4);
    let mut state = 0.0;
    let heard: Vec<f32> = (0..played.len())
        .map(|i| {
            let x = if i < late { 0.0 } else { played[i - late] };
            state += a * (x - state);
            (-0.5 * state + 1e-4 * noise.sample()) as f32
        })
        .collect();
    let played: Vec<f32> = played.into_iter().map(|x| x as f32).collect();
    write_wav(&desk.path().join("two.wav"), RATE_HZ, &[played.clone(), heard]);
    let line =
        "analyze transfer two.wav --channel 2 --reference-channel 1 -p smoothing=12 --json --csv out.csv";
    let reading = desk.run(line).done().reading();
    near("delay", value(&reading, "delay_s"), 617.0 / 48_000.0, 1e-4);
    assert_eq!(reading.labels["polarity"], "inverted");
    at_most("the wanted coherence", 0.9, value(&reading, "mean_coherence"));
    let of = |name: &str| column(&reading, "response", name);
    let mut judged = 0;
    for (i, f) in of("frequency_hz").iter().enumerate() {
        let error_db = of("random_error_db")[i];
        if error_db < 0.25 {
            let turn = TAU * f / 48_000.0;
            let (re, im) = (1.0 - (1.0 - a) * turn.cos(), (1.0 - a) * turn.sin());
            let wanted = 20.0 * (0.5 * a / re.hypot(im)).log10();
            near(&format!("level at {f:.0} Hz"), of("magnitude_db")[i], wanted, 4.0 * error_db + 0.2);
            judged += 1;
        }
    }
    at_most("the wanted number of points", 0.8 * of("frequency_hz").len() as f64, f64::from(judged));
    assert!(desk.read("out.csv").starts_with("frequency_hz,magnitude_db,phase_deg,coherence"));

    // Another piece in the measured channel, and no second channel at all.
    let mut random = WhiteNoise::new(8);
    let other = (0..played.len()).map(|_| (0.05 * random.sample()) as f32).collect();
    write_wav(&desk.path().join("other.wav"), RATE_HZ, &[played, other]);
    let outcome = desk.run("analyze transfer other.wav --channel 2 --reference-channel 1").not_measured();
    assert!(outcome.stderr.contains("nothing in common"), "{}", outcome.stderr);
    desk.run("analyze transfer other.wav --channel 2 --reference-channel 2").not_measured();
    desk.run("analyze transfer other.wav --channel 2 --reference-channel 3")
        .refused(&["--reference-channel 3"]);
}
