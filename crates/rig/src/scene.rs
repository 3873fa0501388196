//! How a simulated car is set for one capture: what a person does to a real one.

use std::collections::BTreeMap;

use cabin::{Car, Channel, CrossoverKind, Driver, Edge, Setup, Side};
use job::{ChannelSetting, Crossover};
use library::Result;
use tuning::{Band, channel_reaches};

use crate::Simulated;

/// How a simulated car is set.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Scene {
    /// Which drivers sound.
    pub sounding: Sounding,
    /// Where the microphone stands; where it is, if that is absent or the car has no such place.
    pub position: Option<String>,
    /// The radio output that is tapped; the one that is, if absent.
    pub tap: Option<String>,
    /// The volume step, the last one if the radio has no such step; the one that is, if absent.
    pub volume_step: Option<u32>,
    /// Whether the bass control is at its maximum, and not flat.
    pub bass_at_maximum: bool,
    /// The engine's speed in turns a minute, 0 while it stands.
    pub engine_rpm: f64,
    /// What is in the processor; what is there already, if absent.
    pub processor: Option<Entered>,
}

/// Which drivers sound.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Sounding {
    /// All of them.
    #[default]
    All,
    /// Those that pass through the processor, where there are some: the rest is faded out while
    /// the sound at the head is tuned.
    Processed,
    /// This one alone.
    Only(String),
    /// One side of those that pass through the processor, with what plays for both: `left` or
    /// `right`.
    Side(String),
}

/// What is in a processor.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Entered {
    /// Bands with the cookbook's Q, each with its channel; an empty one means all, `left` and `right` the
    /// equalizer of that input unless a channel has that very name.
    pub bands: Vec<(String, Band)>,
    /// Delays, gains, polarities and crossovers, by driver: absolute, as the processor's screen shows them.
    pub channels: Vec<ChannelSetting>,
    /// Whether a channel for which nothing is entered keeps the car's own crossover; its gain and polarity it
    /// keeps in any case.
    pub own_filters: bool,
}

/// The sides of a car.
const SIDES: [&str; 2] = ["left", "right"];

impl Scene {
    pub(crate) fn apply(&self, simulated: &mut Simulated) -> Result<()> {
        let car = simulated.car.clone();
        simulated.set(|setup| self.set(&car, setup))
    }

    fn set(&self, car: &Car, setup: &mut Setup) {
        setup.active = self.sounding.drivers(car);
        if let Some(position) = self.position.as_ref().filter(|name| car.position(name).is_some()) {
            setup.mic_position.clone_from(position);
        }
        if let Some(tap) = &self.tap {
            setup.tap_output.clone_from(tap);
        }
        if let Some(step) = self.volume_step {
            setup.volume_step = step.min(car.radio.last_step());
        }
        let knob = car.radio.bass_knob.as_ref().filter(|_| self.bass_at_maximum);
        setup.bass_knob_db = knob.map_or(0.0, |knob| knob.max_db);
        setup.engine_rpm = self.engine_rpm;
        if let Some(entered) = &self.processor {
            setup.processor_inputs = entered.of_inputs(car);
            for driver in car.drivers.iter().filter(|driver| driver.processed) {
                let channel = setup.processor.entry(driver.name.clone()).or_default();
                entered.enter(car, driver, channel);
            }
        }
    }
}

impl Sounding {
    /// The drivers that sound; nothing for all.
    fn drivers(&self, car: &Car) -> Option<Vec<String>> {
        let processed = car.drivers.iter().filter(|driver| driver.processed);
        let processed: Vec<&str> = processed.map(|driver| driver.name.as_str()).collect();
        let all = || car.drivers.iter().map(|driver| driver.name.as_str()).collect();
        let named = |names: Vec<&str>| Some(names.into_iter().map(str::to_owned).collect());
        match self {
            Self::All => None,
            Self::Only(name) => named(vec![name]),
            Self::Processed if processed.is_empty() => None,
            Self::Processed => named(processed),
            Self::Side(side) => {
                let other =
                    |name: &str| SIDES.iter().any(|known| known != side && channel_reaches(known, name));
                let heard: Vec<&str> = if processed.is_empty() { all() } else { processed };
                named(heard.into_iter().filter(|name| !other(name)).collect())
            }
        }
    }
}

