//! What a car consists of: radio, processor, drivers, cabin, microphone.

mod channel;
mod driver;
mod error;
mod filter;
mod radio;
mod space;

use serde::{Deserialize, Serialize};

pub use channel::Channel;
pub(crate) use channel::{MOST_BANDS, bands_fault};
pub use driver::{Driver, Processor, Rattle, Role};
pub use dsp::equalizer::{Band, BandKind};
pub use error::CarError;
pub(crate) use error::no_such;
pub use filter::{CrossoverKind, Edge};
pub(crate) use filter::{band_fault, band_section};
pub use radio::{BassKnob, EngineOrder, Limit, LimitKind, Loudness, Output, OutputKind, Radio, Side};
pub use space::{Microphone, Modes, Position, Space, Tap, Wall, WallSide};

/// One simulated car.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Car {
    /// What it is called.
    pub name: String,
    /// What is special about it, for people.
    pub description: String,
    /// The seed of all its noise.
    #[serde(default)]
    pub seed: u64,
    /// What its author says of it; the tests hold it against what follows
    /// from the rest.
    pub stated: Stated,
    /// The factory radio.
    pub radio: Radio,
    /// The electrical tap.
    pub tap: Tap,
    /// The signal processor.
    pub processor: Processor,
    /// The drivers with their amplifiers.
    #[serde(rename = "driver")]
    pub drivers: Vec<Driver>,
    /// Panels that buzz.
    #[serde(rename = "rattle", default)]
    pub rattles: Vec<Rattle>,
    /// The cabin; without one the drivers' sum reaches the microphone at once.
    #[serde(default)]
    pub cabin: Option<Space>,
    /// The microphone.
    pub microphone: Microphone,
}

/// What a car's author says of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stated {
    /// The highest volume step at which every output is clean.
    pub clean_step: u32,
    /// The output that limits it, if one does.
    #[serde(default)]
    pub limiting_output: Option<String>,
    /// The drivers that are wired backwards.
    #[serde(default)]
    pub reversed_drivers: Vec<String>,
}

/// The name of the only microphone position of a car without a cabin.
pub const WIRE_POSITION: &str = "wire";

impl Car {
    /// The driver with this name.
    #[must_use]
    pub fn driver(&self, name: &str) -> Option<&Driver> {
        self.drivers.iter().find(|driver| driver.name == name)
    }

    /// The names of the drivers.
    pub fn driver_names(&self) -> impl Iterator<Item = &str> {
        self.drivers.iter().map(|driver| driver.name.as_str())
    }

    /// The names of the microphone positions, the usual one first.
    pub fn position_names(&self) -> impl Iterator<Item = &str> {
        let positions = self.cabin.iter().flat_map(|cabin| &cabin.positions);
        positions.map(|position| position.name.as_str()).chain(self.cabin.is_none().then_some(WIRE_POSITION))
    }

    /// The place with this name, in metres.
    #[must_use]
    pub fn position(&self, name: &str) -> Option<[f64; 3]> {
        match &self.cabin {
            Some(cabin) => {
                cabin.positions.iter().find(|position| position.name == name).map(|position| position.at_m)
            }
            None => (name == WIRE_POSITION).then_some([0.0; 3]),
        }
    }

    /// The speed of sound in the cabin's air, `343.2·√(T/293.15)` m/s.
    ///
    /// References: ISO 9613-1:1993, equation A.5.
    #[must_use]
    pub fn speed_of_sound(&self) -> f64 {
        let temperature_c = self.cabin.as_ref().map_or(20.0, |cabin| cabin.temperature_c);
        343.2 * ((temperature_c + 273.15) / 293.15).sqrt()
    }
}
