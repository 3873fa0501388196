//! Delays from distances and arrivals, and how they are written.

/// The speed of sound in air, `343.2·√(T/293.15)` m/s with `T` in kelvins.
///
/// References: ISO 9613-1:1993, equation A.5 (dry air; humidity adds up to
/// 0.4 % at 20 °C).
/// Accuracy: `the_speed_of_sound_is_the_standards`.
#[must_use]
pub fn speed_of_sound(temperature_c: f64) -> f64 {
    343.2 * ((temperature_c + 273.15) / 293.15).sqrt()
}

/// The delay for each driver so that all arrive with the farthest one:
/// `(d_max − d)/c`.
///
/// Accuracy: `seven_drivers_are_delayed_as_worked_by_hand`.
#[must_use]
pub fn delays_from_distances(distances_m: &[f64], temperature_c: f64) -> Vec<f64> {
    let speed = speed_of_sound(temperature_c);
    delays_from_arrivals(&distances_m.iter().map(|distance_m| distance_m / speed).collect::<Vec<_>>())
}

/// The delay for each driver so that all arrive with the latest one:
/// `t_max − t`.
#[must_use]
pub fn delays_from_arrivals(arrivals_s: &[f64]) -> Vec<f64> {
    let latest_s = arrivals_s.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    arrivals_s.iter().map(|arrival_s| latest_s - arrival_s).collect()
}

/// A delay in the units in which processors take it.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct DelayEntry {
    /// Milliseconds.
    pub ms: f64,
    /// Samples at the processor's rate.
    pub samples: f64,
    /// The way of the sound in centimetres.
    pub cm: f64,
    /// The way of the sound in inches.
    pub inches: f64,
}

impl DelayEntry {
    /// A delay in all units.
    #[must_use]
    pub fn new(delay_s: f64, sample_rate_hz: f64, temperature_c: f64) -> Self {
        let way_m = delay_s * speed_of_sound(temperature_c);
        Self {
            ms: delay_s * 1e3,
            samples: delay_s * sample_rate_hz,
            cm: way_m * 100.0,
            inches: way_m / 0.0254,
        }
    }
}

#[cfg(test)]
mod tests {
    use testkit::{all_near, near};

    use super::*;

    /// Source: ISO 9613-1:1993, equation A.5, worked by an independent script.
    #[test]
    fn the_speed_of_sound_is_the_standards() {
        for (temperature_c, wanted) in
            [(-20.0, 318.927_006), (0.0, 331.285_885), (20.0, 343.2), (35.0, 351.870_952)]
        {
            near("speed in m/s", speed_of_sound(temperature_c), wanted, 1e-6);
        }
    }

    /// Source: arithmetic, `(d_max − d)/c` at 20 °C; the rule is common practice, no source.
    #[test]
    fn seven_drivers_are_delayed_as_worked_by_hand() {
        let delays = delays_from_distances(&[0.95, 1.02, 1.20, 1.45, 1.48, 1.62, 2.10], 20.0);
        let ms: Vec<f64> = delays.iter().map(|delay_s| delay_s * 1e3).collect();
        all_near("delay in ms", &ms, &[3.3508, 3.1469, 2.6224, 1.8939, 1.8065, 1.3986, 0.0], 5e-5);
        let samples: Vec<f64> =
            delays.iter().map(|s| DelayEntry::new(*s, 48_000.0, 20.0).samples.round()).collect();
        assert_eq!(samples, [161.0, 151.0, 126.0, 91.0, 87.0, 67.0, 0.0]);
    }

    /// Source: arithmetic at 343.2 m/s: 0.1 m is 0.29138 ms, 13.986 samples at 48 kHz, 3.937 inches.
    #[test]
    fn ten_centimetres_in_every_unit() {
        let entry = DelayEntry::new(0.1 / 343.2, 48_000.0, 20.0);
        near("ms", entry.ms, 0.291_375_291, 1e-9);
        near("samples", entry.samples, 13.986_013_986, 1e-9);
        near("cm", entry.cm, 10.0, 1e-12);
        near("inches", entry.inches, 3.937_007_874, 1e-9);
    }

    #[test]
    fn nothing_gives_nothing() {
        assert!(delays_from_distances(&[], 20.0).is_empty());
        assert_eq!(delays_from_arrivals(&[0.4]), [0.0]);
    }
}
