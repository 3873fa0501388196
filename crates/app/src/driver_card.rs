//! The drivers of a car described one by one: what each is called, what it is for, which side and which channel of
//! the processor feed it.

use job::Driver;
use tuning::{Feed, Role};
use view::{Action, Button, Card, Choice, ChoiceKey, DriverRole, IntakeCard, Setting, TextKey};

use super::Core;
use super::card::{button, choice, line, text};
use super::drivers::driver;
use super::state::State;
use library::{Error, Result};

/// Each role as the window knows it, and what it is called.
const ROLES: [(DriverRole, Role, &str); 7] = [
    (DriverRole::Tweeter, Role::Tweeter, "tweeter"),
    (DriverRole::Mid, Role::Mid, "mid"),
    (DriverRole::Woofer, Role::Woofer, "woofer"),
    (DriverRole::Sub, Role::Sub, "subwoofer"),
    (DriverRole::FullRange, Role::FullRange, "coaxial or full range"),
    (DriverRole::Centre, Role::Centre, "centre"),
    (DriverRole::Fill, Role::Fill, "rear"),
];
/// The same of the sides.
const FEEDS: [(view::Feed, Feed, &str); 3] = [
    (view::Feed::Left, Feed::Left, "left"),
    (view::Feed::Right, Feed::Right, "right"),
    (view::Feed::Both, Feed::Both, "both"),
];

impl State {
    pub(super) fn is_describing_drivers(&self) -> bool {
        self.face.intake_card == IntakeCard::Drivers && self.job.is_some()
    }

    fn described(&self) -> Option<&Driver> {
        self.drivers().get(self.face.driver).or_else(|| self.drivers().last())
    }

    pub(super) fn drivers_done(&self) -> Button {
        button(Action::LeaveSetUp, "Done", self.is_idle())
    }

    pub(super) fn driver_card(&self) -> Card {
        let idle = self.is_idle();
        Card {
            instruction: "Which drivers does the car have?".to_owned(),
            detail: "Each with what it is for, the side that feeds it, and its channel of the processor; one without a \
                     channel bypasses the processor."
                .to_owned(),
            actions: vec![
                button(Action::AddDriver, "Add a driver", idle),
                button(Action::RemoveDriver, "Take this one away", idle && self.described().is_some()),
            ],
            settings: self.driver_settings(),
            first_settings: usize::MAX,
            lines: self
                .drivers()
                .iter()
                .map(|driver| {
                    let role = driver.role.map(|role| role.to_string()).unwrap_or_default();
                    let feed = FEEDS.iter().find(|(_, feed, _)| Some(*feed) == driver.feed).map_or("", |(.., word)| word);
                    let channel = if driver.channel.is_empty() { "no channel" } else { &driver.channel };
                    let words = [role.as_str(), feed, channel];
                    line(&driver.name, words.into_iter().filter(|word| !word.is_empty()).collect::<Vec<_>>().join(", "))
                })
                .collect(),
            ..Card::default()
        }
    }

    fn driver_settings(&self) -> Vec<Setting> {
        let Some(chosen) = self.described() else { return Vec::new() };
        let at = self.drivers().iter().position(|driver| driver == chosen);
        let names = self.drivers().iter().enumerate().map(|(index, driver)| (index, driver.name.clone()));
        let role = ROLES.iter().find(|(_, role, _)| Some(*role) == chosen.role).map(|(role, ..)| *role);
        let feed = FEEDS.iter().find(|(_, feed, _)| Some(*feed) == chosen.feed).map(|(feed, ..)| *feed);
        let roles = ROLES.iter().map(|(role, _, word)| (*role, *word));
        let feeds = FEEDS.iter().map(|(feed, _, word)| (*feed, *word));
        vec![
            choice(ChoiceKey::EditedDriver, Choice::EditedDriver, "Driver", names, at),
            text(TextKey::DriverName, "Name", &chosen.name),
            choice(ChoiceKey::DriverRole, Choice::DriverRole, "It is a", roles, role),
            choice(ChoiceKey::DriverFeed, Choice::DriverFeed, "Fed by", feeds, feed),
            text(TextKey::DriverChannel, "Channel of the processor", &chosen.channel),
        ]
    }
}

impl Core {
    /// Changes the driver that is described.
    pub(super) fn change_driver(&mut self, change: impl FnOnce(&mut Driver)) -> Result<()> {
        let at = self.state.face.driver;
        self.change_drivers(|drivers| {
            let last = drivers.len().saturating_sub(1);
            if let Some(driver) = drivers.get_mut(at.min(last)) {
                change(driver);
            }
        })
    }

    pub(super) fn change_drivers(&mut self, change: impl FnOnce(&mut Vec<Driver>)) -> Result<()> {
        self.begin_job("")?;
        let mut drivers = self.state.drivers().to_vec();
        change(&mut drivers);
        let twice = |driver: &Driver| drivers.iter().filter(|other| other.name == driver.name).count() > 1;
        if let Some(driver) = drivers.iter().find(|driver| twice(driver) || driver.name.trim().is_empty()) {
            return Err(Error::input(format!(
                "“{}” is no name for this driver: each needs one of its own.",
                driver.name
            )));
        }
        self.edit_intake(|intake| intake.drivers = drivers)
    }

    pub(super) fn add_driver(&mut self) -> Result<()> {
        let taken = self.state.drivers().len();
        let names = (taken + 1..).map(|number| format!("driver-{number}"));
        let known: Vec<String> = self.state.drivers().iter().map(|driver| driver.name.clone()).collect();
        let name = names.into_iter().find(|name| !known.contains(name)).unwrap_or_default();
        self.state.face.driver = taken;
        self.change_drivers(|drivers| drivers.push(driver(&name, Role::Mid)))
    }

    pub(super) fn remove_driver(&mut self) -> Result<()> {
        let at = self.state.face.driver;
        self.change_drivers(|drivers| {
            if !drivers.is_empty() {
                drivers.remove(at.min(drivers.len() - 1));
            }
        })
    }

    pub(super) fn set_driver_role(&mut self, wanted: DriverRole) -> Result<()> {
        let role = ROLES.iter().find(|(role, ..)| *role == wanted).map(|(_, role, _)| *role);
        self.change_driver(|driver| driver.role = role)
    }

    pub(super) fn set_driver_feed(&mut self, wanted: view::Feed) -> Result<()> {
        let feed = FEEDS.iter().find(|(feed, ..)| *feed == wanted).map(|(_, feed, _)| *feed);
        self.change_driver(|driver| driver.feed = feed)
    }
}
