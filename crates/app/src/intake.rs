//! The stage Intake: whose car it is, what is in it, and what it is measured with.

use job::{Choices, Intake};
use view::{Action, Button, Card, Choice, ChoiceKey, Pace, SetMark, Setting, TextKey};

use super::card::{button, choice, line, text};
use super::drivers;
use super::state::State;

impl State {
    /// What a job of this car is called until somebody names it: the vehicle and its plate, or else the
    /// folder.
    pub(super) fn name_for(&self, intake: &Intake) -> String {
        let known = [intake.vehicle.trim(), intake.plate.trim()];
        let known: Vec<&str> = known.into_iter().filter(|words| !words.is_empty()).collect();
        let folder = || self.job.as_ref().and_then(|job| job.dir.file_name());
        match known.as_slice() {
            [] => folder().map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
            known => known.join(" · "),
        }
    }

    /// What the open job would be called if nobody had named it.
    pub(super) fn proposed_name(&self) -> String {
        self.job.as_ref().map_or_else(String::new, |job| self.name_for(&job.data.intake))
    }

    /// How the work is to be done, as the job keeps it.
    pub(super) fn chosen(&self, before: &Choices) -> Choices {
        let number = |count: usize| u32::try_from(count).ok();
        Choices {
            stage: job::Stage::ALL
                .into_iter()
                .find(|stage| super::captures::view_stage(*stage) == self.face.stage),
            positions: number(self.choices.positions),
            max_bands: number(self.choices.max_bands),
            ..before.clone()
        }
    }

    /// Whether bands were entered and measured.
    pub(super) fn has_entered(&self) -> bool {
        let measured =
            self.captures.iter().any(|held| held.mark == Some(SetMark::After) && held.has_result());
        measured && self.tune.bands().iter().any(|band| band.enabled)
    }

    pub(super) fn intake_main(&self) -> Button {
        match &self.rig {
            None => button(Action::UseSimulatedCar, "Use the simulated car", true),
            Some(_) => button(Action::NextStage, "Next: Source", true),
        }
    }

    pub(super) fn intake_card(&self) -> Card {
        let mut settings = Vec::new();
        if self.rig.is_some() || self.job.is_some() {
            settings.extend(self.car_settings());
        }
        settings.extend([self.processor_setting(), self.target_setting()]);
        settings.extend(self.simulated_settings());
        settings.extend(self.rig_setting());
        // The drivers of the simulated car are known.
        if !self.is_simulated() && (self.rig.is_some() || self.job.is_some()) {
            settings.push(self.layout_setting());
        }
        let idle = self.is_idle();
        let mut card = Card {
            instruction: match &self.rig {
                None => "Choose what to measure with.",
                Some(_) => "What is in the car?",
            }
            .to_owned(),
            detail: "Put a charger on the battery. Never run the engine indoors.".to_owned(),
            actions: match (&self.rig, self.is_simulated()) {
                (None, _) => {
                    vec![button(Action::UseDevices, "Use the sound devices", idle), self.rig_action()]
                }
                (Some(_), true) => vec![button(Action::UseDevices, "Use sound devices instead", idle)],
                (Some(_), false) => vec![
                    self.rig_action(),
                    button(Action::UseSimulatedCar, "Use the simulated car instead", idle),
                ],
            },
            settings,
            lines: self
                .drivers()
                .iter()
                .map(|driver| {
                    line(&driver.name, driver.role.map(|role| role.to_string()).unwrap_or_default())
                })
                .collect(),
            ..Card::default()
        };
        if !self.is_simulated() && self.job.is_some() {
            card.actions.push(button(Action::EditDrivers, "Describe the drivers", idle));
        }
        card
    }

    fn car_settings(&self) -> Vec<Setting> {
        let data = self.job.as_ref().map(|job| &job.data);
        let of = |of: fn(&job::JobData) -> &str| data.map_or("", |data| of(data));
        vec![
            text(TextKey::Vehicle, "Vehicle", of(|data| &data.intake.vehicle)),
            text(TextKey::Plate, "Number plate", of(|data| &data.intake.plate)),
            text(TextKey::Customer, "Customer", of(|data| &data.intake.customer)),
            text(TextKey::JobName, "Name of the job", of(|data| &data.head.name)),
            text(TextKey::Notes, "Notes", of(|data| &data.notes)),
        ]
    }

    /// Which simulated car, and how fast it runs.
    fn simulated_settings(&self) -> Vec<Setting> {
        let Some(facts) = self.rig.as_ref().and_then(|rig| rig.car()) else { return Vec::new() };
        let cars = self.start.cars.iter().map(|car| (car.id.clone(), car.name.clone()));
        let chosen = self.start.cars.iter().find(|car| car.name == facts.car.name).map(|car| car.id.clone());
        let paces = [(Pace::RealTime, "Real time"), (Pace::TenTimes, "10 × faster")];
        let pace = if self.choices.times > 1 { Pace::TenTimes } else { Pace::RealTime };
        vec![
            choice(ChoiceKey::SimulatedCar, Choice::SimulatedCar, "Simulated car", cars, chosen),
            choice(ChoiceKey::Pace, Choice::Pace, "The simulated car plays in", paces, Some(pace)),
        ]
    }

    fn layout_setting(&self) -> Setting {
        let names = |drivers: &[job::Driver]| -> Vec<String> {
            drivers.iter().map(|driver| driver.name.clone()).collect()
        };
        let now = names(self.drivers());
        let chosen = drivers::LAYOUTS
            .iter()
            .map(|(layout, _)| *layout)
            .find(|layout| names(&drivers::layout(*layout)) == now);
        choice(ChoiceKey::Layout, Choice::Layout, "Drivers", drivers::LAYOUTS, chosen)
    }
}
