//! Ratios of amplitudes and of powers in decibels, and back.

/// Ratio of two amplitudes in decibels: `20·log10(ratio)`.
///
/// Zero gives negative infinity, as the limit does.
#[must_use]
pub fn db_from_amplitude(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// The amplitude ratio of a number of decibels: `10^(db/20)`.
#[must_use]
pub fn amplitude_from_db(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Ratio of two powers in decibels: `10·log10(ratio)`.
#[must_use]
pub fn db_from_power(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// The power ratio of a number of decibels: `10^(db/10)`.
#[must_use]
pub fn power_from_db(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}
