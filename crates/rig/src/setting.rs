//! What stands in the simulated car's processor, as a job keeps it: absolute.

use cabin::{Car, Channel, CrossoverKind, Driver, Edge, Side};
use job::{ChannelSetting, Crossover, EnteredBand, ProcessorSetting};
use tuning::Band;

use crate::Simulated;

impl Simulated {
    /// What stands in its processor now.
    #[must_use]
    pub fn setting(&self) -> ProcessorSetting {
        let setup = self.setup();
        let mut setting =
            setting_of(&self.car, |driver| setup.processor.get(&driver.name).unwrap_or(&driver.channel));
        for (name, side) in [("left", Side::Left), ("right", Side::Right)] {
            let of_side = self.car.radio.outputs.iter().find(|output| output.side == side);
            let bands = of_side.and_then(|output| setup.processor_inputs.get(&output.name));
            setting.bands.extend(bands.into_iter().flatten().map(|band| entered(name, band)));
        }
        setting
    }

    /// What stood in its processor when it came.
    #[must_use]
    pub fn preset(&self) -> ProcessorSetting {
        preset(&self.car)
    }
}

/// What stood in a simulated car's processor when it came.
#[must_use]
pub fn preset(car: &Car) -> ProcessorSetting {
    setting_of(car, |driver| &driver.channel)
}

fn setting_of<'a>(car: &'a Car, channel: impl Fn(&'a Driver) -> &'a Channel) -> ProcessorSetting {
    let channels: Vec<(&str, &Channel)> = car
        .drivers
        .iter()
        .filter(|driver| driver.processed)
        .map(|driver| (driver.name.as_str(), channel(driver)))
        .collect();
    let first = channels.first().map_or(&[][..], |(_, channel)| &channel.bands);
    let same = channels.iter().all(|(_, channel)| channel.bands == first);
    let bands = if same {
        first.iter().map(|band| entered("", band)).collect()
    } else {
        let each =
            channels.iter().map(|(name, channel)| channel.bands.iter().map(|band| entered(name, band)));
        each.flatten().collect()
    };
    ProcessorSetting {
        channels: channels.iter().map(|(name, channel)| setting(name, channel)).collect(),
        bands,
        bypassed: false,
    }
}

fn setting(name: &str, channel: &Channel) -> ChannelSetting {
    ChannelSetting {
        channel: name.to_owned(),
        delay_s: channel.delay_s,
        gain_db: channel.gain_db,
        inverted: channel.invert,
        high_pass: channel.high_pass.map(crossover),
        low_pass: channel.low_pass.map(crossover),
    }
}

fn crossover(edge: Edge) -> Crossover {
    let family = match edge.kind {
        CrossoverKind::Butterworth => "butterworth",
        CrossoverKind::LinkwitzRiley => "linkwitz-riley",
        CrossoverKind::Bessel => "bessel",
    };
    Crossover { family: family.to_owned(), order: edge.order, frequency_hz: edge.frequency_hz }
}

fn entered(channel: &str, band: &Band) -> EnteredBand {
    EnteredBand {
        channel: channel.to_owned(),
        kind: band.kind,
        frequency_hz: band.frequency_hz,
        gain_db: band.gain_db,
        q: band.q,
        entered_q: None,
        enabled: true,
        locked: false,
        reason: String::new(),
    }
}

#[cfg(test)]
mod tests {
    use cabin::Car;

    use crate::{Entered, OpenRig, RigChoice, Scene};

    /// What is read back is entered again with nothing changed, in every car that comes with the program.
    #[test]
    fn what_stands_in_the_processor_can_be_entered_again() {
        for (name, _) in Car::presets() {
            let mut rig = OpenRig::open(RigChoice::fast_car(name)).unwrap();
            let before = rig.car().unwrap().setup().processor.clone();
            let setting = rig.car().unwrap().setting();
            assert_eq!(setting, rig.car().unwrap().preset(), "{name}");
            let bands = setting.bands.iter().map(|band| (band.channel.clone(), band.band())).collect();
            let entered = Entered { bands, channels: setting.channels, own_filters: false };
            rig.set_scene(&Scene { processor: Some(entered), ..Scene::default() }).unwrap();
            let after = rig.car().unwrap().setup().processor.clone();
            for (driver, channel) in &before {
                let car = &rig.car().unwrap().car;
                if car.driver(driver).is_some_and(|driver| driver.processed) {
                    assert_eq!(&after[driver], channel, "{name}: {driver}");
                }
            }
        }
    }
}
