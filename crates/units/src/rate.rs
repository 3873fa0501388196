//! Time and frequency.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A frequency.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Hertz(pub f64);

/// A span of time.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Seconds(pub f64);

/// A sample rate that the program works at: 8 kHz to 192 kHz.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u32", into = "u32")]
pub struct SampleRate(u32);

/// A sample rate outside the range that the program works at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RateError(u32);

impl fmt::Display for RateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "a sample rate of {} Hz is outside 8000 to 192000 Hz", self.0)
    }
}

impl std::error::Error for RateError {}

impl SampleRate {
    /// Checks the range.
    ///
    /// # Errors
    /// When the rate is under 8 kHz or over 192 kHz.
    pub fn new(hz: u32) -> Result<Self, RateError> {
        if (8_000..=192_000).contains(&hz) { Ok(Self(hz)) } else { Err(RateError(hz)) }
    }

    /// As a whole number of hertz.
    #[must_use]
    pub fn hz(self) -> u32 {
        self.0
    }

    /// As a number to compute with.
    #[must_use]
    pub fn as_f64(self) -> f64 {
        f64::from(self.0)
    }

    /// The length of one sample.
    #[must_use]
    pub fn period(self) -> Seconds {
        Seconds(1.0 / self.as_f64())
    }
}

impl TryFrom<u32> for SampleRate {
    type Error = RateError;
    fn try_from(hz: u32) -> Result<Self, RateError> {
        Self::new(hz)
    }
}

impl From<SampleRate> for u32 {
    fn from(rate: SampleRate) -> Self {
        rate.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_outside_the_range_are_refused() {
        assert!(SampleRate::new(7_999).is_err());
        assert!(SampleRate::new(192_001).is_err());
        assert_eq!(SampleRate::new(48_000).unwrap().hz(), 48_000);
    }
}
