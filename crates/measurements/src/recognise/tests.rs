//! Sessions made from tracks, talk and slams.

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
