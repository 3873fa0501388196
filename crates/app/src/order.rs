//! What each stage captures: one order for every driver, position or output.

use std::collections::VecDeque;

use engine::{InputRole, Pace};
use job::{Set, Stage};
use measure::{ParameterValue, Side, Signal as Played, Stimulus};
use measurements::signals;
use procedure::{Plan, Request, Until, on_side, registry};
use project::derive::mistype;
use project::hertz;
use rig::{Entered, Scene, Sounding};
use view::{SetMark, Signal, TuneCard};

use super::channels::placed;
use super::state::State;
use super::work::Heading;
use library::{Error, Result};

/// So much faster than real time a simulated car runs that nobody looks at.
pub(super) const UNWATCHED: u32 = 10_000;
/// How far below the clean step the simulated car is measured.
const STEPS_BELOW: u32 = 8;

/// One capture that is to be made.
#[derive(Debug, Clone)]
pub(super) struct Order {
    pub(super) plan: Plan,
    pub(super) heading: Heading,
    pub(super) pace: Pace,
}

impl State {
    /// Everything that the open stage captures next, in its order.
    pub(super) fn orders(&self) -> Result<VecDeque<Order>> {
        if self.rig.is_none() {
            return Err(Error::input("Choose what to measure with first: devices, or the simulated car."));
        }
        let mut orders = match self.face.stage {
            view::Stage::Source => self.source_orders()?,
            view::Stage::Drivers => self.driver_orders()?,
            view::Stage::Tune if self.face.tune_card == TuneCard::MeaningOfQ => {
                VecDeque::from([self.q_order()?])
            }
            view::Stage::Tune => self.position_orders()?,
            _ => return Err(Error::input("There is nothing to measure in this stage.")),
        };
        if !self.choices.go_on {
            orders.truncate(1);
        }
        Ok(orders)
    }

    pub(super) fn input(&self, role: InputRole) -> Result<usize> {
        let rig = self.rig.as_ref();
        rig.and_then(|rig| rig.input(role).or_else(|| rig.input(InputRole::Microphone)))
            .ok_or_else(|| Error::input("The rig has no input for this. Add one to its file."))
    }

    /// How fast a simulated car is measured.
    pub(super) fn pace(&self, fastest: u32) -> Pace {
        match self.choices.times.min(fastest) {
            0 | 1 => Pace::RealTime,
            times => Pace::Times(times),
        }
    }

    /// The volume step at which the simulated car is measured with a microphone.
    pub(super) fn usual_step(&self) -> Option<u32> {
        let clean = self.job.as_ref().and_then(|job| job.data.source.clean_step);
        clean.map(|step| step.saturating_sub(STEPS_BELOW).max(1))
    }

    /// What is in the simulated processor while the whole car is heard: what was typed, with a slip of the
    /// hand where one is asked for.
    pub(super) fn in_processor(&self) -> Entered {
        let mut bands = if self.entered { self.enabled_bands() } else { Vec::new() };
        if self.choices.typing_error {
            mistype(bands.iter_mut().map(|(_, band)| band), self.tune.profile());
        }
        Entered { bands, channels: self.entered_channels(), own_filters: true }
    }

    /// How a simulated car is set; a person does the same with a real one.
    pub(super) fn scene(&self) -> Scene {
        Scene { processor: Some(self.in_processor()), ..Scene::default() }
    }

    /// The set that a side of the comparison is.
    pub(super) fn set_of(&self, side: SetMark) -> Set {
        if side == SetMark::Before { Set::Before } else { Set::After }
    }

    pub(super) fn plan(&self, measurement: &str, stage: Stage, role: InputRole) -> Result<Plan> {
        let registry = registry(measurement);
        let manifest =
            registry.manifest(measurement).map_err(|unknown| procedure::unknown(&registry, &unknown))?;
        Ok(Plan {
            peak_dbfs: Some(self.output_dbfs),
            reference: self.rig.as_ref().and_then(|rig| rig.input(InputRole::Loopback)),
            scene: Some(self.scene()),
            ..Plan::of(manifest, stage, self.input(role)?)
        })
    }

