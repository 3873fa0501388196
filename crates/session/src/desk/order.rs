//! What each stage captures: one order for every driver, position or output.

use std::collections::VecDeque;

use engine::{InputRole, Pace};
use job::{Set, Stage};
use measure::{ParameterValue, Signal as Played, Stimulus};
use measurements::signals;
use project::hertz;
use view::{SetMark, Signal, TuneCard};

use super::channels::placed;
use super::{Desk, drivers};
use crate::{Error, Result};
use procedure::{Plan, Until, registry};

/// How long the simulated radio stays at each volume step.
pub(super) const HOLD_S: f64 = 0.6;
/// How far below the clean step the simulated car is measured.
const STEPS_BELOW: u32 = 8;

/// One capture that is to be made.
#[derive(Debug, Clone)]
pub(super) struct Order {
    pub(super) plan: Plan,
    /// What comes, for people: "Driver 2 of 7: left-mid".
    pub(super) title: String,
    /// What the person does before it; nothing where the simulated car sets itself, which needs no countdown.
    pub(super) hint: String,
    /// What happens meanwhile.
    pub(super) detail: String,
    /// How the simulated car is set; a person does the same with a real one.
    pub(super) scene: Scene,
    /// The volume steps that the simulated radio climbs.
    pub(super) climb: Option<Climb>,
    pub(super) pace: Pace,
    pub(super) purpose: Purpose,
}

/// What the reading is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// It is a capture of the job.
    Capture,
    /// An input is calibrated with it in volts; nothing else is kept.
    Volts,
}

impl Order {
    /// A capture in real time, with nothing said and nothing set.
    pub(super) fn new(title: String, plan: Plan) -> Self {
        Self {
            plan,
            title,
            hint: String::new(),
            detail: String::new(),
            scene: Scene::default(),
            climb: None,
            pace: Pace::RealTime,
            purpose: Purpose::Capture,
        }
    }
}

/// How the simulated car is set.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Scene {
    /// The only driver that sounds.
    pub(super) driver: Option<String>,
    /// What is in the processor, where it is not what was typed in.
    pub(super) bands: Option<Vec<(String, tuning::Band)>>,
    /// The side that sounds, with what plays for both; empty for all.
    pub(super) side: &'static str,
    pub(super) position: Option<String>,
    pub(super) tap: Option<String>,
    pub(super) step: Option<u32>,
    /// The engine's speed in turns a minute, 0 while it stands.
    pub(super) engine_rpm: f64,
}

/// Volume steps, one after the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Climb {
    pub(super) first: u32,
    pub(super) last: u32,
}

impl Climb {
    /// The step that is due after so long.
    pub(super) fn due(self, elapsed_s: f64) -> u32 {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few steps")]
        let climbed = (elapsed_s / HOLD_S) as u32;
        (self.first + climbed).min(self.last)
    }
}

