//! Checks what the TOML reader cannot: names that must exist, numbers in range.

use std::collections::BTreeSet;

use crate::car::{Car, CarError, Driver, Edge, Limit, Output, band_fault, no_such};
use crate::chain::LANES;

/// The most drivers of one car.
const MOST_DRIVERS: usize = 2 * LANES;

impl Car {
    /// Checks the whole description.
    ///
    /// # Errors
    /// The first fault.
    pub fn check(&self) -> Result<(), CarError> {
        self.fault().map_or(Ok(()), |text| Err(CarError::new(text)))
    }

    fn fault(&self) -> Option<String> {
        self.radio_fault()
            .or_else(|| self.tap_fault())
            .or_else(|| self.driver_fault())
            .or_else(|| self.space_fault())
            .or_else(|| self.stated_fault())
            .or_else(|| self.setup().check(self).err().map(|error| error.to_string()))
    }

    fn radio_fault(&self) -> Option<String> {
        let radio = &self.radio;
        if radio.step_gain_db.is_empty() || radio.step_gain_db.len() > 200 {
            return Some(format!(
                "`radio.step_gain_db` has {} steps; expected 1 to 200",
                radio.step_gain_db.len()
            ));
        }
        if let Some(pair) = radio.step_gain_db.windows(2).find(|pair| pair[0] >= pair[1]) {
            return Some(format!(
                "`radio.step_gain_db` goes from {} to {}; every step must be louder than the one before",
                pair[0], pair[1]
            ));
        }
        if radio.outputs.is_empty() || radio.outputs.len() > LANES {
            return Some(format!("the radio has {} outputs; expected 1 to {LANES}", radio.outputs.len()));
        }
        let names = radio.outputs.iter().map(|output| output.name.as_str());
        twice("radio output", names)
            .or_else(|| {
                radio.step_gain_db.iter().find_map(|&db| range("radio.step_gain_db", db, -120.0, 20.0))
            })
            .or_else(|| range("radio.stick_clock_ppm", radio.stick_clock_ppm, -2000.0, 2000.0))
            .or_else(|| radio.tone.iter().find_map(band_fault))
            .or_else(|| {
                let points = radio.loudness.iter().flat_map(|loudness| &loudness.points).flatten();
                points.copied().find_map(|value| range("radio.loudness.points", value, -60.0, 200.0))
            })
            .or_else(|| {
                let points = &radio.loudness.as_ref()?.points;
                let pair = points.windows(2).find(|pair| pair[0][0] >= pair[1][0])?;
                Some(format!(
                    "`radio.loudness.points` goes from step {} to step {}; steps must rise",
                    pair[0][0], pair[1][0]
                ))
            })
            .or_else(|| {
                let loudness = radio.loudness.as_ref()?;
                frequency("radio.loudness.bass_hz", loudness.bass_hz)
                    .or_else(|| frequency("radio.loudness.treble_hz", loudness.treble_hz))
            })
            .or_else(|| {
                let knob = radio.bass_knob.as_ref()?;
                frequency("radio.bass_knob.frequency_hz", knob.frequency_hz)
                    .or_else(|| range("radio.bass_knob.max_db", knob.max_db, 0.0, 30.0))
            })
            .or_else(|| {
                radio.whine.iter().find_map(|line| {
                    range("radio.whine.order", line.order, 0.1, 1000.0)
                        .or_else(|| range("radio.whine.relative_db", line.relative_db, -120.0, 40.0))
                })
            })
            .or_else(|| radio.outputs.iter().find_map(output_fault))
    }

    fn tap_fault(&self) -> Option<String> {
        let (tap, processor) = (&self.tap, &self.processor);
        if self.radio.output(&tap.output).is_none() {
            let names = self.radio.outputs.iter().map(|output| output.name.as_str());
            return Some(format!("`tap.output`: {}", no_such("radio output", &tap.output, names)));
        }
        range("tap.attenuator_db", tap.attenuator_db, -100.0, 40.0)
            .or_else(|| range("tap.input_full_scale_v", tap.input_full_scale_v, 1e-3, 1e4))
            .or_else(|| range("tap.noise_dbfs", tap.noise_dbfs?, -200.0, 0.0))
            .or_else(|| range("processor.input_full_scale_v", processor.input_full_scale_v, 1e-3, 1e6))
            .or_else(|| range("processor.output_full_scale_v", processor.output_full_scale_v, 1e-3, 1e6))
            .or_else(|| range("processor.latency_s", processor.latency_s, 0.0, 0.05))
            .or_else(|| range("processor.longest_delay_s", processor.longest_delay_s, 0.0, 0.1))
    }

