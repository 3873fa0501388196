//! A whole car aligned: from response files or distances to what is entered for every driver.

use std::fmt;
use std::fmt::Write as _;
use std::path::PathBuf;

use job::CrossoverTiming;
use measure::Finding;
use project::derive::crossover_timing;
use serde::Serialize;
use tuning::{CarAlignment, CarDriver, CarFilter, CarInput, CarSetting, DelayEntry, Profile, Role};
use units::quantity::{decibels, hertz, signed_decibels};

use library::{Error, Result};

/// What is to be aligned.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CarOrder {
    /// Each driver's name and response; none when only distances are known.
    pub(crate) responses: Vec<(String, PathBuf)>,
    /// Distances to the listener by the driver's name.
    pub(crate) distances_m: Vec<(String, f64)>,
    /// Arrivals by the driver's name.
    pub(crate) arrivals_ms: Vec<(String, f64)>,
    /// What drivers are for, by their names.
    pub(crate) roles: Vec<(String, Role)>,
    /// The processor's name or file.
    pub(crate) processor: String,
    /// The crossovers from the lowest up, when they are settled.
    pub(crate) crossovers_hz: Vec<f64>,
    /// The crossover filters were on when the responses were taken.
    pub(crate) filtered: bool,
    /// The air's temperature.
    pub(crate) temperature_c: f64,
}

/// A delay for one driver, when nothing but distances or arrivals is known.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct PlacedDriver {
    /// The driver.
    pub(crate) driver: String,
    /// The delay on the processor's grid.
    pub(crate) delay_s: f64,
    /// The same in the units in which processors take it.
    pub(crate) delay: DelayEntry,
}

/// What to enter for a car.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub(crate) enum CarTiming {
    /// From responses: everything.
    Aligned(CarAlignment),
    /// From distances or arrivals alone: the delays.
    Placed {
        /// One entry for each driver.
        drivers: Vec<PlacedDriver>,
        /// Remarks.
        findings: Vec<Finding>,
    },
}

/// Aligns a car.
///
/// # Errors
/// When something that was given cannot be used.
pub(crate) fn align_car(order: &CarOrder) -> Result<CarTiming> {
    let profile = library::profile(&order.processor)?;
    once("--distance", &order.distances_m)?;
    once("--arrival", &order.arrivals_ms)?;
    let named =
        |list: &[(String, f64)], name: &str| list.iter().find(|(other, _)| other == name).map(|(_, x)| *x);
    if order.responses.is_empty() {
        return placed(order, &profile);
    }
    for name in order
        .distances_m
        .iter()
        .chain(&order.arrivals_ms)
        .map(|(name, _)| name)
        .chain(order.roles.iter().map(|(name, _)| name))
    {
        if !order.responses.iter().any(|(other, _)| other == name) {
            return Err(Error::input(format!(
                "there is a distance, an arrival or a role for `{name}`, but no driver of this name; give NAME=RESPONSE for it"
            )));
        }
    }
    let drivers: Vec<CarDriver> = order
        .responses
        .iter()
        .map(|(name, path)| {
            Ok(CarDriver {
                name: name.clone(),
                role: order.roles.iter().find(|(other, _)| other == name).map(|(_, role)| *role),
                feed: None,
                response: library::response(path)?,
                distance_m: named(&order.distances_m, name),
                arrival_s: named(&order.arrivals_ms, name).map(|ms| ms / 1e3),
            })
        })
        .collect::<Result<_>>()?;
    let input = CarInput {
        drivers: &drivers,
        profile: &profile,
        crossovers_hz: &order.crossovers_hz,
        filtered: order.filtered,
        temperature_c: order.temperature_c,
    };
    tuning::align_car(&input).map(CarTiming::Aligned).map_err(|error| Error::input(error.to_string()))
}

/// Refuses a name that is given twice: one of the two would be lost without a word.
fn once(option: &str, given: &[(String, f64)]) -> Result<()> {
    for (index, (name, _)) in given.iter().enumerate() {
        if given[..index].iter().any(|(other, _)| other == name) {
            return Err(Error::input(format!("{option} `{name}` is given twice; give it once")));
        }
    }
    Ok(())
}