impl Desk {
    /// Everything that the open stage captures next, in its order.
    pub(super) fn orders(&self) -> Result<VecDeque<Order>> {
        if self.bench.is_none() {
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

    fn input(&self, role: InputRole) -> Result<usize> {
        let bench = self.bench.as_ref();
        bench
            .and_then(|bench| bench.input(role).or_else(|| bench.input(InputRole::Microphone)))
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
        let clean = self.job.as_ref().and_then(|job| job.project().data.source.clean_step);
        clean.map(|step| step.saturating_sub(STEPS_BELOW).max(1))
    }

    pub(super) fn plan(&self, measurement: &str, stage: Stage, role: InputRole) -> Result<Plan> {
        let registry = registry(measurement);
        let manifest =
            registry.manifest(measurement).map_err(|unknown| procedure::unknown(&registry, &unknown))?;
        Ok(Plan {
            peak_dbfs: Some(self.output_dbfs),
            reference: self.bench.as_ref().and_then(|bench| bench.input(InputRole::Loopback)),
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
        let chosen = self.choices.driver.as_deref();
        let measured = |name: &str| self.captures.newest(view::Stage::Drivers, name).is_some();
        let mut wanted: Vec<_> = drivers
            .iter()
            .filter(|driver| match chosen {
                Some(name) => driver.name == name,
                None => !measured(&driver.name),
            })
            .collect();
        if wanted.is_empty() {
            // All are measured: once more.
            wanted = drivers.iter().collect();
        }
        let of = wanted.len();
        let order = |(index, driver): (usize, &job::Driver)| {
            let mut plan = self.plan("sweep", Stage::Drivers, InputRole::Microphone)?;
            plan.stimulus = drivers::stimulus_of(driver.role);
            // The track's own level is the most that such a driver should hear.
            let most = plan.stimulus.as_ref().and_then(Stimulus::peak_dbfs).unwrap_or(0.0);
            plan.peak_dbfs = Some(self.output_dbfs.min(most));
            plan.label.clone_from(&driver.name);
            plan.position.clone_from(&driver.name);
            plan.driver.clone_from(&driver.name);
            Ok(Order {
                hint: format!("Let nothing but {} sound. Shut the doors.", driver.name),
                detail: format!("{}, alone", sweep_text(plan.stimulus.as_ref())),
                scene: Scene {
                    driver: Some(driver.name.clone()),
                    step: self.usual_step(),
                    ..Scene::default()
                },
                pace: self.pace(u32::MAX),
                ..Order::new(numbered("Driver", index, of, &driver.name), plan)
            })
        };
        wanted.into_iter().enumerate().map(order).collect()
    }

    fn position_orders(&self) -> Result<VecDeque<Order>> {
        let side = self.choices.side;
        let set = if side == SetMark::Before { Set::Before } else { Set::After };
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
            plan.set = Some(set.clone());
            let alone = if channel.is_empty() {
                String::new()
            } else {
                format!(" Let only the {channel} side and the subwoofer sound.")
            };
            Ok(Order {
                hint: if self.choices.signal == Signal::MovingMicrophone {
                    format!(
                        "{name}.{alone} Shut the doors; then move the microphone slowly through the space of the head."
                    )
                } else {
                    format!(
                        "Microphone: {name}.{alone} Fade out what bypasses the processor, shut the doors, hold still."
                    )
                },
                detail: format!("{}, {}", sweep_text(plan.stimulus.as_ref()), set.word()),
                scene: Scene {
                    position: Some(name),
                    side: channel,
                    step: self.usual_step(),
                    ..Scene::default()
                },
                pace: self.pace(u32::MAX),
                ..Order::new(numbered("Position", index, names.len(), &place), plan)
            })
        };
        wanted.into_iter().map(order).collect()
    }

    /// The places that make a set, each with its number and the side of the car that sounds.
    fn places(&self) -> Vec<(usize, String, &'static str)> {
        let channels = self.tuned_channels();
        let names = self.position_names().into_iter().enumerate();
        names
            .flat_map(|(index, name)| channels.iter().map(move |channel| (index, name.clone(), *channel)))
            .collect()
    }

    /// Those that have not been measured.
    pub(super) fn places_open(&self) -> Vec<(usize, String, &'static str)> {
        let open = |(_, name, channel): &(usize, String, &'static str)| {
            !self.captures.side_of(self.choices.side, channel).any(|held| held.position == *name)
        };
        self.places().into_iter().filter(open).collect()
    }

    /// The positions of the microphone.
    pub(super) fn position_names(&self) -> Vec<String> {
        let car = self.bench.as_ref().and_then(|bench| bench.car());
        let known: Vec<String> = car
            .map_or_else(Vec::new, |simulated| simulated.car.position_names().map(str::to_owned).collect());
        (0..self.choices.positions)
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_radio_climbs_one_step_at_a_time_and_stays_on_the_last() {
        let climb = Climb { first: 22, last: 40 };
        assert_eq!([0.0, 0.59, 0.61, 6.1, 60.0].map(|s| climb.due(s)), [22, 22, 23, 32, 40]);
    }
}
