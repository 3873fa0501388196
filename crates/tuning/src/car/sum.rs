//! What drivers add up to, as a complex sum, and where that is worst.

use num_complex::Complex64;
use serde::Serialize;

use crate::log_axis;

/// Points of a predicted sum per octave.
pub(super) const POINTS_PER_OCTAVE: f64 = 48.0;
/// The sum is judged as a power mean over 1/6 octave: a finer comb is heard as less.
const JUDGED_FRACTION: u32 = 6;
/// A driver so far below the loudest does not matter to a dip.
const MATTERS_DB: f64 = 20.0;

/// What several drivers add up to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CarSum {
    /// Who is heard: `left`, `right` or `all`.
    pub heard: String,
    /// The worst loss against perfect addition; 0 is perfect.
    pub worst_db: f64,
    /// Where that is.
    pub worst_hz: f64,
    /// The two loudest drivers there.
    pub worst_between: Vec<String>,
    /// The worst loss as wired and without delays, with the same filters.
    pub before_worst_db: f64,
    /// The frequencies of the predicted sum.
    pub frequency_hz: Vec<f64>,
    /// Its magnitude.
    pub magnitude_db: Vec<f64>,
}

/// One driver on a common axis: its pressure at each point, none where not measured.
#[derive(Debug, Clone)]
pub(super) struct Heard {
    pub(super) name: String,
    pub(super) after: Vec<Complex64>,
    pub(super) before: Vec<Complex64>,
}

impl CarSum {
    pub(super) fn new(heard: &str, frequency_hz: Vec<f64>, drivers: &[Heard]) -> Self {
        let losses = |pressure: fn(&Heard) -> &Vec<Complex64>| -> Vec<f64> {
            let power =
                |i: usize| drivers.iter().map(|driver| pressure(driver)[i]).sum::<Complex64>().norm_sqr();
            let perfect =
                |i: usize| drivers.iter().map(|driver| pressure(driver)[i].norm()).sum::<f64>().powi(2);
            let db = |power: f64| 10.0 * (power + 1e-30).log10();
            let points = 0..frequency_hz.len();
            let sum: Vec<f64> = points.clone().map(|i| db(power(i))).collect();
            let best: Vec<f64> = points.map(|i| db(perfect(i))).collect();
            let smooth = |values: &[f64]| log_axis::smooth_power_db(&frequency_hz, values, JUDGED_FRACTION);
            smooth(&sum).iter().zip(smooth(&best)).map(|(sum, best)| sum - best).collect()
        };
        let (after, before) = (losses(|driver| &driver.after), losses(|driver| &driver.before));
        let least =
            |losses: &[f64]| (0..losses.len()).min_by(|&a, &b| losses[a].total_cmp(&losses[b])).unwrap_or(0);
        let worst = least(&after);
        let level = |driver: &Heard| 20.0 * (driver.after[worst].norm() + 1e-15).log10();
        let mut loudest: Vec<&Heard> = drivers.iter().collect();
        loudest.sort_by(|a, b| level(b).total_cmp(&level(a)));
        let top = loudest.first().map_or(0.0, |driver| level(driver));
        let magnitude_db = (0..frequency_hz.len())
            .map(|i| {
                20.0 * (drivers.iter().map(|driver| driver.after[i]).sum::<Complex64>().norm() + 1e-15)
                    .log10()
            })
            .collect();
        Self {
            heard: heard.to_owned(),
            worst_db: after.get(worst).copied().unwrap_or(0.0),
            worst_hz: frequency_hz.get(worst).copied().unwrap_or(0.0),
            worst_between: loudest
                .iter()
                .take(2)
                .filter(|driver| level(driver) > top - MATTERS_DB)
                .map(|driver| driver.name.clone())
                .collect(),
            before_worst_db: before.get(least(&before)).copied().unwrap_or(0.0),
            frequency_hz,
            magnitude_db,
        }
    }
}
