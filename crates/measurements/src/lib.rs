//! The built-in measurements, each written against `measure` alone, with `dsp` for
//! the numbers; a third party's measurement could do all that these do.
//!
//! [`signals`] makes the samples of a described stimulus and holds the standard
//! tracks.

mod agreement;
mod arrival;
mod background;
mod bursts;
mod cells;
mod clock;
mod copies;
mod delays;
mod excitation;
mod find;
mod half_wave;
mod headroom;
mod heard;
mod level;
mod lines;
mod marks;
mod noise;
mod options;
mod polarity;
mod precision;
mod rattle;
mod recognise;
mod reference_burst;
mod scale;
pub mod signals;
mod spectrum;
mod sweep;
mod tape;
mod taped;
mod time_map;
mod tone;
mod transfer;
mod witness;

use measure::Measurement;

pub use recognise::{Extent, Heard, Recogniser};

/// Every built-in measurement, in the order in which they are listed.
#[must_use]
pub fn built_ins() -> Vec<Box<dyn Measurement>> {
    vec![
        Box::<level::Level>::default(),
        Box::<tone::Tone>::default(),
        Box::<headroom::Headroom>::default(),
        Box::<spectrum::Spectrum>::default(),
        Box::<sweep::SweepMeasurement>::default(),
        Box::<transfer::TransferMeasurement>::default(),
        Box::<arrival::ArrivalMeasurement>::default(),
        Box::<polarity::PolarityMeasurement>::default(),
        Box::<bursts::BurstsMeasurement>::default(),
        Box::<rattle::RattleMeasurement>::default(),
        Box::<noise::Noise>::default(),
    ]
}
