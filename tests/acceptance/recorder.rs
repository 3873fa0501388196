//! Recordings of a simulated car, made without the program: what the stick's tracks sound like at the microphone, with
//! what a sheet says typed into the car's processor.

use std::path::Path;

use cabin::{Band, Cabin, Car, CrossoverKind, Edge, Setup};
use serde_json::Value;

use crate::material::{RATE_HZ, write_wav};

/// One long recording that grows track by track.
pub(crate) struct Recorder {
    cabin: Cabin,
    samples: Vec<f32>,
}

impl Recorder {
    pub(crate) fn new(car: &Car) -> Self {
        let cabin = Cabin::new(car, f64::from(RATE_HZ)).expect("a car");
        Self { cabin, samples: Vec::new() }
    }

    /// Plays a track from a folder of tracks in a car that is set like this; gives the time at which it begins.
    pub(crate) fn play(&mut self, stick: &Path, track: &str, setup: &Setup) -> f64 {
        let [left, right] = sides_of(stick, track);
        let heard = self.heard(setup, &left, &right);
        self.keep(&heard)
    }

    /// Plays a track whose left side feeds a reference driver, by its own input, which is the left one, and whose right
    /// side feeds another driver, by its left input or by its right one: what is heard of each by itself, added up.
    pub(crate) fn play_against(
        &mut self,
        stick: &Path,
        track: &str,
        reference: &Setup,
        (driver, by_left): (&Setup, bool),
    ) {
        let [left, right] = sides_of(stick, track);
        let silence = vec![0.0; left.len()];
        let mut heard = self.heard(reference, &left, &silence);
        let (to_left, to_right) = if by_left { (&right, &silence) } else { (&silence, &right) };
        let beside = self.heard(driver, to_left, to_right);
        heard.iter_mut().zip(beside).for_each(|(sample, beside)| *sample += beside);
        self.keep(&heard);
    }

    /// What the microphone hears of two inputs, with two seconds of silence before and after.
    fn heard(&mut self, setup: &Setup, left: &[f32], right: &[f32]) -> Vec<f32> {
        self.cabin.apply(setup).expect("it fits");
        let silence = vec![0.0f32; 2 * RATE_HZ as usize];
        let played = left.iter().zip(right).flat_map(|(left, right)| [*left, *right]);
        let input: Vec<f32> = silence.iter().copied().chain(played).chain(silence.iter().copied()).collect();
        let mut output = vec![0.0f32; input.len()];
        self.cabin.process(&input, &mut output);
        output.chunks(2).map(|frame| frame[0]).collect()
    }

    fn keep(&mut self, heard: &[f32]) -> f64 {
        let began_s = self.samples.len() as f64 / f64::from(RATE_HZ) + 1.0;
        self.samples.extend(heard);
        began_s
    }

    pub(crate) fn write(self, path: &Path) {
        write_wav(path, RATE_HZ, &[self.samples]);
    }
}

/// The two sides of a track from a folder of tracks; one that has a single channel plays on both.
fn sides_of(stick: &Path, track: &str) -> [Vec<f32>; 2] {
    let mut channels = recording::read(stick.join(format!("{track}.wav"))).expect("a track").channels;
    let right = channels.get(1).unwrap_or(&channels[0]).clone();
    [channels.swap_remove(0), right]
}

/// The band of the track for a driver of this role, which protects it: that of `sweep-…` and of `place-…`.
pub(crate) fn band_of(role: cabin::Role) -> &'static str {
    match role {
        cabin::Role::Sub => "sub",
        cabin::Role::Woofer => "woofer",
        cabin::Role::Mid => "mid",
        cabin::Role::Tweeter => "high",
        cabin::Role::FullRange => "full",
    }
}

/// A driver's role as the command line says it.
pub(crate) fn word(role: cabin::Role) -> &'static str {
    match role {
        cabin::Role::Sub => "sub",
        cabin::Role::Tweeter => "tweeter",
        cabin::Role::Mid => "mid",
        cabin::Role::Woofer => "woofer",
        cabin::Role::FullRange => "full-range",
    }
}

/// Types what a sheet says into the processor, each number as it stands there.
pub(crate) fn typed(setup: &Setup, sheet: &Value) -> Setup {
    let mut setup = setup.clone();
    let number = |value: &Value, key: &str| value[key].as_f64().expect("a number");
    let edge = |value: &Value| {
        value.is_object().then(|| Edge {
            frequency_hz: number(value, "frequency_hz"),
            order: u32::try_from(value["order"].as_u64().expect("an order")).expect("a small one"),
            kind: match value["family"].as_str() {
                Some("butterworth") => CrossoverKind::Butterworth,
                Some("bessel") => CrossoverKind::Bessel,
                _ => CrossoverKind::LinkwitzRiley,
            },
        })
    };
    for channel in sheet["channels"].as_array().expect("channels") {
        let name = channel["channel"].as_str().expect("a name");
        if let Some(entry) = setup.processor.get_mut(name) {
            let setting = &channel["setting"];
            entry.gain_db = number(setting, "gain_db");
            entry.delay_s = number(setting, "delay_s");
            entry.invert = setting["inverted"] == true;
            (entry.high_pass, entry.low_pass) = (edge(&setting["high_pass"]), edge(&setting["low_pass"]));
        }
        for band in channel["bands"].as_array().expect("bands") {
            let band = Band {
                kind: serde_json::from_value(band["type"].clone()).expect("a kind"),
                frequency_hz: number(band, "frequency_hz"),
                gain_db: number(band, "gain_db"),
                q: number(band, "q"),
            };
            let reached = setup.processor.iter_mut().filter(|(driver, _)| name.is_empty() || *driver == name);
            reached.for_each(|(_, entry)| entry.bands.push(band));
        }
    }
    setup
}
