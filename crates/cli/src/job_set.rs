//! Carries out `job set`: what a person notes of a car, and what they entered into its processor.

use job::{Amplifier, ChannelSetting, Choices, Crossover, Driver, Intake, PresetOrInline, ProcessorSetting};
use library::Error;
use library::files::Written;
use project::{Change, Project};
use tuning::{Equalizer, Feed, Role, Seat};

use crate::flags::JobSet;
use crate::job_project::{self, kept_as};
use crate::number;
use crate::outcome::{Outcome, files_written};

/// The keys, as a message lists them.
const KEYS: &str = "name, vehicle, plate, customer, notes, source, tap, processor-name, target, processor, seat, equalizer, \
                    drivers, driver.NAME, amplifiers, amplifier.NAME, channel.NAME.WHAT, preset.NAME.WHAT";

/// What can be said of one driver.
const DRIVER: &str = "role, feed, channel, place, notes";
/// What can be said of one channel.
const CHANNEL: &str = "gain, delay, polarity, high-pass, low-pass";

/// Edits what a person says of a job: all of it, or nothing.
pub(crate) fn set(flags: &JobSet) -> Outcome {
    let mut open = job_project::open(&flags.dir)?;
    let mut edited = Edited::of(open.project());
    for text in &flags.settings {
        let refuse =
            |what: &str| Error::input(format!("`{text}`: {what}; expected KEY=VALUE, with one of {KEYS}"));
        let (key, value) = text.split_once('=').ok_or_else(|| refuse("there is no `=`"))?;
        if !edited.set(key.trim(), value.trim())? {
            let known = KEYS.split(", ").map(|known| known.split('.').next().unwrap_or(known));
            let near = measure::nearest(key.trim(), known);
            let meant = near.map_or_else(String::new, |near| format!(" (did you mean `{near}`?)"));
            return Err(refuse(&format!("there is no key `{}`{meant}", key.trim())).into());
        }
    }
    let changes = edited.changes(open.project());
    open.apply(Change::Together(changes))?;
    files_written(&[Written::new(&flags.dir.join("job.json"), "changed")], flags.json.json)
}

/// What a job says, as it is to be.
#[derive(Debug, Clone, PartialEq)]
struct Edited {
    name: String,
    intake: Intake,
    notes: String,
    target: Option<PresetOrInline>,
    processor: Option<PresetOrInline>,
    choices: Choices,
    channels: Vec<ChannelSetting>,
    preset: Option<ProcessorSetting>,
}

impl Edited {
    fn of(project: &Project) -> Self {
        let data = &project.data;
        Self {
            name: data.head.name.clone(),
            intake: data.intake.clone(),
            notes: data.notes.clone(),
            target: data.target.clone(),
            processor: data.processor.clone(),
            choices: data.choices.clone(),
            channels: data.channels.clone(),
            preset: data.preset.clone(),
        }
    }

    /// Sets one thing; whether there is such a key.
    fn set(&mut self, key: &str, value: &str) -> Result<bool, Error> {
        match key {
            "name" => value.clone_into(&mut self.name),
            "vehicle" => value.clone_into(&mut self.intake.vehicle),
            "plate" => value.clone_into(&mut self.intake.plate),
            "customer" => value.clone_into(&mut self.intake.customer),
            "notes" => value.clone_into(&mut self.notes),
            "source" => value.clone_into(&mut self.intake.source.name),
            "tap" => value.clone_into(&mut self.intake.source.tap),
            "processor-name" => value.clone_into(&mut self.intake.processor),
            "target" => {
                self.target = named(value, |value| library::target(value).map(drop))?;
            }
            "processor" => {
                self.processor = named(value, |value| library::profile(value).map(drop))?;
            }
            "seat" => {
                self.choices.seat = word(key, value, Seat::from_word, Seat::ALL.iter().map(|one| one.word()))?
            }
            "equalizer" => {
                let all = Equalizer::ALL.iter().map(|one| one.word());
                self.choices.equalizer = word(key, value, Equalizer::from_word, all)?;
            }
            "drivers" => {
                let drivers: Vec<Driver> = list(value)
                    .map(|text| driver(&self.intake.drivers, text, key))
                    .collect::<Result<_, Error>>()?;
                if let Some(name) = twice(drivers.iter().map(|driver| driver.name.as_str())) {
                    return Err(Error::input(format!("drivers: `{name}` is named twice")));
                }
                self.intake.drivers = drivers;
            }
            "amplifiers" => {
                self.intake.amplifiers =
                    list(value).map(|text| amplifier(text, key)).collect::<Result<_, Error>>()?;
            }
            _ => return self.set_part(key, value),
        }
        Ok(true)
    }

