//! Noise exposure: allowed time, dose and time-weighted average.

/// The recommended exposure limit in dB(A), for a working day of eight hours.
pub const LIMIT_DB: f64 = 85.0;

/// The increase in level in dB that halves the allowed time.
pub const EXCHANGE_DB: f64 = 3.0;

/// How many hours a person may be exposed to this A-weighted level in a day.
///
/// `T = 8 / 2^((L − 85)/3)` hours. References: NIOSH publication 98-126 (1998),
/// 1.1, Table 1-1. Accuracy: exact arithmetic, `tests/niosh_98_126.rs`.
#[must_use]
pub fn allowed_hours(level_a_db: f64) -> f64 {
    8.0 / 2f64.powf((level_a_db - LIMIT_DB) / EXCHANGE_DB)
}

/// The level over eight hours that amounts to this dose: `10·lg(D/100) + 85` dB(A).
///
/// References: NIOSH publication 98-126 (1998), 1.1.2.
#[must_use]
pub fn time_weighted_average_db(dose_percent: f64) -> f64 {
    10.0 * (dose_percent / 100.0).log10() + LIMIT_DB
}

/// The dose of one day, built up from stretches of level and time.
///
/// `D = 100·Σ C/T` percent, `C` being the time spent at a level and `T` the time
/// allowed there. No threshold is applied: what is quiet adds little, and the
/// sum errs on the safe side.
///
/// References: NIOSH publication 98-126 (1998), 1.1.2.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Dose {
    percent: f64,
}

impl Dose {
    /// Adds a stretch at one A-weighted level. Silence (negative infinity) adds nothing.
    pub fn add(&mut self, level_a_db: f64, seconds: f64) {
        self.percent += 100.0 * seconds / 3_600.0 / allowed_hours(level_a_db);
    }

    /// The dose in percent of what one day allows.
    #[must_use]
    pub fn percent(&self) -> f64 {
        self.percent
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    #[test]
    fn silence_adds_nothing() {
        let mut dose = Dose::default();
        dose.add(f64::NEG_INFINITY, 3_600.0);
        near("dose", dose.percent(), 0.0, 0.0);
    }
}
