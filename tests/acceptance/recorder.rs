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
        self.cabin.apply(setup).expect("it fits");
        let stick = recording::read(stick.join(format!("{track}.wav"))).expect("a track");
        let silence = vec![0.0f32; 2 * RATE_HZ as usize];
        let right = stick.channels.get(1).unwrap_or(&stick.channels[0]);
        let played = stick.channels[0].iter().zip(right).flat_map(|(left, right)| [*left, *right]);
        let input: Vec<f32> = silence.iter().copied().chain(played).chain(silence.iter().copied()).collect();
        let mut output = vec![0.0f32; input.len()];
        self.cabin.process(&input, &mut output);
        let began_s = self.samples.len() as f64 / f64::from(RATE_HZ) + 1.0;
        self.samples.extend(output.chunks(2).map(|frame| frame[0]));
        began_s
    }

    pub(crate) fn write(self, path: &Path) {
        write_wav(path, RATE_HZ, &[self.samples]);
    }
}

/// What a track for a driver of this role is called, which protects it.
pub(crate) fn track_of(role: cabin::Role) -> &'static str {
    match role {
        cabin::Role::Sub => "sweep-sub",
        cabin::Role::Tweeter => "sweep-high",
        cabin::Role::Mid => "sweep-mid",
        // A woofer wants to be measured below the mids' track.
        cabin::Role::Woofer | cabin::Role::FullRange => "sweep-full",
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