    /// Sets something of one driver, amplifier or channel.
    fn set_part(&mut self, key: &str, value: &str) -> Result<bool, Error> {
        let Some((kind, rest)) = key.split_once('.').filter(|(_, rest)| !rest.trim().is_empty()) else {
            return Ok(false);
        };
        match kind {
            "driver" => self.set_driver(key, rest, value)?,
            "amplifier" => {
                self.intake.amplifiers.retain(|amplifier| amplifier.name != rest);
                if !value.is_empty() {
                    self.intake.amplifiers.push(amplifier(&format!("{rest}:{value}"), key)?);
                }
            }
            "channel" => set_channel(&mut self.channels, key, rest, value)?,
            "preset" => {
                let preset = self.preset.get_or_insert_default();
                set_channel(&mut preset.channels, key, rest, value)?;
            }
            _ => return Ok(false),
        }
        Ok(true)
    }

    fn set_driver(&mut self, key: &str, rest: &str, value: &str) -> Result<(), Error> {
        let drivers = &mut self.intake.drivers;
        let part = rest.rsplit_once('.').filter(|(_, what)| DRIVER.split(", ").any(|known| known == *what));
        let Some((name, what)) = part else {
            if value.is_empty() {
                drivers.retain(|driver| driver.name != rest);
                return Ok(());
            }
            let said = driver(drivers, &format!("{rest}:{value}"), key)?;
            match drivers.iter_mut().find(|driver| driver.name == rest) {
                Some(known) => *known = said,
                None => drivers.push(said),
            }
            return Ok(());
        };
        let index = drivers.iter().position(|driver| driver.name == name).unwrap_or_else(|| {
            drivers.push(Driver { name: name.to_owned(), ..Driver::default() });
            drivers.len() - 1
        });
        let driver = &mut drivers[index];
        match what {
            "role" => driver.role = role(key, value)?,
            "feed" => driver.feed = feed(key, value)?,
            "channel" => value.clone_into(&mut driver.channel),
            "place" => value.clone_into(&mut driver.place),
            _ => value.clone_into(&mut driver.notes),
        }
        Ok(())
    }

    /// What is other than in the project.
    fn changes(self, project: &Project) -> Vec<Change> {
        let was = Self::of(project);
        let mut changes = Vec::new();
        let mut note = |differs: bool, change: Change| changes.extend(differs.then_some(change));
        note(was.name != self.name, Change::Named(self.name));
        note(was.intake != self.intake, Change::Intake(self.intake));
        note(was.notes != self.notes, Change::Notes(self.notes));
        note(was.target != self.target, Change::Target(self.target));
        note(was.processor != self.processor, Change::Processor(self.processor));
        note(was.choices != self.choices, Change::Choices(self.choices));
        note(was.channels != self.channels, Change::Channels(self.channels));
        note(was.preset != self.preset, Change::Preset(self.preset));
        changes
    }
}

/// A preset or a file that can be read; nothing for nothing.
fn named(value: &str, check: impl Fn(&str) -> Result<(), Error>) -> Result<Option<PresetOrInline>, Error> {
    if value.is_empty() {
        return Ok(None);
    }
    check(value)?;
    Ok(Some(kept_as(value)))
}

/// The parts of a list, with semicolons between, or else commas.
fn list(value: &str) -> impl Iterator<Item = &str> {
    let between = if value.contains(';') { ';' } else { ',' };
    value.split(between).map(str::trim).filter(|part| !part.is_empty())
}

fn twice<'a>(names: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let mut seen: Vec<&str> = Vec::new();
    for name in names {
        if seen.contains(&name) {
            return Some(name);
        }
        seen.push(name);
    }
    None
}

fn word<T>(
    key: &str,
    value: &str,
    read: impl Fn(&str) -> Option<T>,
    all: impl Iterator<Item = &'static str>,
) -> Result<Option<T>, Error> {
    if value.is_empty() {
        return Ok(None);
    }
    let all: Vec<&str> = all.collect();
    let unknown = || Error::input(format!("{key}={value}: expected one of {}", all.join(", ")));
    read(value).map(Some).ok_or_else(unknown)
}

