//! A frequency response with what is known about its certainty.

use crate::log_axis;

/// A response on ascending frequencies.
///
/// The optional columns have the length of `frequency_hz`. `magnitude_db` is a
/// level or a ratio in dB; only its differences matter to the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Frequencies above 0 Hz, ascending, each once.
    pub frequency_hz: Vec<f64>,
    /// Magnitude at each frequency.
    pub magnitude_db: Vec<f64>,
    /// Phase at each frequency, wrapped or not.
    pub phase_deg: Option<Vec<f64>>,
    /// Coherence (γ², 0 to 1) at each frequency.
    pub coherence: Option<Vec<f64>>,
    /// How far positions or repetitions scatter, as a standard deviation.
    pub spread_db: Option<Vec<f64>>,
}

/// Numbers that do not make a response.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ResponseError {
    /// Fewer than two points.
    #[error("a response needs at least two points; this one has {0}")]
    TooShort(usize),
    /// Columns of unequal length.
    #[error("the column `{0}` does not have as many values as there are frequencies")]
    Length(&'static str),
    /// A value that is not finite or outside what the column can hold.
    #[error("point {index} (counted from 1) of the column `{column}` is out of range")]
    Value {
        /// Which column.
        column: &'static str,
        /// Which point, from 1.
        index: usize,
    },
    /// Frequencies that do not ascend.
    #[error("the frequencies do not ascend at point {0} (counted from 1)")]
    Order(usize),
}

impl Response {
    /// A response of magnitudes alone.
    ///
    /// # Errors
    /// When the numbers break a rule of [`Response::check`].
    pub fn new(frequency_hz: Vec<f64>, magnitude_db: Vec<f64>) -> Result<Self, ResponseError> {
        let response = Self { frequency_hz, magnitude_db, phase_deg: None, coherence: None, spread_db: None };
        response.check()?;
        Ok(response)
    }

    /// No magnitude lies further from 0 dB than this, and no spread is wider: more than 24 bits
    /// or any microphone can tell apart, and little enough that powers can be added up.
    pub const LARGEST_DB: f64 = 1_000.0;

    /// Whether the numbers make a response: at least two points, positive
    /// ascending frequencies, finite values, magnitudes within ±1000 dB, coherence
    /// 0 to 1, spread from 0 to 1000 dB.
    ///
    /// # Errors
    /// The first rule broken.
    pub fn check(&self) -> Result<(), ResponseError> {
        let count = self.frequency_hz.len();
        if count < 2 {
            return Err(ResponseError::TooShort(count));
        }
        check_column("frequency_hz", Some(&self.frequency_hz), count, |f| f > 0.0)?;
        check_column("magnitude_db", Some(&self.magnitude_db), count, |m| m.abs() <= Self::LARGEST_DB)?;
        check_column("phase_deg", self.phase_deg.as_ref(), count, |_| true)?;
        check_column("coherence", self.coherence.as_ref(), count, |c| (0.0..=1.0).contains(&c))?;
        check_column("spread_db", self.spread_db.as_ref(), count, |s| (0.0..=Self::LARGEST_DB).contains(&s))?;
        match self.frequency_hz.windows(2).position(|pair| pair[1] <= pair[0]) {
            Some(index) => Err(ResponseError::Order(index + 2)),
            None => Ok(()),
        }
    }

    /// The lowest and the highest frequency; `(0, 0)` for an empty response.
    #[must_use]
    pub fn range_hz(&self) -> (f64, f64) {
        match (self.frequency_hz.first(), self.frequency_hz.last()) {
            (Some(&low), Some(&high)) => (low, high),
            _ => (0.0, 0.0),
        }
    }

    /// The magnitude between the points, linear in dB over log frequency;
    /// `None` outside the range, because nothing was measured there.
    #[must_use]
    pub fn db_at(&self, frequency_hz: f64) -> Option<f64> {
        log_axis::interpolate(&self.frequency_hz, &self.magnitude_db, frequency_hz)
    }

    /// The phase between the points, unwrapped; `None` outside the range or
    /// when no phase is known.
    #[must_use]
    pub fn phase_at(&self, frequency_hz: f64) -> Option<f64> {
        let phase = self.phase_deg.as_ref()?;
        let upper = self.frequency_hz.partition_point(|&f| f < frequency_hz);
        if upper == 0 {
            return (self.frequency_hz.first() == Some(&frequency_hz)).then(|| phase[0]);
        }
        let (&low_hz, &high_hz) = (self.frequency_hz.get(upper - 1)?, self.frequency_hz.get(upper)?);
        let turn = phase[upper] - phase[upper - 1];
        let shortest = turn - 360.0 * (turn / 360.0).round();
        let part = (frequency_hz / low_hz).ln() / (high_hz / low_hz).ln();
        Some(phase[upper - 1] + part * shortest)
    }