    /// A sweep or noise, as was chosen.
    pub(super) fn response_plan(&self, stage: Stage, role: InputRole) -> Result<Plan> {
        if self.choices.signal == Signal::Sweep {
            let stimulus = signals::track("sweep-full");
            return Ok(Plan { stimulus, ..self.plan("sweep", stage, role)? });
        }
        let mut plan = self.plan("spectrum", stage, role)?;
        plan.parameters.set("fraction", ParameterValue::Text("12".to_owned()));
        plan.stimulus = signals::track("pink");
        plan.until = Until::Seconds(NOISE_S);
        if self.choices.signal == Signal::MovingMicrophone {
            plan.parameters.set("moving", ParameterValue::Number(1.0));
            plan.until = Until::Seconds(WALK_S);
        }
        Ok(plan)
    }

    fn driver_orders(&self) -> Result<VecDeque<Order>> {
        let drivers = self.drivers();
        if drivers.is_empty() {
            return Err(Error::input("Say on the Intake card which drivers the car has, then measure them."));
        }
        let places = self.driver_places();
        let all = || {
            let each = places.iter().enumerate();
            each.flat_map(|(at, place)| drivers.iter().map(move |driver| (at, place.clone(), driver)))
        };
        let mut wanted: Vec<_> = match self.choices.driver.as_deref() {
            Some(name) => all().filter(|(_, _, driver)| driver.name == name).collect(),
            None => self.drivers_open(),
        };
        if wanted.is_empty() {
            // A driver that was found reversed is measured again when its wires are swapped.
            let reversed = self.reversed_drivers();
            wanted = all().filter(|(_, _, driver)| reversed.contains(&&*driver.name)).collect();
        }
        if wanted.is_empty() {
            // All are measured: once more.
            wanted = all().collect();
        }
        let of = places.len();
        let order = |index: usize, (at, place, driver): &(usize, String, &job::Driver)| {
            let mut plan = self.plan("sweep", Stage::Drivers, InputRole::Microphone)?;
            plan.stimulus = self.driver_stimulus(driver);
            // The track's own level is the most that such a driver should hear.
            let most = plan.stimulus.as_ref().and_then(Stimulus::peak_dbfs).unwrap_or(0.0);
            plan.peak_dbfs = Some(self.output_dbfs.min(most));
            plan.label = self.driver_label(driver, place);
            plan.position.clone_from(place);
            plan.driver.clone_from(&driver.name);
            // As it is wired, without what is entered for it.
            let bare =
                Entered { channels: Vec::new(), own_filters: self.choices.filters_on, ..self.in_processor() };
            plan.scene = Some(Scene {
                sounding: Sounding::Only(driver.name.clone()),
                position: Some(place.clone()),
                volume_step: self.usual_step(),
                processor: Some(bare),
                ..Scene::default()
            });
            plan.request = Some(Request::SoundAlone { what: driver.name.clone() });
            let there = || wanted.iter().filter(|(other, ..)| other == at);
            let before = wanted[..index].iter().filter(|(other, ..)| other == at).count();
            let title = numbered("Driver", before, there().count(), &driver.name);
            let microphone = match (of, before) {
                (1, _) => String::new(),
                (_, 0) => format!("Microphone: {place}. "),
                _ => "Leave the microphone where it is. ".to_owned(),
            };
            let heading = Heading {
                title: if of == 1 { title } else { format!("Place {} of {of} · {title}", at + 1) },
                hint: format!("{microphone}Let nothing but {} sound. Shut the doors.", driver.name),
                detail: format!("{}, alone", sweep_text(plan.stimulus.as_ref())),
            };
            Ok(Order { plan, heading, pace: self.pace(u32::MAX) })
        };
        wanted.iter().enumerate().map(|(index, one)| order(index, one)).collect()
    }

    /// What a driver's capture is called.
    pub(super) fn driver_label(&self, driver: &job::Driver, place: &str) -> String {
        if self.choices.driver_places == 1 { driver.name.clone() } else { placed(&driver.name, place) }
    }

    /// What is played for a driver: at several places short sweeps, for a person's patience.
    pub(super) fn driver_stimulus(&self, driver: &job::Driver) -> Option<Stimulus> {
        match driver.role.filter(|_| self.choices.driver_places > 1) {
            Some(role) => Some(procedure::short_driver_sweep(role)),
            None => procedure::driver_sweep(driver.role),
        }
    }