fn role(key: &str, value: &str) -> Result<Option<Role>, Error> {
    word(key, value, Role::understood, Role::ALL.iter().map(|role| role.word()))
}

fn feed(key: &str, value: &str) -> Result<Option<Feed>, Error> {
    word(key, value, Feed::from_word, Feed::ALL.iter().map(|feed| feed.word()))
}

/// A driver as `NAME[:ROLE[:FEED[:CHANNEL]]]`; what is not said stays as it is known.
fn driver(known: &[Driver], text: &str, key: &str) -> Result<Driver, Error> {
    let parts: Vec<&str> = text.split(':').map(str::trim).collect();
    let (name, more) = parts.split_first().unwrap_or((&"", &[]));
    if name.is_empty() || more.len() > 3 {
        return Err(Error::input(format!("{key}: `{text}` is not of the form NAME[:ROLE[:FEED[:CHANNEL]]]")));
    }
    let known = known.iter().find(|driver| driver.name == *name);
    let mut driver =
        known.cloned().unwrap_or_else(|| Driver { name: (*name).to_owned(), ..Driver::default() });
    if let Some(word) = more.first() {
        driver.role = role(key, word)?;
    }
    if let Some(word) = more.get(1) {
        driver.feed = feed(key, word)?;
    }
    if let Some(channel) = more.get(2) {
        (*channel).clone_into(&mut driver.channel);
    }
    Ok(driver)
}

/// An amplifier as `NAME[:POWER[:LOAD]]`.
fn amplifier(text: &str, key: &str) -> Result<Amplifier, Error> {
    let parts: Vec<&str> = text.split(':').map(str::trim).collect();
    let (name, more) = parts.split_first().unwrap_or((&"", &[]));
    if name.is_empty() || more.len() > 2 {
        return Err(Error::input(format!("{key}: `{text}` is not of the form NAME[:POWER[:LOAD]]")));
    }
    let value = |text: Option<&&str>, read: fn(&str) -> Result<f64, String>| {
        let said = text.filter(|text| !text.is_empty());
        said.map(|text| number::of(key, read(text).and_then(above_zero))).transpose()
    };
    Ok(Amplifier {
        name: (*name).to_owned(),
        power_w: value(more.first(), number::watts)?,
        load_ohm: value(more.get(1), number::ohms)?,
    })
}

fn above_zero(value: f64) -> Result<f64, String> {
    if value > 0.0 { Ok(value) } else { Err(format!("{value} is not above 0")) }
}

/// Sets one thing of a channel of the processor: absolute, as its screen shows it.
fn set_channel(channels: &mut Vec<ChannelSetting>, key: &str, rest: &str, value: &str) -> Result<(), Error> {
    let unknown = || {
        Error::input(format!("{key}: say what of the channel is meant: KEY.NAME.WHAT with one of {CHANNEL}"))
    };
    let (name, what) = rest.rsplit_once('.').filter(|(name, _)| !name.is_empty()).ok_or_else(unknown)?;
    let mut setting = channels
        .iter()
        .find(|setting| setting.channel == name)
        .cloned()
        .unwrap_or_else(|| ChannelSetting { channel: name.to_owned(), ..ChannelSetting::default() });
    match what {
        "gain" => setting.gain_db = number::of(key, number::decibels(value))?,
        "delay" => setting.delay_s = number::of(key, number::milliseconds(value))? / 1e3,
        "polarity" => {
            setting.inverted = match value {
                "normal" => false,
                "inverted" => true,
                _ => return Err(Error::input(format!("{key}={value}: expected normal or inverted"))),
            }
        }
        "high-pass" => setting.high_pass = crossover(key, value)?,
        "low-pass" => setting.low_pass = crossover(key, value)?,
        _ => return Err(unknown()),
    }
    match channels.iter_mut().find(|known| known.channel == name) {
        Some(known) => *known = setting,
        None => channels.push(setting),
    }
    Ok(())
}