    fn driver_fault(&self) -> Option<String> {
        if self.drivers.is_empty() || self.drivers.len() > MOST_DRIVERS {
            return Some(format!("the car has {} drivers; expected 1 to {MOST_DRIVERS}", self.drivers.len()));
        }
        let one = |driver: &Driver| {
            if driver.inputs.is_empty() {
                return Some("`inputs` is empty; expected at least one radio output".to_owned());
            }
            for input in &driver.inputs {
                if self.radio.output(input).is_none() {
                    let names = self.radio.outputs.iter().map(|output| output.name.as_str());
                    return Some(format!("`inputs`: {}", no_such("radio output", input, names)));
                }
            }
            driver
                .bands
                .iter()
                .find_map(band_fault)
                .or_else(|| edges(&driver.high_pass, &driver.low_pass))
                .or_else(|| driver.channel.fault(self.processor.longest_delay_s))
                .or_else(|| range("sensitivity_db", driver.sensitivity_db, 0.0, 150.0))
                .or_else(|| range("amplifier_gain_db", driver.amplifier_gain_db, -60.0, 60.0))
                .or_else(|| range("amplifier_clip_v", driver.amplifier_clip_v?, 1e-3, 1e4))
                .or_else(|| range("second_harmonic_percent", driver.second_harmonic_percent, 0.0, 50.0))
                .or_else(|| range("third_harmonic_percent", driver.third_harmonic_percent, 0.0, 50.0))
        };
        twice("driver", self.driver_names())
            .or_else(|| self.drivers.iter().find_map(|d| Some(format!("driver `{}`: {}", d.name, one(d)?))))
            .or_else(|| {
                self.rattles.iter().find_map(|rattle| {
                    let fault = if self.driver(&rattle.driver).is_none() {
                        Some(no_such("driver", &rattle.driver, self.driver_names()))
                    } else if rattle.from_hz >= rattle.to_hz {
                        Some(format!("`from_hz` {} is not below `to_hz` {}", rattle.from_hz, rattle.to_hz))
                    } else {
                        frequency("from_hz", rattle.from_hz)
                            .or_else(|| range("to_hz", rattle.to_hz, 0.0, 2000.0))
                            .or_else(|| range("level_db", rattle.level_db, -120.0, 20.0))
                            .or_else(|| range("starts_at_db_spl", rattle.starts_at_db_spl, -100.0, 200.0))
                    };
                    Some(format!("rattle `{}`: {}", rattle.name, fault?))
                })
            })
    }

    fn space_fault(&self) -> Option<String> {
        let microphone = &self.microphone;
        let fault = range("microphone.dbfs_at_94", microphone.dbfs_at_94, -120.0, 40.0)
            .or_else(|| range("microphone.noise_db_spl", microphone.noise_db_spl?, -100.0, 120.0))
            .or_else(|| microphone.bands.iter().find_map(band_fault))
            .or_else(|| edges(&microphone.high_pass, &None));
        if fault.is_some() {
            return fault;
        }
        let cabin = self.cabin.as_ref()?;
        if cabin.positions.is_empty() {
            return Some("the cabin has no `position`; expected at least one".to_owned());
        }
        let inside = |what: &str, name: &str, at_m: [f64; 3]| {
            let within = at_m.iter().zip(cabin.size_m).all(|(&at, size)| (0.0..=size).contains(&at));
            (!within).then(|| {
                format!(
                    "{what} `{name}`: `at_m` {at_m:?} lies outside the cabin's `size_m` {:?}",
                    cabin.size_m
                )
            })
        };
        cabin
            .size_m
            .iter()
            .find_map(|&size| range("cabin.size_m", size, 0.5, 20.0))
            .or_else(|| twice("position", self.position_names()))
            .or_else(|| cabin.positions.iter().find_map(|p| inside("position", &p.name, p.at_m)))
            .or_else(|| self.drivers.iter().find_map(|d| inside("driver", &d.name, d.at_m)))
            .or_else(|| self.too_near())
            .or_else(|| frequency("cabin.pressurisation_hz", cabin.pressurisation_hz))
            .or_else(|| range("cabin.leak_hz", cabin.leak_hz, 0.1, cabin.pressurisation_hz))
            .or_else(|| range("cabin.temperature_c", cabin.temperature_c, -40.0, 60.0))
            .or_else(|| range("cabin.modes.q", cabin.modes.q, 0.3, 100.0))
            .or_else(|| range("cabin.modes.strength", cabin.modes.strength, 0.0, 10.0))
            .or_else(|| range("cabin.modes.up_to_hz", cabin.modes.up_to_hz, 0.0, 2000.0))
            .or_else(|| {
                cabin.walls.iter().find_map(|wall| {
                    range("cabin.wall.reflection", wall.reflection, 0.0, 1.0)
                        .or_else(|| frequency("cabin.wall.low_pass_hz", wall.low_pass_hz))
                })
            })
            .or_else(|| range("cabin.ambient_db_spl", cabin.ambient_db_spl?, -100.0, 130.0))
            .or_else(|| range("cabin.engine_db_spl", cabin.engine_db_spl?, -100.0, 130.0))
    }