    fn position_orders(&self) -> Result<VecDeque<Order>> {
        let set = self.set_of(self.choices.side);
        let names = self.position_names();
        let mut wanted = self.places_open();
        if wanted.is_empty() {
            wanted = self.places();
        }
        let order = |(index, name, channel): (usize, String, &'static str)| {
            let place = placed(channel, &name);
            let mut plan = self.response_plan(Stage::Tune, InputRole::Microphone)?;
            plan.label.clone_from(&place);
            plan.position.clone_from(&name);
            channel.clone_into(&mut plan.processor_channel);
            plan.stimulus = match channel {
                "left" => plan.stimulus.map(|stimulus| on_side(stimulus, Side::Left)),
                "right" => plan.stimulus.map(|stimulus| on_side(stimulus, Side::Right)),
                _ => plan.stimulus,
            };
            plan.set = Some(set.clone());
            let alone = if channel.is_empty() {
                String::new()
            } else {
                format!(" Let only the {channel} side and the subwoofer sound.")
            };
            let hint = if self.choices.signal == Signal::MovingMicrophone {
                format!(
                    "{name}.{alone} Shut the doors; then move the microphone slowly through the space of the head."
                )
            } else {
                format!(
                    "Microphone: {name}.{alone} Fade out what bypasses the processor, shut the doors, hold still."
                )
            };
            let heading = Heading {
                title: numbered("Position", index, names.len(), &place),
                hint,
                detail: format!("{}, {}", sweep_text(plan.stimulus.as_ref()), set.word()),
            };
            plan.scene = Some(Scene {
                sounding: match channel {
                    "" => Sounding::Processed,
                    side => Sounding::Side(side.to_owned()),
                },
                position: Some(name.clone()),
                volume_step: self.usual_step(),
                ..self.scene()
            });
            plan.request = Some(Request::MoveMicrophone { position: name });
            Ok(Order { plan, heading, pace: self.pace(u32::MAX) })
        };
        wanted.into_iter().map(order).collect()
    }

    /// The places that make a set, each with its number and the side of the car that sounds.
    pub(super) fn places(&self) -> Vec<(usize, String, &'static str)> {
        let channels = self.tuned_channels();
        let names = self.position_names().into_iter().enumerate();
        names
            .flat_map(|(index, name)| channels.iter().map(move |channel| (index, name.clone(), *channel)))
            .collect()
    }

    /// Those that have not been measured.
    pub(super) fn places_open(&self) -> Vec<(usize, String, &'static str)> {
        let open = |(_, name, channel): &(usize, String, &'static str)| {
            !self.captures.is_placed(self.choices.side, channel, name)
        };
        self.places().into_iter().filter(open).collect()
    }

    /// The positions of the microphone.
    pub(super) fn position_names(&self) -> Vec<String> {
        self.place_names(self.choices.positions)
    }

    /// So many places of the microphone; those of a simulated car have names.
    pub(super) fn place_names(&self, count: usize) -> Vec<String> {
        let car = self.rig.as_ref().and_then(|rig| rig.car());
        let known: Vec<String> = car
            .map_or_else(Vec::new, |simulated| simulated.car.position_names().map(str::to_owned).collect());
        (0..count)
            .map(|index| known.get(index).cloned().unwrap_or_else(|| format!("position {}", index + 1)))
            .collect()
    }
}

/// How long noise is averaged.
const NOISE_S: f64 = 12.0;
/// How long the microphone is moved.
const WALK_S: f64 = 30.0;

pub(super) fn numbered(what: &str, index: usize, of: usize, name: &str) -> String {
    if of == 1 { name.to_owned() } else { format!("{what} {} of {of}: {name}", index + 1) }
}

/// What a sweep covers, in words.
pub(super) fn sweep_text(stimulus: Option<&Stimulus>) -> String {
    let sweeps = stimulus.iter().flat_map(|stimulus| &stimulus.segments).find_map(|segment| {
        if let Played::Sweep { from_hz, to_hz, .. } = segment.signal { Some((from_hz, to_hz)) } else { None }
    });
    match sweeps {
        Some((from_hz, to_hz)) => format!("sweep {} to {}", hertz(from_hz), hertz(to_hz)),
        None => "pink noise".to_owned(),
    }
}