/// The input whose equalizer is meant, where that is a side's and no channel of that very name.
fn side_meant(car: &Car, name: &str) -> Option<Side> {
    let side = match name {
        "left" => Side::Left,
        "right" => Side::Right,
        _ => return None,
    };
    car.driver(name).is_none().then_some(side)
}

impl Entered {
    /// What goes to the equalizers of the processor's inputs. What the radio sums by itself is of no side.
    fn of_inputs(&self, car: &Car) -> BTreeMap<String, Vec<Band>> {
        let bands = |side: Side| -> Vec<Band> {
            let own = self.bands.iter().filter(|(name, _)| side_meant(car, name) == Some(side));
            own.map(|(_, band)| *band).collect()
        };
        let outputs = car.radio.outputs.iter().map(|output| (output.name.clone(), bands(output.side)));
        outputs.filter(|(_, bands)| !bands.is_empty()).collect()
    }

    /// Enters what goes to a driver's channel.
    fn enter(&self, car: &Car, driver: &Driver, channel: &mut Channel) {
        let own = &driver.channel;
        // A channel of that very name is the one that is meant, and not what has the name among its words.
        let reaches = |name: &str| match car.driver(name) {
            Some(named) => named.name == driver.name,
            None => channel_reaches(name, &driver.name),
        };
        let goes_here = |name: &str| side_meant(car, name).is_none() && reaches(name);
        let bands = self.bands.iter().filter(|(name, _)| goes_here(name));
        channel.bands = bands.map(|(_, band)| *band).collect();
        let entered = self.channels.iter().find(|entered| entered.channel == driver.name);
        let delay_s = entered.map_or(own.delay_s, |entered| entered.delay_s);
        channel.delay_s = delay_s.min(car.processor.longest_delay_s);
        channel.gain_db = entered.map_or(own.gain_db, |entered| entered.gain_db);
        channel.invert = entered.map_or(own.invert, |entered| entered.inverted);
        (channel.high_pass, channel.low_pass) = match entered {
            Some(one) => (one.high_pass.as_ref().map(cabin_edge), one.low_pass.as_ref().map(cabin_edge)),
            None if self.own_filters => (own.high_pass, own.low_pass),
            None => (None, None),
        };
    }
}

