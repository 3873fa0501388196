//! Delays from distances and arrivals, what a processor can hold of them, and how they are written.

use measure::Finding;

use crate::DelayGrid;

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

/// Delays as a processor can hold them, the shortest being 0, and a remark where it cannot.
///
/// Where the longest is too long, some driver must play at another time than the others: either the
/// drivers that need too much play early, or all are taken back together and those that had little
/// delay come late. The way that leaves fewer drivers apart is taken; the others keep their time to
/// each other.
///
/// Accuracy: `what_is_too_long_leaves_the_fewest_apart`.
#[must_use]
pub fn hold_delays(names: &[&str], wanted_s: &[f64], grid: DelayGrid) -> (Vec<f64>, Option<Finding>) {
    let longest_s = wanted_s.iter().copied().fold(0.0, f64::max);
    let most_s = grid.nearest(grid.max_s);
    let excess_s = longest_s - most_s;
    if excess_s <= 0.5 * grid.step_s {
        return (wanted_s.iter().map(|&wanted_s| grid.nearest(wanted_s)).collect(), None);
    }
    let early = wanted_s.iter().filter(|&&wanted_s| wanted_s > most_s).count();
    let late = wanted_s.iter().filter(|&&wanted_s| wanted_s < excess_s).count();
    let taken_back_s = if early < late { 0.0 } else { excess_s };
    let delays_s: Vec<f64> =
        wanted_s.iter().map(|&wanted_s| grid.nearest((wanted_s - taken_back_s).max(0.0))).collect();
    let apart: Vec<String> = names
        .iter()
        .zip(wanted_s.iter().zip(&delays_s))
        .filter_map(|(name, (wanted_s, delay_s))| {
            let late_s = delay_s - (wanted_s - taken_back_s);
            let word = if late_s > 0.0 { "late" } else { "early" };
            (late_s.abs() > 0.501 * grid.step_s)
                .then(|| format!("{name} comes {:.2} ms {word}", 1e3 * late_s.abs()))
        })
        .collect();
    let text = format!(
        "These drivers need delays up to {:.2} ms; the processor has {:.2} ms. With the best that it can hold, {}.",
        1e3 * longest_s,
        1e3 * grid.max_s,
        apart.join(", ")
    );
    (delays_s, Some(Finding::caution("delay-too-long", text)))
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

    /// Source: arithmetic; 7 m at 343.2 m/s are 20.396 ms, where 10 ms can be entered.
    #[test]
    fn what_is_too_long_leaves_the_fewest_apart() {
        let grid = DelayGrid { step_s: 1e-4, max_s: 0.01 };
        let (delays, finding) = hold_delays(&["a", "b"], &delays_from_distances(&[1.0, 8.0], 20.0), grid);
        all_near("two", &delays, &[0.01, 0.0], 1e-12);
        let finding = finding.unwrap();
        assert_eq!(finding.code, "delay-too-long");
        assert!(
            finding.text.contains("20.40 ms") && finding.text.contains("has 10.00 ms"),
            "{}",
            finding.text
        );
        assert!(finding.text.contains("b comes 10.40 ms late"), "{}", finding.text);

        // One far subwoofer comes late, and the others keep their time to each other.
        let (delays, finding) = hold_delays(&["lt", "rt", "sub"], &[0.012, 0.0115, 0.0], grid);
        all_near("a far subwoofer", &delays, &[0.01, 0.0095, 0.0], 1e-12);
        assert!(finding.unwrap().text.contains("sub comes 2.00 ms late"));

        // One near driver plays early.
        let (delays, finding) = hold_delays(&["near", "b", "c"], &[0.012, 0.001, 0.0], grid);
        all_near("a near driver", &delays, &[0.01, 0.001, 0.0], 1e-12);
        assert!(finding.unwrap().text.contains("near comes 2.00 ms early"));

        let (delays, finding) = hold_delays(&["a", "b"], &[0.010_04, 0.0], grid);
        all_near("within a step", &delays, &[0.01, 0.0], 1e-12);
        assert_eq!(finding, None);
    }

    #[test]
    fn nothing_gives_nothing() {
        assert!(delays_from_distances(&[], 20.0).is_empty());
        assert_eq!(delays_from_arrivals(&[0.4]), [0.0]);
    }
}
