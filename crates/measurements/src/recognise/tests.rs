//! Sessions made from tracks, talk and slams.

use dsp::crossover::{Family, high_pass, low_pass};
use dsp::noise::WhiteNoise;
use testkit::near;

use super::*;
use crate::signals::{render, tracks};

const RATE: f64 = 24_000.0;

/// Adds a track that begins at a moment, played on another clock.
fn play(session: &mut [f32], name: &str, at_s: f64, ppm: f64, gain: f32) {
    let stimulus = crate::signals::track(name).unwrap();
    let first = (at_s * RATE) as usize;
    for (slot, x) in session[first..].iter_mut().zip(render(&stimulus, RATE * (1.0 + ppm * 1e-6))) {
        *slot += gain * x;
    }
}

/// What is between the tracks: a voice-like buzz, a door, and the room.
fn room(duration_s: f64, seed: u64) -> Vec<f32> {
    let mut random = WhiteNoise::new(seed);
    (0..(duration_s * RATE) as usize)
        .map(|i| {
            let t = i as f64 / RATE;
            let voice = ((117.0 * t).fract() - 0.5) * (2.3 * t).sin().max(0.0) * (0.6 * t).sin().max(0.0);
            let slam = 0.6 * (-((t % 13.0) / 0.05)).exp() * random.sample();
            (0.05 * voice + 0.3 * slam + 3e-4 * random.sample()) as f32
        })
        .collect()
}

fn names(heard: &[Heard]) -> Vec<(&str, Extent)> {
    heard.iter().map(|heard| (heard.track.as_str(), heard.extent)).collect()
}

#[test]
fn tracks_are_named_in_the_order_in_which_they_were_played() {
    let mut session = room(175.0, 1);
    play(&mut session, "sweep-mid", 4.0, 120.0, 0.5);
    play(&mut session, "sweep-sub", 31.0, 120.0, -0.5);
    play(&mut session, "arrival", 53.0, 120.0, 0.3);
    play(&mut session, "sweep-high", 68.0, 120.0, 0.9);
    play(&mut session, "sweep-full", 90.0, 120.0, 0.1);
    play(&mut session, "tone-40", 114.0, 120.0, 0.4);
    let heard = recognise(&session, RATE, &tracks());
    let wanted = ["sweep-mid", "sweep-sub", "arrival", "sweep-high", "sweep-full", "tone-40"];
    assert_eq!(names(&heard), wanted.map(|name| (name, Extent::Whole)));
    for (heard, at_s) in heard.iter().zip([4.0, 31.0, 53.0, 68.0, 90.0]) {
        near(&format!("beginning of {}", heard.track), heard.start_s, at_s, 0.002);
    }
    near("beginning of the tone", heard[5].start_s, 114.5, 0.6);
}

/// A noise track written at another rate than it is recorded at.
#[test]
fn pink_noise_is_told_by_its_samples() {
    let stimulus = crate::signals::track("pink").unwrap();
    let written = render(&stimulus, 44_100.0);
    let played = dsp::resample::change_rate(&written, 44_100.0, RATE * (1.0 + 250e-6));
    let mut session = room(75.0, 2);
    for (slot, x) in session[(5.0 * RATE) as usize..].iter_mut().zip(&played) {
        *slot += 0.3 * x;
    }
    let heard = recognise(&session, RATE, &tracks());
    assert_eq!(names(&heard), [("pink", Extent::Whole)]);
    near("beginning", heard[0].start_s, 5.0, 0.002);
    // Stopped after half of it.
    let heard = recognise(&session[..(40.0 * RATE) as usize], RATE, &tracks());
    assert_eq!(names(&heard), [("pink", Extent::Cut)]);
}

