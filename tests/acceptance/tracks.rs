//! The folder for a memory stick.

use std::fs;

use recording::read;
use serde_json::Value;

use crate::program::Desk;

const TRACKS: &[&str] = &[
    "tone-1k",
    "tone-40",
    "pink",
    "sweep-full",
    "sweep-sub",
    "sweep-woofer",
    "sweep-mid",
    "sweep-high",
    "arrival",
    "place-sub",
    "place-woofer",
    "place-mid",
    "place-high",
    "place-full",
    "polarity",
    "bursts",
    "quiet",
];

#[test]
fn every_track_is_there_at_its_rate_and_under_its_stated_peak() {
    let desk = Desk::new();
    desk.run("tracks stick --rate 44100 --bits 16").done();
    assert!(desk.read("stick/README.txt").contains("sweep-full"));
    let described = desk.read("stick/tracks.json");
    let described: Value = serde_json::from_str(&described).expect("tracks.json is JSON");
    assert!(described["format"].is_string() && described["version"].is_number(), "{described}");
    for name in TRACKS {
        assert!(described.to_string().contains(&format!("\"{name}\"")), "{name} is not described");
        let audio = read(desk.path().join(format!("stick/{name}.wav"))).unwrap();
        assert_eq!(audio.sample_rate_hz, 44_100, "{name}");
        let peak = audio.channels.iter().flatten().fold(0f32, |peak, sample| peak.max(sample.abs()));
        assert!(peak < 1.0, "{name} reaches full scale: {peak}");
        assert_eq!(peak > 0.001, *name != "quiet", "{name} has a peak of {peak}");
    }
}

#[test]
fn tracks_are_repeatable_to_the_byte() {
    let desk = Desk::new();
    desk.run("tracks one --rate 48000 --bits 24 --format flac").done();
    desk.run("tracks two --rate 48000 --bits 24 --format flac").done();
    for name in TRACKS {
        let file = format!("{name}.flac");
        let one =
            fs::read(desk.path().join("one").join(&file)).unwrap_or_else(|error| panic!("{file}: {error}"));
        let two = fs::read(desk.path().join("two").join(&file)).unwrap();
        assert!(one == two, "{file} differs between two runs");
        let samples = read(desk.path().join("one").join(&file)).unwrap().frames();
        assert!(one.len() < 4 * samples, "{file}: {} bytes for {samples} samples", one.len());
    }
}

#[test]
fn what_cannot_be_written_is_refused() {
    let desk = Desk::new();
    desk.run("tracks stick --rate 12345").refused(&["12345", "44100", "48000", "96000"]);
    desk.run("tracks stick --bits 12").refused(&["12", "16", "24"]);
    desk.run("tracks stick --format ogg").refused(&["ogg", "wav", "flac"]);
    assert!(!desk.has("stick"), "a refused request left a folder behind");
    desk.write("taken", "a file");
    desk.run("tracks taken").refused(&["taken"]);
}
