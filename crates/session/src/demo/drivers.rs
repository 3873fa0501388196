//! Drivers and Timing: each driver alone, its polarity and its arrival.

use cabin::{Car, Channel, CrossoverKind, Driver, Edge, Role};
use engine::InputRole;
use host::Registry;
use job::{ChannelSetting, Crossover, Stage};
use measure::Reading;

use super::{Demo, paired_sweep};
use crate::take::{self, Plan};
use crate::{Error, Result};

/// A driver's test sweep: band and peak (common practice, no source: the higher
/// the band, the lower the level).
fn sweep_of(role: Role) -> (f64, f64, f64) {
    match role {
        Role::Sub => (15.0, 250.0, -12.0),
        Role::Woofer => (30.0, 4_000.0, -12.0),
        Role::Mid => (80.0, 8_000.0, -15.0),
        Role::Tweeter => (2_000.0, 21_000.0, -18.0),
        Role::FullRange => (60.0, 20_000.0, -15.0),
    }
}

/// The part of the band that each kind of driver gets (common practice, no source).
fn band_of(role: Role) -> (Option<f64>, Option<f64>) {
    match role {
        Role::Sub => (None, Some(80.0)),
        Role::Woofer => (Some(80.0), Some(350.0)),
        Role::Mid => (Some(350.0), Some(3_000.0)),
        Role::Tweeter => (Some(3_000.0), None),
        Role::FullRange => (Some(120.0), None),
    }
}

/// How far below the clean limit the drivers are measured.
const STEPS_BELOW: u32 = 8;

impl Demo<'_> {
    /// Measures each driver alone; names those that are wired backwards.
    pub(super) fn drivers(&mut self, car: &Car, clean_step: u32) -> Result<Vec<String>> {
        self.bench.set(|setup| setup.volume_step = clean_step.saturating_sub(STEPS_BELOW).max(1))?;
        let mut channels: Vec<ChannelSetting> = Vec::new();
        let mut reversed = Vec::new();
        let mut details = Vec::new();
        for (number, driver) in car.drivers.iter().enumerate() {
            (self.progress)("Drivers", number as f64 / car.drivers.len() as f64);
            let reading = self.driver(driver)?;
            let value = |name: &str| reading.values.get(name).copied();
            let inverted = reading.labels.get("polarity").is_some_and(|polarity| polarity == "inverted");
            if inverted {
                reversed.push(driver.name.clone());
            }
            let polarity = if inverted { "WIRED BACKWARDS" } else { "polarity normal" };
            details.push(format!(
                "{:14} {:>6.0} to {:>6.0} Hz, {polarity}, signal to noise {:.0} dB",
                driver.name,
                value("valid_from_hz").unwrap_or(0.0),
                value("valid_to_hz").unwrap_or(0.0),
                value("snr_db").unwrap_or(0.0)
            ));
            channels.push(ChannelSetting {
                channel: driver.name.clone(),
                delay_s: value("arrival_s").unwrap_or(0.0),
                inverted,
                high_pass: band_of(driver.role).0.map(linkwitz_riley),
                low_pass: band_of(driver.role).1.map(linkwitz_riley),
                ..ChannelSetting::default()
            });
        }
        let line = match reversed.as_slice() {
            [] => format!("{} measured, none wired backwards", car.drivers.len()),
            names => format!("{} measured, wired backwards: {}", car.drivers.len(), names.join(", ")),
        };
        self.result(Stage::Drivers, "Drivers", &line)?;
        details.iter().for_each(|line| self.detail(line));
        to_delays(&mut channels, car);
        self.job.edit(|data| data.channels = channels)?;
        Ok(reversed)
    }

    fn driver(&mut self, driver: &Driver) -> Result<Reading> {
        let (from_hz, to_hz, peak_dbfs) = sweep_of(driver.role);
        let name = driver.name.clone();
        self.bench.set(|setup| setup.active = Some(vec![name]))?;
        let registry = Registry::built_in();
        let manifest = registry.manifest("sweep").map_err(|unknown| Error::input(unknown.to_string()))?;
        let plan = Plan {
            stimulus: Some(paired_sweep("sweep of one driver", from_hz, to_hz, peak_dbfs)),
            label: driver.name.clone(),
            position: "driver's seat".to_owned(),
            ..Plan::of(manifest, Stage::Drivers, self.bench.input(InputRole::Microphone).unwrap_or(0))
        };
        let taken = take::take(&plan, &mut self.bench, Some(&mut self.job), None, &mut |_, _| Ok(()))?;
        match taken.reading.stopped() {
            Some(finding) => Err(finding.into()),
            None => Ok(taken.reading),
        }
    }

    /// Enters crossovers, delays and polarity.
    pub(super) fn timing(&mut self, car: &Car) -> Result<()> {
        let channels = self.job.data().channels.clone();
        self.bench.set(|setup| {
            setup.active = None;
            for channel in &channels {
                let entry: &mut Channel = setup.processor.entry(channel.channel.clone()).or_default();
                entry.delay_s = channel.delay_s;
                entry.invert ^= channel.inverted;
                entry.high_pass = channel.high_pass.as_ref().map(edge);
                entry.low_pass = channel.low_pass.as_ref().map(edge);
            }
        })?;
        let longest_ms = channels.iter().map(|channel| 1e3 * channel.delay_s).fold(0.0, f64::max);
        let turned = channels.iter().filter(|channel| channel.inverted).count();
        let line = format!(
            "delays up to {longest_ms:.2} ms, {turned} polarity turned, crossovers 80 / 350 / 3000 Hz"
        );
        self.result(Stage::Timing, "Timing", &line)?;
        for channel in &channels {
            let role = car
                .driver(&channel.channel)
                .map_or("", |driver| if driver.role == Role::Sub { " (latest, by its band)" } else { "" });
            self.detail(&format!("{:14} {:6.2} ms{role}", channel.channel, 1e3 * channel.delay_s));
        }
        Ok(())
    }
}

/// Turns arrivals into delays that make all arrive with the latest. A
/// subwoofer's arrival is mostly its filters' own delay, so it is left out and
/// stays undelayed.
fn to_delays(channels: &mut [ChannelSetting], car: &Car) {
    let is_sub = |name: &str| car.driver(name).is_some_and(|driver| driver.role == Role::Sub);
    let latest_s = channels
        .iter()
        .filter(|channel| !is_sub(&channel.channel))
        .map(|channel| channel.delay_s)
        .fold(0.0, f64::max);
    for channel in channels {
        let delay_s = latest_s - channel.delay_s;
        let entered_s =
            if is_sub(&channel.channel) { 0.0 } else { delay_s.clamp(0.0, car.processor.longest_delay_s) };
        // A hundredth of a millisecond is what such a processor takes.
        channel.delay_s = (entered_s * 1e5).round() / 1e5;
    }
}

fn linkwitz_riley(frequency_hz: f64) -> Crossover {
    Crossover { family: "linkwitz-riley".to_owned(), order: 4, frequency_hz }
}

fn edge(crossover: &Crossover) -> Edge {
    Edge { frequency_hz: crossover.frequency_hz, order: crossover.order, kind: CrossoverKind::LinkwitzRiley }
}