    /// This response at other frequencies, those outside its range left out.
    #[must_use]
    pub fn resampled(&self, frequencies_hz: &[f64]) -> Self {
        let (low, high) = self.range_hz();
        let inside: Vec<f64> = frequencies_hz.iter().copied().filter(|f| (low..=high).contains(f)).collect();
        let column = |values: &[f64]| -> Vec<f64> {
            inside.iter().filter_map(|&f| log_axis::interpolate(&self.frequency_hz, values, f)).collect()
        };
        Self {
            magnitude_db: column(&self.magnitude_db),
            phase_deg: self
                .phase_deg
                .as_ref()
                .map(|_| inside.iter().filter_map(|&f| self.phase_at(f)).collect()),
            coherence: self.coherence.as_deref().map(column),
            spread_db: self.spread_db.as_deref().map(column),
            frequency_hz: inside,
        }
    }

    /// The power mean over 1/`fraction` octave around each point; 0 leaves the
    /// magnitude as it is. Phase cannot be averaged this way and is dropped.
    #[must_use]
    pub fn smoothed(&self, fraction: u32) -> Self {
        if fraction == 0 {
            return self.clone();
        }
        Self {
            magnitude_db: log_axis::smooth_power_db(&self.frequency_hz, &self.magnitude_db, fraction),
            phase_deg: None,
            ..self.clone()
        }
    }

    /// The same response raised by so many dB.
    #[must_use]
    pub fn raised(&self, gain_db: f64) -> Self {
        Self { magnitude_db: self.magnitude_db.iter().map(|m| m + gain_db).collect(), ..self.clone() }
    }
}

fn check_column(
    column: &'static str,
    values: Option<&Vec<f64>>,
    count: usize,
    allowed: impl Fn(f64) -> bool,
) -> Result<(), ResponseError> {
    let Some(values) = values else { return Ok(()) };
    if values.len() != count {
        return Err(ResponseError::Length(column));
    }
    match values.iter().position(|&v| !v.is_finite() || !allowed(v)) {
        Some(index) => Err(ResponseError::Value { column, index: index + 1 }),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::near;

    fn slope() -> Response {
        Response::new(vec![100.0, 200.0, 400.0], vec![0.0, -6.0, -12.0]).unwrap()
    }

    #[test]
    fn a_slope_per_octave_stays_straight_between_the_points() {
        let response = slope();
        for (hz, wanted) in [(100.0, 0.0), (141.421_356_237_309_5, -3.0), (300.0, -9.509_775_004_326_936)] {
            near("interpolated", response.db_at(hz).unwrap(), wanted, 1e-12);
        }
        assert_eq!(response.db_at(99.9), None);
        assert_eq!(response.db_at(400.1), None);
    }

    #[test]
    fn phase_takes_the_short_way_round() {
        let mut response = slope();
        response.phase_deg = Some(vec![170.0, -170.0, -160.0]);
        near("half way", response.phase_at(141.421_356_237_309_5).unwrap(), 180.0, 1e-9);
        near("last", response.phase_at(400.0).unwrap(), -160.0, 1e-9);
        assert_eq!(response.phase_at(401.0), None);
    }

    #[test]
    fn wrong_numbers_are_named() {
        let wrong = |f: &[f64], m: &[f64]| Response::new(f.to_vec(), m.to_vec()).unwrap_err().to_string();
        assert!(wrong(&[100.0], &[0.0]).contains("at least two"));
        assert!(wrong(&[100.0, 100.0], &[0.0, 0.0]).contains("ascend at point 2"));
        assert!(wrong(&[0.0, 100.0], &[0.0, 0.0]).contains("frequency_hz"));
        assert!(wrong(&[1.0, 100.0], &[0.0, f64::NAN]).contains("point 2"));
        assert!(wrong(&[1.0, 100.0], &[0.0, -1_001.0]).contains("point 2"));
        assert!(wrong(&[1.0, 100.0], &[0.0]).contains("magnitude_db"));
    }
}