/// Pulses and bursts through drivers of every kind, with talk and slams.
#[test]
fn pulses_and_bursts_are_told_by_their_order() {
    let trains = ["bursts", "polarity"].map(|name| crate::signals::track(name).unwrap());
    let all = tracks();
    let drivers = [(20.0, 120.0), (80.0, 900.0), (300.0, 5_000.0), (30.0, 9_000.0)];
    for (number, (low_hz, high_hz)) in drivers.into_iter().enumerate() {
        let mut session = vec![0.0f32; (65.0 * RATE) as usize];
        play(&mut session, "bursts", 4.0, -180.0, 0.5);
        play(&mut session, "polarity", 33.0, -180.0, -0.3);
        let mut chain = high_pass(RATE, Family::Butterworth, 2, low_hz).unwrap();
        chain.append(low_pass(RATE, Family::Butterworth, 4, high_hz).unwrap());
        let loudest = 0.5;
        for (x, noise) in session.iter_mut().zip(room(65.0, number as u64)) {
            *x = (loudest * chain.process(f64::from(*x))) as f32 + 0.3 * noise;
        }
        let heard = recognise(&session, RATE, if number == 0 { &all } else { &trains });
        let wanted = [("bursts", Extent::Whole), ("polarity", Extent::Whole)];
        assert_eq!(names(&heard), wanted, "{low_hz} to {high_hz} Hz");
        near("beginning of the bursts", heard[0].start_s, 4.0, 0.02);
        near("beginning of the pulses", heard[1].start_s, 33.0, 0.02);
        // Begun too late, and broken off.
        let part = &session[(10.0 * RATE) as usize..(48.0 * RATE) as usize];
        assert_eq!(names(&recognise(part, RATE, &trains)), wanted.map(|(name, _)| (name, Extent::Cut)));
    }
}

/// Clicks, drums and notes at each pace that the pulses have, for a minute each.
#[test]
fn what_keeps_its_pace_is_no_track() {
    let trains = ["bursts", "polarity"].map(|name| crate::signals::track(name).unwrap());
    let mut random = WhiteNoise::new(9);
    for every_s in [0.4, 0.45, 0.5, 0.6] {
        let clicks: Vec<f32> = (0..(60.0 * RATE) as usize)
            .map(|i| {
                let t = i as f64 / RATE;
                let (into_s, note) = (t % every_s, 62.5 * 2f64.powi((t / (5.0 * every_s)) as i32 % 8));
                let click = random.sample() * (-into_s / 0.002).exp();
                let tone = (std::f64::consts::TAU * note * t).sin() * (-into_s / 0.05).exp();
                (0.2 * click + 0.2 * tone + 1e-4 * random.sample()) as f32
            })
            .collect();
        assert_eq!(recognise(&clicks, RATE, &trains), [], "every {every_s} s");
    }
}

/// Pulses and a sweep leave marks in the listener of another sweep, as far apart as its
/// copies; while the true track was still playing, it was called that one.
#[test]
fn a_track_that_plays_is_not_taken_for_one_that_resembles_it() {
    let mut session = vec![0.0f32; (44.0 * RATE) as usize];
    play(&mut session, "polarity", 0.0, 0.0, 0.5);
    play(&mut session, "sweep-mid", 22.5, 0.0, 0.5);
    let mut random = WhiteNoise::new(6);
    session.iter_mut().for_each(|x| *x += (1e-3 * random.sample()) as f32);
    let mut recogniser = Recogniser::live(RATE, &tracks(), 1.0);
    for (index, part) in session.chunks(12_000).enumerate() {
        recogniser.feed(part);
        let heard = recogniser.heard();
        let fits = |heard: &Heard| ["polarity", "sweep-mid"].contains(&heard.track.as_str());
        assert!(heard.iter().all(fits), "after {} s: {heard:?}", index as f64 / 2.0);
    }
}

#[test]
fn what_is_cut_is_called_so() {
    let mut session = room(30.0, 3);
    play(&mut session, "sweep-mid", 4.0, 0.0, 0.5);
    // The second copy is missing, then the first.
    let first = recognise(&session[..(14.0 * RATE) as usize], RATE, &tracks());
    assert_eq!(names(&first), [("sweep-mid", Extent::Cut)]);
    near("beginning", first[0].start_s, 4.0, 0.002);
    let second = recognise(&session[(9.0 * RATE) as usize..], RATE, &tracks());
    assert_eq!(names(&second), [("sweep-mid", Extent::Cut)]);
    near("beginning", second[0].start_s, -5.0, 0.002);
}

/// A tone that begins and ends at once is a click at either end and nothing between.
#[test]
fn a_bare_tone_and_bare_noise_are_no_tracks() {
    let tone: Vec<f32> = (0..350_000).map(|i| (0.2 * f64::from(i)).sin() as f32).collect();
    assert_eq!(recognise(&tone, RATE, &tracks()), []);
    let mut noise = WhiteNoise::new(5);
    let noisy: Vec<f32> = (0..350_000).map(|_| (0.1 * noise.sample()) as f32).collect();
    assert_eq!(recognise(&noisy, RATE, &tracks()), []);
    assert_eq!(recognise(&[], RATE, &tracks()), []);
}