fn placed(order: &CarOrder, profile: &Profile) -> Result<CarTiming> {
    let (names, wanted_s): (Vec<&str>, Vec<f64>) = match (&order.distances_m[..], &order.arrivals_ms[..]) {
        ([], []) => {
            return Err(Error::input(
                "there is nothing to align; give NAME=RESPONSE for each driver, or --distance NAME=DISTANCE",
            ));
        }
        (distances, []) => {
            let ways: Vec<f64> = distances.iter().map(|(_, m)| *m).collect();
            let delays = tuning::delays_from_distances(&ways, order.temperature_c);
            (distances.iter().map(|(name, _)| name.as_str()).collect(), delays)
        }
        ([], arrivals) => {
            let times: Vec<f64> = arrivals.iter().map(|(_, ms)| ms / 1e3).collect();
            (arrivals.iter().map(|(name, _)| name.as_str()).collect(), tuning::delays_from_arrivals(&times))
        }
        _ => return Err(Error::input("give --distance or --arrival for the drivers, not both")),
    };
    let (delays_s, limited) = match profile.delay {
        Some(grid) => tuning::hold_delays(&names, &wanted_s, grid),
        None => (wanted_s, None),
    };
    let drivers = names
        .into_iter()
        .zip(delays_s)
        .map(|(name, delay_s)| {
            let delay = DelayEntry::new(delay_s, profile.sample_rate_hz, order.temperature_c);
            PlacedDriver { driver: name.to_owned(), delay_s, delay }
        })
        .collect();
    Ok(CarTiming::Placed { drivers, findings: limited.into_iter().collect() })
}

fn delay_text(name: &str, delay: &DelayEntry) -> String {
    format!(
        "{name:16} {:7.2} ms {:7.1} samples {:7.1} cm {:7.1} in",
        delay.ms, delay.samples, delay.cm, delay.inches
    )
}

fn filter_text(filter: Option<CarFilter>, side: &str) -> String {
    filter.map_or_else(String::new, |filter| {
        let family = match filter.family {
            tuning::CrossoverFamily::Butterworth => "Butterworth",
            tuning::CrossoverFamily::LinkwitzRiley => "Linkwitz-Riley",
            tuning::CrossoverFamily::Bessel => "Bessel",
        };
        format!(", {side} {} {family} {} dB/octave", hertz(filter.frequency_hz), filter.slope_db_per_octave)
    })
}

fn setting_text(setting: &CarSetting) -> String {
    format!(
        "{}\n{:16} gain {}{}{}{}\n",
        delay_text(&setting.driver, &setting.delay),
        "",
        signed_decibels(setting.gain_db),
        if setting.invert { ", INVERTED" } else { "" },
        filter_text(setting.high_pass, "high-pass"),
        filter_text(setting.low_pass, "low-pass")
    )
}

/// A crossover in one line.
#[must_use]
pub(crate) fn crossover_text(crossover: &CrossoverTiming) -> String {
    format!(
        "{} with {} at {} ({}): summation loss {} before, {} after",
        crossover.lower.join(" + "),
        crossover.upper.join(" + "),
        hertz(crossover.frequency_hz),
        crossover.why,
        decibels(crossover.before_worst_db.abs()),
        decibels(crossover.worst_db.abs())
    )
}

impl fmt::Display for CarTiming {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let car = match self {
            Self::Placed { drivers, findings } => {
                drivers.iter().try_for_each(|one| writeln!(f, "{}", delay_text(&one.driver, &one.delay)))?;
                return findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text));
            }
            Self::Aligned(car) => car,
        };
        let mut text: String = car.drivers.iter().map(setting_text).collect();
        // Writing to a string cannot fail.
        for crossover in &car.crossovers {
            let _ = writeln!(text, "{}", crossover_text(&crossover_timing(crossover)));
        }
        for sum in &car.sums {
            let _ = writeln!(
                text,
                "Combined response, {}: worst dip {} at {} ({}); {} before",
                sum.heard,
                decibels(sum.worst_db),
                hertz(sum.worst_hz),
                sum.worst_between.join(" and "),
                decibels(sum.before_worst_db)
            );
        }
        for finding in &car.findings {
            let _ = writeln!(text, "{}", finding.text);
        }
        f.write_str(&text)
    }
}
