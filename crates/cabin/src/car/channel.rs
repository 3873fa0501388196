//! A channel of the processor: what is entered in it and at its amplifier.

use serde::{Deserialize, Serialize};

use super::filter::band_fault;
use super::{Band, Edge};

/// The most bands that a channel or an input of the simulated processor runs.
pub(crate) const MOST_BANDS: usize = 31;

/// What is entered in one channel of the processor and at its amplifier.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Channel {
    /// The equalizer's bands.
    pub bands: Vec<Band>,
    /// The lower edge of the crossover.
    pub high_pass: Option<Edge>,
    /// The upper edge of the crossover.
    pub low_pass: Option<Edge>,
    /// The delay.
    pub delay_s: f64,
    /// The gain.
    pub gain_db: f64,
    /// Whether the polarity is turned over.
    pub invert: bool,
    /// The amplifier's gain where it was turned; absent for the car's own.
    pub amplifier_gain_db: Option<f64>,
}

impl Channel {
    /// What is wrong with the numbers, if anything.
    pub(crate) fn fault(&self, longest_delay_s: f64) -> Option<String> {
        let amplifier_db = self.amplifier_gain_db.unwrap_or(0.0);
        if let Some(fault) = bands_fault(&self.bands) {
            Some(fault)
        } else if let Some(fault) = self.high_pass.iter().chain(&self.low_pass).find_map(Edge::fault) {
            Some(fault)
        } else if !(0.0..=longest_delay_s).contains(&self.delay_s) {
            Some(format!("a delay of {} s; expected 0 to {longest_delay_s} s", self.delay_s))
        } else if !(self.gain_db.abs() <= 60.0 && amplifier_db.abs() <= 60.0) {
            Some("a gain beyond 60 dB either way".to_owned())
        } else {
            None
        }
    }
}

/// What is wrong with the bands of one equalizer, if anything.
pub(crate) fn bands_fault(bands: &[Band]) -> Option<String> {
    let too_many = || {
        (bands.len() > MOST_BANDS)
            .then(|| format!("{} bands; at most {MOST_BANDS} can be entered", bands.len()))
    };
    bands.iter().find_map(band_fault).or_else(too_many)
}