    /// A driver must not sit in the microphone: the level would know no bound.
    fn too_near(&self) -> Option<String> {
        let cabin = self.cabin.as_ref()?;
        self.drivers.iter().find_map(|driver| {
            cabin.positions.iter().find_map(|position| {
                let squares = driver.at_m.iter().zip(position.at_m).map(|(a, b)| (a - b).powi(2));
                let distance_m = squares.sum::<f64>().sqrt();
                (distance_m < 0.2).then(|| {
                    format!(
                        "driver `{}` is {distance_m:.2} m from position `{}`; expected at least 0.2 m",
                        driver.name, position.name
                    )
                })
            })
        })
    }

    fn stated_fault(&self) -> Option<String> {
        let stated = &self.stated;
        if let Some(output) = &stated.limiting_output
            && self.radio.output(output).is_none()
        {
            let names = self.radio.outputs.iter().map(|output| output.name.as_str());
            return Some(format!("`stated.limiting_output`: {}", no_such("radio output", output, names)));
        }
        let stranger = stated.reversed_drivers.iter().find(|name| self.driver(name).is_none())?;
        Some(format!("`stated.reversed_drivers`: {}", no_such("driver", stranger, self.driver_names())))
    }
}

fn output_fault(output: &Output) -> Option<String> {
    let limit = |limit: &Limit| {
        range("limit.sine_v", limit.sine_v, 1e-3, 1e4)
            .or_else(|| range("limit.negative_sine_v", limit.negative_sine_v?, 1e-3, 1e4))
    };
    let fault = range("full_volume_v", output.full_volume_v, 1e-3, 1e4)
        .or_else(|| frequency("test_tone_hz", output.test_tone_hz))
        .or_else(|| output.limit.as_ref().and_then(limit))
        .or_else(|| range("residual_percent", output.residual_percent, 0.0, 20.0))
        .or_else(|| output.tone.iter().find_map(band_fault))
        .or_else(|| edges(&output.high_pass, &output.low_pass))
        .or_else(|| range("noise_v", output.noise_v, 0.0, 100.0))
        .or_else(|| range("whine_v", output.whine_v, 0.0, 100.0))
        .or_else(|| range("hum_v", output.hum_v, 0.0, 100.0))?;
    Some(format!("radio output `{}`: {fault}", output.name))
}

fn edges(high_pass: &Option<Edge>, low_pass: &Option<Edge>) -> Option<String> {
    high_pass.iter().chain(low_pass).find_map(Edge::fault)
}

fn range(key: &str, value: f64, least: f64, most: f64) -> Option<String> {
    (!(least..=most).contains(&value)).then(|| format!("`{key}` is {value}; expected {least} to {most}"))
}

fn frequency(key: &str, value: f64) -> Option<String> {
    range(key, value, 1.0, 96_000.0)
}

fn twice<'a>(what: &str, names: impl Iterator<Item = &'a str>) -> Option<String> {
    let mut seen = BTreeSet::new();
    names
        .into_iter()
        .find(|name| !seen.insert(name.to_owned()))
        .map(|name| format!("there are two {what}s called `{name}`; names must differ"))
}