/// A crossover filter as the simulated processor takes it.
#[must_use]
pub(crate) fn cabin_edge(crossover: &Crossover) -> Edge {
    let kind = match crossover.family.as_str() {
        "butterworth" => CrossoverKind::Butterworth,
        "bessel" => CrossoverKind::Bessel,
        _ => CrossoverKind::LinkwitzRiley,
    };
    Edge { frequency_hz: crossover.frequency_hz, order: crossover.order, kind }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{OpenRig, RigChoice};

    fn set(car: &str, scene: &Scene) -> (Car, Setup) {
        let mut rig = OpenRig::open(RigChoice::fast_car(car)).unwrap();
        rig.set_scene(scene).unwrap();
        let simulated = rig.car().unwrap();
        (simulated.car.clone(), simulated.setup().clone())
    }

    #[test]
    fn one_driver_one_side_or_what_is_processed_sounds() {
        for (name, _) in Car::presets() {
            let sounding = |sounding: Sounding| set(name, &Scene { sounding, ..Scene::default() }).1.active;
            let (car, plain) = set(name, &Scene::default());
            assert_eq!(plain.active, None, "{name}");
            let processed: Vec<String> =
                car.drivers.iter().filter(|one| one.processed).map(|one| one.name.clone()).collect();
            let wanted = if processed.is_empty() { None } else { Some(processed) };
            assert_eq!(sounding(Sounding::Processed), wanted, "{name}");
            let one = car.drivers[0].name.clone();
            assert_eq!(sounding(Sounding::Only(one.clone())), Some(vec![one]), "{name}");
            let left = sounding(Sounding::Side("left".to_owned())).unwrap();
            assert!(left.iter().all(|driver| !channel_reaches("right", driver)), "{name}: {left:?}");
            let right = sounding(Sounding::Side("right".to_owned())).unwrap();
            let both = left.iter().filter(|driver| right.contains(driver));
            assert!(both.clone().all(|driver| !channel_reaches("left", driver)), "{name}");
        }
    }

    #[test]
    fn what_is_entered_stands_in_every_channel_that_it_reaches() {
        let (car, _) = set("", &Scene::default());
        let left =
            car.drivers.iter().find(|one| one.processed && channel_reaches("left", &one.name)).unwrap();
        let edge = Crossover { family: "butterworth".to_owned(), order: 2, frequency_hz: 300.0 };
        let entered = Entered {
            bands: vec![
                (String::new(), Band::peak(100.0, -3.0, 2.0)),
                ("left".to_owned(), Band::peak(2e3, 1.0, 1.0)),
            ],
            channels: vec![ChannelSetting {
                channel: left.name.clone(),
                delay_s: 0.001,
                gain_db: -2.0,
                inverted: true,
                high_pass: Some(edge),
                low_pass: None,
            }],
            own_filters: true,
        };
        let scene = Scene { processor: Some(entered.clone()), ..Scene::default() };
        let (_, setup) = set("", &scene);
        let channel = &setup.processor[&left.name];
        assert_eq!(channel.bands.len(), 1, "what is for all");
        // What is for a side goes to its inputs, and so to the subwoofer as well.
        let of_left = car.radio.outputs.iter().filter(|output| output.side == Side::Left);
        let of_left: Vec<&String> = of_left.map(|output| &output.name).collect();
        assert!(setup.processor_inputs.keys().eq(of_left.iter().copied()), "{:?}", setup.processor_inputs);
        assert!(setup.processor_inputs.values().all(|bands| bands == &[Band::peak(2e3, 1.0, 1.0)]));
        let sub = car.drivers.iter().find(|one| one.name == "sub").unwrap();
        assert!(sub.inputs.iter().any(|input| of_left.contains(&input)), "{:?}", sub.inputs);
        assert_eq!((channel.delay_s, channel.invert, channel.gain_db), (0.001, true, -2.0));
        assert_eq!(channel.high_pass.map(|edge| edge.kind), Some(CrossoverKind::Butterworth));
        assert_eq!(channel.low_pass, None, "what is entered stands as a whole");
        let others = car.drivers.iter().filter(|one| one.processed && one.name != left.name);
        for other in others {
            let channel = &setup.processor[&other.name];
            assert_eq!(channel.bands.len(), 1, "{}", other.name);
            assert_eq!(
                (channel.high_pass, channel.low_pass),
                (other.channel.high_pass, other.channel.low_pass)
            );
        }
        let bare = Scene {
            processor: Some(Entered { own_filters: false, channels: Vec::new(), ..entered }),
            ..Scene::default()
        };
        let (_, setup) = set("", &bare);
        assert!(
            setup.processor.values().all(|channel| channel.high_pass.is_none() && channel.low_pass.is_none())
        );
    }

    #[test]
    fn what_a_scene_does_not_name_stays_as_it_is() {
        let mut rig = OpenRig::open(RigChoice::fast_car("saloon-adapter")).unwrap();
        let first = Scene {
            volume_step: Some(9),
            bass_at_maximum: true,
            engine_rpm: 850.0,
            position: rig.car().unwrap().car.position_names().last().map(str::to_owned),
            processor: Some(Entered {
                bands: vec![(String::new(), Band::peak(1e3, 1.0, 1.0))],
                ..Entered::default()
            }),
            ..Scene::default()
        };
        rig.set_scene(&first).unwrap();
        let before = rig.car().unwrap().setup().clone();
        assert_eq!((before.volume_step, before.engine_rpm), (9, 850.0));
        assert!(before.bass_knob_db > 0.0);
        rig.set_scene(&Scene { position: Some("on the roof".to_owned()), ..Scene::default() }).unwrap();
        let after = rig.car().unwrap().setup();
        assert_eq!((after.volume_step, &after.mic_position), (9, &before.mic_position));
        assert_eq!((after.engine_rpm, after.bass_knob_db), (0.0, 0.0));
        assert_eq!(after.processor, before.processor);
        let roof = Scene { tap: Some("roof".to_owned()), ..Scene::default() };
        assert!(rig.set_scene(&roof).unwrap_err().to_string().contains("roof"));
    }
}
