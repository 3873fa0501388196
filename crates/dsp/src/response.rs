//! A frequency response, logarithmic grids, interpolation, phase and group delay.

use std::f64::consts::PI;

use num_complex::Complex64;

/// A complex response at ascending frequencies.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Response {
    /// Ascending frequencies.
    pub frequency_hz: Vec<f64>,
    /// Output over input at each.
    pub value: Vec<Complex64>,
}

impl Response {
    /// `20·log10|H|` at each frequency; `−400` where the response is zero.
    #[must_use]
    pub fn magnitude_db(&self) -> Vec<f64> {
        self.value.iter().map(|h| db(h.norm())).collect()
    }

    /// The phase in degrees, from −180 to 180.
    #[must_use]
    pub fn phase_deg(&self) -> Vec<f64> {
        self.value.iter().map(|h| h.arg().to_degrees()).collect()
    }

    /// `−dφ/dω` at each frequency, by [`group_delay_s`].
    #[must_use]
    pub fn group_delay_s(&self) -> Vec<f64> {
        let phase: Vec<f64> = self.value.iter().map(|h| h.arg()).collect();
        group_delay_s(&self.frequency_hz, &unwrapped(&phase))
    }

    /// The response delayed by a time (advanced when it is negative).
    #[must_use]
    pub fn delayed(mut self, delay_s: f64) -> Self {
        for (value, frequency_hz) in self.value.iter_mut().zip(&self.frequency_hz) {
            *value *= Complex64::cis(-2.0 * PI * frequency_hz * delay_s);
        }
        self
    }
}

/// `20·log10` of an amplitude, with `−400` standing for nothing at all, so that
/// the result is always a finite number.
#[must_use]
pub fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.max(1e-20).log10()
}

/// The amplitude ratio of a number of decibels: `10^(db/20)`.
#[must_use]
pub fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// `10·log10` of a power, with `−400` standing for nothing at all.
#[must_use]
pub fn power_db(power: f64) -> f64 {
    10.0 * power.max(1e-40).log10()
}

/// Frequencies `1000·2^(k/n)` Hz from `from_hz` to `to_hz`, both included when
/// they lie on the grid.
///
/// The grid hangs on 1 kHz, so two grids of one density share their points
/// whatever their limits.
#[must_use]
pub fn log_grid(from_hz: f64, to_hz: f64, points_per_octave: f64) -> Vec<f64> {
    if !(from_hz > 0.0 && to_hz >= from_hz && points_per_octave > 0.0 && to_hz.is_finite()) {
        return Vec::new();
    }
    let first = (points_per_octave * (from_hz / 1000.0).log2() - 1e-9).ceil() as i64;
    let last = (points_per_octave * (to_hz / 1000.0).log2() + 1e-9).floor() as i64;
    (first..=last).map(|k| 1000.0 * (k as f64 / points_per_octave).exp2()).collect()
}

/// Values read between the points of a curve, straight in log frequency; the ends
/// are continued level.
///
/// # Panics
/// When the curve is empty or its columns differ in length.
#[must_use]
pub fn interpolate_log(frequency_hz: &[f64], values: &[f64], at_hz: &[f64]) -> Vec<f64> {
    assert_eq!(frequency_hz.len(), values.len(), "a curve's columns have one length");
    assert!(!values.is_empty(), "a curve has at least one point");
    at_hz.iter().map(|&f| interpolate_log_at(frequency_hz, values, f)).collect()
}

fn interpolate_log_at(frequency_hz: &[f64], values: &[f64], at_hz: f64) -> f64 {
    let above = frequency_hz.partition_point(|&f| f < at_hz);
    if above == 0 {
        return values[0];
    }
    if above == values.len() {
        return values[above - 1];
    }
    let (f0, f1) = (frequency_hz[above - 1], frequency_hz[above]);
    if f0 <= 0.0 {
        return values[above];
    }
    let share = (at_hz / f0).ln() / (f1 / f0).ln();
    values[above - 1] + share * (values[above] - values[above - 1])
}

/// Phases (radians) with their jumps of whole turns taken out.
#[must_use]
pub fn unwrapped(phase: &[f64]) -> Vec<f64> {
    let mut turns = 0.0;
    let mut previous: Option<f64> = None;
    phase
        .iter()
        .map(|&p| {
            if let Some(before) = previous {
                turns -= 2.0 * PI * ((p - before) / (2.0 * PI)).round();
            }
            previous = Some(p);
            p + turns
        })
        .collect()
}

/// Group delay `−dφ/dω` of an unwrapped phase (radians), by differences between
/// neighbours, one-sided at the ends. Fewer than two points have none: zeros.
#[must_use]
pub fn group_delay_s(frequency_hz: &[f64], phase: &[f64]) -> Vec<f64> {
    let n = frequency_hz.len().min(phase.len());
    if n < 2 {
        return vec![0.0; n];
    }
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            -(phase[b] - phase[a]) / (2.0 * PI * (frequency_hz[b] - frequency_hz[a]))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use testkit::{all_near, near};

    use super::*;

    #[test]
    fn grids_hang_on_one_kilohertz() {
        let grid = log_grid(20.0, 20_000.0, 96.0);
        assert!(grid.iter().any(|f| (f - 1000.0).abs() < 1e-9));
        assert!(grid[0] >= 20.0 && grid[0] < 20.2 && *grid.last().unwrap() <= 20_000.0);
        all_near("octaves", &log_grid(500.0, 2000.0, 1.0), &[500.0, 1000.0, 2000.0], 1e-9);
        assert!(log_grid(100.0, 50.0, 3.0).is_empty() && log_grid(-1.0, 50.0, 3.0).is_empty());
    }

    #[test]
    fn reading_between_points_is_straight_in_log_frequency() {
        let curve = ([100.0, 1000.0], [0.0, 10.0]);
        let read = interpolate_log(&curve.0, &curve.1, &[10.0, 100.0, 316.227_766_016_837_9, 1000.0, 9000.0]);
        all_near("values", &read, &[0.0, 0.0, 5.0, 10.0, 10.0], 1e-9);
    }

    /// Source: analytic; a pure delay has that group delay at every frequency.
    #[test]
    fn a_pure_delay_is_its_group_delay() {
        let frequency_hz = log_grid(20.0, 20_000.0, 96.0);
        let value = vec![Complex64::new(1.0, 0.0); frequency_hz.len()];
        let response = Response { frequency_hz, value }.delayed(20e-6);
        for delay in response.group_delay_s() {
            near("group delay", delay, 20e-6, 1e-12);
        }
    }
}
