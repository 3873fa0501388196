//! The drivers: which there are, what each one's sweep is, and the delays and
//! polarities that follow from their arrivals.

use job::{ChannelSetting, Driver};
use view::{CardLine, Stage, Tone};

use super::order::hertz;
use super::{Desk, Held};
use crate::{Error, Result};

/// The test sweep that suits a driver's part, and protects it.
pub(super) fn track_of(role: &str) -> &'static str {
    match role {
        "sub" | "subwoofer" => "sweep-sub",
        "tweeter" | "high" => "sweep-high",
        "full" | "fullrange" | "full-range" => "sweep-full",
        _ => "sweep-mid",
    }
}

/// A name, a label, and drivers with their parts.
type Layout = (&'static str, &'static str, &'static [(&'static str, &'static str)]);

/// What a car with devices may hold: the layout's name, and its drivers' names
/// and parts.
pub(super) const LAYOUTS: [Layout; 4] = [
    ("two-way-sub", "Two-way front, sub", &[TWEETERS[0], TWEETERS[1], MIDS[0], MIDS[1], SUB]),
    (
        "three-way-sub",
        "Three-way front, sub",
        &[TWEETERS[0], TWEETERS[1], MIDS[0], MIDS[1], WOOFERS[0], WOOFERS[1], SUB],
    ),
    ("two-way", "Two-way front", &[TWEETERS[0], TWEETERS[1], MIDS[0], MIDS[1]]),
    ("full-range", "Full-range front", &[("left", "full"), ("right", "full")]),
];
const TWEETERS: [(&str, &str); 2] = [("left-tweeter", "tweeter"), ("right-tweeter", "tweeter")];
const MIDS: [(&str, &str); 2] = [("left-mid", "mid"), ("right-mid", "mid")];
const WOOFERS: [(&str, &str); 2] = [("left-woofer", "woofer"), ("right-woofer", "woofer")];
const SUB: (&str, &str) = ("sub", "sub");

/// A layout's drivers.
pub(super) fn layout(id: &str) -> Option<Vec<Driver>> {
    let (_, _, drivers) = LAYOUTS.iter().find(|(name, _, _)| *name == id)?;
    Some(drivers.iter().map(|(name, role)| driver(name, role)).collect())
}

/// A driver whose processor channel has its name.
pub(super) fn driver(name: &str, role: &str) -> Driver {
    Driver { name: name.to_owned(), role: role.to_owned(), channel: name.to_owned() }
}

/// A delay is entered in hundredths of a millisecond.
const DELAY_STEP_S: f64 = 1e-5;

impl Desk {
    /// The drivers of the car.
    pub(super) fn drivers(&self) -> &[Driver] {
        self.job.as_ref().map_or(&[], |job| &job.data().intake.drivers)
    }

    fn driver_found(&self, name: &str) -> Option<&Held> {
        self.captures.newest(Stage::Drivers, name)
    }

    /// One line for each driver: what was found of it.
    pub(super) fn driver_lines(&self) -> Vec<CardLine> {
        let line = |driver: &Driver| {
            let (value, tone) = match self.driver_found(&driver.name) {
                None => ("not measured".to_owned(), Tone::Plain),
                Some(held) if is_inverted(held) => ("wired backwards".to_owned(), Tone::Bad),
                Some(held) if !held.remark.is_empty() => (range_text(held), Tone::Caution),
                Some(held) => (range_text(held), Tone::Good),
            };
            CardLine { label: driver.name.clone(), value, tone }
        };
        self.drivers().iter().map(line).collect()
    }

    /// How many drivers are measured, of how many, and which are wired backwards.
    pub(super) fn drivers_result(&self) -> (usize, usize, Vec<&str>) {
        let found: Vec<&Held> =
            self.drivers().iter().filter_map(|driver| self.driver_found(&driver.name)).collect();
        let backwards = found.iter().filter(|held| is_inverted(held)).map(|held| &*held.position);
        (found.len(), self.drivers().len(), backwards.collect())
    }

    /// Whether arrivals of separate captures share their zero.
    pub(super) fn arrivals_compare(&self) -> bool {
        self.bench
            .as_ref()
            .is_some_and(|bench| bench.car().is_some() || bench.input(engine::InputRole::Loopback).is_some())
    }

    /// Delay and polarity for each measured driver, so that all arrive with the
    /// latest. A subwoofer's arrival is mostly its filters' own delay, so it is
    /// left out and stays undelayed.
    pub(super) fn timing(&self) -> Vec<ChannelSetting> {
        let found: Vec<(&Driver, &Held)> = self
            .drivers()
            .iter()
            .filter_map(|driver| Some((driver, self.driver_found(&driver.name)?)))
            .collect();
        let arrival = |driver: &Driver, held: &Held| {
            held.reading.values.get("arrival_s").copied().filter(|_| track_of(&driver.role) != "sweep-sub")
        };
        let arrivals = found.iter().filter_map(|(driver, held)| arrival(driver, held));
        let latest_s = arrivals.fold(f64::NEG_INFINITY, f64::max);
        let channel = |(driver, held): &(&Driver, &Held)| {
            let delay_s = arrival(driver, held).map_or(0.0, |arrival_s| latest_s - arrival_s);
            ChannelSetting {
                channel: driver.channel.clone(),
                delay_s: (delay_s / DELAY_STEP_S).round() * DELAY_STEP_S,
                inverted: is_inverted(held),
                ..ChannelSetting::default()
            }
        };
        found.iter().map(channel).collect()
    }

    /// Keeps delays and polarities in the job; the simulated processor has them
    /// from then on.
    pub(super) fn enter_timing(&mut self) -> Result<()> {
        let channels = self.timing();
        if channels.is_empty() {
            return Err(Error::input("Measure the drivers first: the delays follow from their arrivals."));
        }
        if let Some(job) = &mut self.job {
            job.edit(|data| data.channels = channels)?;
        }
        self.found()
    }
}

fn is_inverted(held: &Held) -> bool {
    held.reading.labels.get("polarity").is_some_and(|polarity| polarity == "inverted")
}

fn range_text(held: &Held) -> String {
    let value = |name: &str| held.reading.values.get(name).copied();
    match (value("valid_from_hz"), value("valid_to_hz")) {
        (Some(from_hz), Some(to_hz)) => format!("{} to {}", hertz(from_hz), hertz(to_hz)),
        _ => "measured".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the rule of the design: never a full-range sweep for a tweeter.
    #[test]
    fn only_a_full_range_driver_hears_the_full_range() {
        for (id, _, _) in LAYOUTS {
            for driver in layout(id).expect("it is listed") {
                let full = track_of(&driver.role) == "sweep-full";
                assert_eq!(full, driver.role == "full", "{}", driver.name);
            }
        }
        assert_eq!(track_of("tweeter"), "sweep-high");
        assert_eq!(track_of("sub"), "sweep-sub");
        assert_ne!(track_of("a word of their own"), "sweep-full");
    }
}
