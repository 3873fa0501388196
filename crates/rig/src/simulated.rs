//! The simulated car that stands between the outputs and the inputs of its rig.

use std::sync::{Arc, Mutex, PoisonError};

use cabin::{Cabin, Car, Setup, Truth};
use engine::{Input, InputRole, Output, Plant, RigSpec};
use library::{Error, Result};
use tuning::Role;

/// What a driver of a simulated car is for. Its description knows the parts of a side only; that one is a centre or a
/// fill is in its name.
#[must_use]
pub fn role_of(driver: &cabin::Driver) -> Role {
    match (Role::proposed(&driver.name, (20.0, 20_000.0)), driver.role) {
        (beside @ (Role::Centre | Role::Fill), _) => beside,
        (_, cabin::Role::FullRange) => Role::FullRange,
        (_, cabin::Role::Tweeter) => Role::Tweeter,
        (_, cabin::Role::Mid) => Role::Mid,
        (_, cabin::Role::Woofer) => Role::Woofer,
        (_, cabin::Role::Sub) => Role::Sub,
    }
}

/// The rate at which the simulated car runs.
const RATE_HZ: u32 = 48_000;

/// The model, as the engine runs it.
#[derive(Debug)]
pub(crate) struct CabinPlant(Cabin);

impl Plant for CabinPlant {
    fn process(&mut self, played: &[f32], captured: &mut [f32]) {
        self.0.process(played, captured);
    }

    fn outputs(&self) -> usize {
        2
    }

    fn inputs(&self) -> usize {
        2
    }
}

/// The simulated car behind a rig.
#[derive(Debug)]
pub struct Simulated {
    /// Its description.
    pub car: Car,
    /// What measurements should find.
    pub truth: Truth,
    plant: Arc<Mutex<CabinPlant>>,
    setup: Setup,
}

impl Simulated {
    pub(crate) fn new(car: Car) -> Result<Self> {
        let truth = car.truth();
        let cabin = Cabin::new(&car, f64::from(RATE_HZ)).map_err(|error| Error::input(error.to_string()))?;
        let setup = cabin.setup().clone();
        Ok(Self { car, truth, plant: Arc::new(Mutex::new(CabinPlant(cabin))), setup })
    }

    /// How it is wired: the player's two sides out, a microphone and a tap in.
    pub(crate) fn spec(&self) -> RigSpec {
        let mut microphone = Input::new(1, "microphone", InputRole::Microphone);
        microphone.dbfs_at_94 = Some(self.truth.dbfs_at_94);
        let mut tap = Input::new(2, "tap", InputRole::Electrical);
        tap.volts_per_fs = Some(self.truth.volts_per_fs);
        RigSpec {
            name: format!("Simulated: {}", self.car.name),
            sample_rate_hz: RATE_HZ,
            outputs: vec![Output::new(1, "left"), Output::new(2, "right")],
            inputs: vec![microphone, tap],
            ..RigSpec::system_default()
        }
    }

    /// Its microphone's own response.
    pub(crate) fn microphone(&self) -> Result<tuning::Calibration> {
        let text = &self.truth.microphone_calibration;
        Ok(tuning::Calibration::parse(text, "the simulated microphone's calibration")?)
    }

    pub(crate) fn plant(&self) -> Arc<Mutex<CabinPlant>> {
        Arc::clone(&self.plant)
    }

    /// How it is set.
    #[must_use]
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// Sets it otherwise; a change takes effect at the next block, while a capture runs, too.
    pub(crate) fn set(&mut self, change: impl FnOnce(&mut Setup)) -> Result<()> {
        let mut setup = self.setup.clone();
        change(&mut setup);
        let mut plant = self.plant.lock().unwrap_or_else(PoisonError::into_inner);
        plant.0.apply(&setup).map_err(|error| Error::input(error.to_string()))?;
        self.setup = setup;
        Ok(())
    }
}

/// The simulated cars that can be named: the built-in ones, then the person's own.
#[must_use]
pub fn car_names() -> Vec<String> {
    let built_in = Car::presets().iter().map(|(name, _)| (*name).to_owned());
    built_in.chain(library::place::own_names("cars")).collect()
}

/// The simulated cars that a person may try, each with its preset's name, the usual one first. The one that is
/// no car but a wire, for tests, is left out.
#[must_use]
pub fn cars() -> Vec<(&'static str, Car)> {
    let presets = Car::presets().iter();
    presets
        .filter_map(|(id, text)| Some((*id, Car::parse(text).ok()?)))
        .filter(|(_, car)| car.cabin.is_some())
        .collect()
}

/// A simulated car by its name, or from a file; nothing stands for the usual one.
///
/// # Errors
/// When there is no such car, or its file says something that cannot be.
pub fn car(name_or_file: &str) -> Result<Car> {
    let usual = Car::presets().first().map_or("", |(name, _)| name);
    let name = if name_or_file.is_empty() { usual } else { name_or_file };
    let built_in = Car::presets().iter().any(|(preset, _)| *preset == name);
    match library::text("cars", name, built_in)? {
        Some((text, file)) => Car::parse(&text).map_err(|error| Error::input(format!("{file}: {error}"))),
        None => Car::preset(name).map_err(|error| Error::input(error.to_string())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_centre_and_a_fill_stand_beside_the_chain() {
        let role = |car: &str, name: &str| role_of(Car::preset(car).unwrap().driver(name).unwrap());
        assert_eq!(role("saloon-adapter", "centre"), Role::Centre);
        assert_eq!(role("box-van", "rear-right"), Role::Fill);
        assert_eq!(role("box-van", "right-woofer"), Role::Woofer);
        assert_eq!(role("compact-hatch", "sub"), Role::Sub);
    }

    #[test]
    fn a_car_is_found_by_name_or_file_and_a_mistake_is_named() {
        assert_eq!(car("").unwrap().name, Car::preset(Car::presets()[0].0).unwrap().name);
        assert!(car("no-such-car").unwrap_err().to_string().contains("box-van"));
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("mine.toml");
        std::fs::write(&path, "nmae = \"mine\"").unwrap();
        let message = car(&path.display().to_string()).unwrap_err().to_string();
        assert!(message.contains("mine.toml") && message.contains("nmae"), "{message}");
    }
}
