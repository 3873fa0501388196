//! A crossover filter as it is entered.

use dsp::biquad::{Cascade, DesignError};
use serde::Serialize;

use crate::CrossoverFamily;

/// One crossover filter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CarFilter {
    /// Its alignment.
    pub family: CrossoverFamily,
    /// Its slope.
    pub slope_db_per_octave: u32,
    /// Its corner.
    pub frequency_hz: f64,
}

impl CarFilter {
    /// The filter as one that lets pass what lies above its corner.
    ///
    /// # Errors
    /// When the family has no such slope, or the corner is out of range.
    pub fn high_pass(&self, sample_rate_hz: f64) -> Result<Cascade, DesignError> {
        dsp::crossover::high_pass(sample_rate_hz, self.family.into(), self.order(), self.frequency_hz)
    }

    /// The filter as one that lets pass what lies below its corner.
    ///
    /// # Errors
    /// When the family has no such slope, or the corner is out of range.
    pub fn low_pass(&self, sample_rate_hz: f64) -> Result<Cascade, DesignError> {
        dsp::crossover::low_pass(sample_rate_hz, self.family.into(), self.order(), self.frequency_hz)
    }

    /// Its order: 6 dB per octave each.
    fn order(&self) -> usize {
        usize::try_from(self.slope_db_per_octave / 6).unwrap_or(0)
    }
}
