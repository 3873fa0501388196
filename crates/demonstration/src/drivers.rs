//! Drivers and Timing: each driver alone, its polarity and its arrival.

use cabin::{Car, Driver};
use host::Registry;
use job::{Set, Stage};
use measure::Reading;
use procedure::{Change, Plan, capture, driver_sweep, short_driver_sweep};
use rig::{Entered, InputRole, Scene, Sounding, role_of};
use units::quantity::{counted, hertz, signed_decibels};

use super::working::{Demo, PROCESSOR, one};
use library::{Error, Result};
use procedure::reading_response;
use project::derive::{self, CarPlan, FoundDriver};

/// How far below the clean limit the drivers are measured.
const STEPS_BELOW: u32 = 8;

/// At so many places of the driver's head the whole car is tuned; it is judged at the others.
const TUNED_AT: usize = 4;

/// The places of the driver's head at which the drivers are measured, and those at which nobody fitted anything.
pub(super) fn places(car: &Car) -> (Vec<String>, Vec<String>) {
    let mut all: Vec<String> = car.position_names().map(str::to_owned).collect();
    // The other seat is another tune.
    all.retain(|name| !name.contains("passenger"));
    let others = all.split_off(TUNED_AT.min(all.len().saturating_sub(1)));
    // A car with one place is judged where it was tuned.
    if all.is_empty() { (others.clone(), others) } else { (all, others) }
}

impl Demo<'_> {
    /// Measures each driver alone and unfiltered, each with a sweep that protects it, at the places that are tuned
    /// for; names those that are wired backwards, and what all follow from together.
    pub(super) fn drivers(&mut self, car: &Car, clean_step: u32) -> Result<(Vec<String>, CarPlan)> {
        let step = clean_step.saturating_sub(STEPS_BELOW).max(1);
        // Nothing is entered, and the car's own filters are off.
        let bare = Entered::default();
        let (places, _) = places(car);
        let mut readings: Vec<Reading> = Vec::new();
        for (number, place) in places.iter().enumerate() {
            (self.progress)("Drivers", number as f64 / places.len() as f64);
            // What the processor does not feed is measured once, for its polarity.
            for driver in car.drivers.iter().filter(|driver| driver.processed || number == 0) {
                let reading = self.driver(driver, place, (Some(step), &bare), None)?;
                if number == 0 {
                    readings.push(reading);
                }
            }
        }
        let responses: Vec<_> = readings.iter().map(|reading| reading_response(reading).ok()).collect();
        let drivers = self.job.job().data().intake.drivers.clone();
        let found: Vec<FoundDriver<'_>> = drivers
            .iter()
            .zip(readings.iter().zip(&responses))
            .map(|(driver, (reading, response))| FoundDriver {
                driver,
                reading,
                response: response.as_ref(),
                zero_s: 0.0,
            })
            .collect();
        let reversed: Vec<String> =
            found.iter().filter(|one| one.is_inverted()).map(|one| one.driver.name.clone()).collect();
        let line = match reversed.as_slice() {
            [] => "none with reversed polarity".to_owned(),
            names => format!("reversed polarity: {}", names.join(", ")),
        };
        let line =
            format!("{} measured at {}, {line}", found.len(), counted(places.len(), "place", "places"));
        self.result(Stage::Drivers, "Drivers", &line)?;
        for one in &found {
            let value = |name: &str| one.reading.values.get(name).copied().unwrap_or(0.0);
            let polarity = if one.is_inverted() { "REVERSED POLARITY" } else { "polarity normal" };
            self.detail(&format!(
                "{:14} {:>8} to {:>8}, {polarity}, signal to noise {:.0} dB",
                one.driver.name,
                hertz(value("valid_from_hz")),
                hertz(value("valid_to_hz")),
                value("snr_db")
            ));
        }
        let plan = derive::car_plan(&found, &library::profile(PROCESSOR)?, false, true);
        // The drivers were measured with the gains and polarities that the processor held.
        let held = self.job.job().data().preset.as_ref();
        let plan = plan.on_top_of(held.map(|held| held.channels.as_slice()).unwrap_or_default());
        Ok((reversed, plan))
    }

    /// One driver alone at a place, at a volume step, with this in the processor.
    pub(super) fn driver(
        &mut self,
        driver: &Driver,
        place: &str,
        (volume_step, entered): (Option<u32>, &Entered),
        set: Option<&Set>,
    ) -> Result<Reading> {
        let registry = Registry::built_in();
        let manifest = registry.manifest("sweep").map_err(|unknown| Error::input(unknown.to_string()))?;
        let role = role_of(driver);
        // Steep crossovers spread a low sweep over time as lost samples do; only the marks of the standard tracks tell the
        // two apart.
        let marked = driver_sweep(Some(role)).filter(|_| set.is_some());
        let plan = Plan {
            stimulus: Some(marked.unwrap_or_else(|| short_driver_sweep(role))),
            label: format!("{} at {place}", driver.name),
            driver: driver.name.clone(),
            position: place.to_owned(),
            set: set.cloned(),
            scene: Some(Scene {
                sounding: Sounding::Only(driver.name.clone()),
                position: Some(place.to_owned()),
                volume_step,
                processor: Some(entered.clone()),
                ..Scene::default()
            }),
            ..Plan::of(manifest, Stage::Drivers, self.rig.input(InputRole::Microphone).unwrap_or(0))
        };
        one(self.run(|session| capture(session, &plan))?)
    }

    /// Enters what was found for the whole car: delays, gains, polarities, crossovers.
    pub(super) fn timing(&mut self, plan: &CarPlan) -> Result<()> {
        let channels = plan.channels.clone();
        self.channels.clone_from(&channels);
        let longest_ms = channels.iter().map(|channel| 1e3 * channel.delay_s).fold(0.0, f64::max);
        let turned = channels.iter().filter(|channel| channel.inverted).count();
        let line =
            format!("delays up to {longest_ms:.2} ms, {} inverted", counted(turned, "channel", "channels"));
        self.job.apply(Change::Channels(channels.clone()))?;
        self.result(Stage::Timing, "Timing", &line)?;
        for channel in &channels {
            let turned = if channel.inverted { ", inverted" } else { "" };
            let (delay_ms, gain_db) = (1e3 * channel.delay_s, channel.gain_db);
            self.detail(&format!(
                "{:14} {delay_ms:6.2} ms, {:>8}{turned}",
                channel.channel,
                signed_decibels(gain_db)
            ));
        }
        let Some(aligned) = &plan.aligned else { return Ok(()) };
        for (meeting, filter) in derive::crossovers(aligned) {
            self.detail(&format!("{meeting:18} {filter}"));
        }
        for sum in &aligned.sums {
            self.detail(&derive::sum_text(sum));
        }
        Ok(())
    }
}