/// A crossover filter as `FREQUENCY[:FAMILY[:SLOPE]]`; `none` for none.
fn crossover(key: &str, value: &str) -> Result<Option<Crossover>, Error> {
    if ["", "none"].contains(&value) {
        return Ok(None);
    }
    const FORM: &str = "FREQUENCY[:FAMILY[:SLOPE]], such as 80:linkwitz-riley:24, or none";
    let wrong = || Error::input(format!("{key}={value}: expected {FORM}"));
    let parts: Vec<&str> = value.split(':').map(str::trim).collect();
    let frequency_hz = number::of(key, number::hertz(parts[0]).and_then(above_zero))?;
    let family = parts.get(1).copied().unwrap_or("linkwitz-riley");
    let slope = number::of(key, number::plain(parts.get(2).copied().unwrap_or("24"), "dB"))?;
    let known = ["butterworth", "linkwitz-riley", "bessel"].contains(&family);
    let steps = slope / 6.0;
    if parts.len() > 3 || !known || !(1.0..=16.0).contains(&steps) || steps.fract() != 0.0 {
        return Err(wrong());
    }
    // A whole number from 1 to 16.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 1 to 16")]
    let order = steps as u32;
    Ok(Some(Crossover { family: family.to_owned(), order, frequency_hz }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn edited() -> Edited {
        let head = job::Head { name: String::new(), created: jiff::Timestamp::UNIX_EPOCH };
        Edited::of(&Project::new(job::JobData::new(head)))
    }

    #[test]
    fn drivers_and_amplifiers_are_said_in_one_line_or_part_by_part() {
        let mut edited = edited();
        assert!(edited.set("drivers", "left-mid:mid:left:3, sub:sub:both, rear").unwrap());
        assert!(edited.set("driver.rear.role", "fill").unwrap());
        assert!(edited.set("driver.rear.place", "rear shelf").unwrap());
        assert!(edited.set("driver.left-mid", "woofer").unwrap());
        assert!(edited.set("amplifiers", "front:75 W:4 ohm; sub:0,5kW").unwrap());
        let drivers = &edited.intake.drivers;
        let seen: Vec<(&str, Option<Role>, Option<Feed>, &str)> = drivers
            .iter()
            .map(|driver| (driver.name.as_str(), driver.role, driver.feed, driver.channel.as_str()))
            .collect();
        assert_eq!(
            seen,
            [
                ("left-mid", Some(Role::Woofer), Some(Feed::Left), "3"),
                ("sub", Some(Role::Sub), Some(Feed::Both), ""),
                ("rear", Some(Role::Fill), None, ""),
            ]
        );
        assert_eq!(drivers[2].place, "rear shelf");
        let amplifiers = &edited.intake.amplifiers;
        assert_eq!((amplifiers[0].power_w, amplifiers[0].load_ohm), (Some(75.0), Some(4.0)));
        assert_eq!((amplifiers[1].name.as_str(), amplifiers[1].power_w), ("sub", Some(500.0)));
        assert!(edited.set("driver.rear", "").unwrap() && edited.intake.drivers.len() == 2);
        for (key, value) in [
            ("drivers", "a:horn"),
            ("drivers", "a,a"),
            ("drivers", ":mid"),
            ("driver.x.feed", "up"),
            ("amplifiers", "front:-5"),
            ("seat", "back"),
        ] {
            assert!(edited.set(key, value).is_err(), "{key}={value}");
        }
        assert!(!edited.set("colour", "red").unwrap());
    }

    #[test]
    fn channels_are_entered_in_the_processors_terms() {
        let mut edited = edited();
        for (what, value) in [
            ("gain", "-3,5 dB"),
            ("delay", "1.94"),
            ("polarity", "inverted"),
            ("high-pass", "80:butterworth:12"),
        ] {
            assert!(edited.set(&format!("channel.left-mid.{what}"), value).unwrap());
        }
        assert!(edited.set("preset.sub.low-pass", "90").unwrap());
        let setting = &edited.channels[0];
        assert_eq!(
            (setting.gain_db, (1e6 * setting.delay_s).round(), setting.inverted),
            (-3.5, 1_940.0, true)
        );
        let high_pass = setting.high_pass.clone().unwrap();
        assert_eq!(
            (high_pass.family.as_str(), high_pass.order, high_pass.frequency_hz),
            ("butterworth", 2, 80.0)
        );
        let low_pass = edited.preset.clone().unwrap().channels[0].low_pass.clone().unwrap();
        assert_eq!((low_pass.family.as_str(), low_pass.order), ("linkwitz-riley", 4));
        for (key, value) in [
            ("channel.a.high-pass", "80:brick:24"),
            ("channel.a.high-pass", "80:bessel:20"),
            ("channel.a.gain", "loud"),
            ("channel.a.colour", "1"),
            ("channel.gain", "1"),
        ] {
            assert!(edited.set(key, value).is_err(), "{key}={value}");
        }
    }
}
