//! The whole car from its drivers' captures: what is entered so that they add up.

use job::{Basis, ChannelSetting, Crossover, CrossoverTiming, Driver, DriverTiming, SumTiming, TimingRecord};
use measure::{Finding, Reading};
use tuning::{
    CarAlignment, CarCrossover, CarDriver, CarFilter, CarInput, CarSetting, CarSum, CrossoverFamily, Feed,
    Profile, Response, Role,
};

use super::clock::{louder, missing_db, zeros_of};
use super::response::later;
use crate::hertz;

/// The air in a car that is being worked on (common practice, no source).
pub const TEMPERATURE_C: f64 = 20.0;
/// A delay is entered in hundredths of a millisecond where the processor does not say.
const DELAY_STEP_S: f64 = 1e-5;

/// A driver that was measured alone.
#[derive(Debug, Clone, Copy)]
pub struct FoundDriver<'a> {
    /// Which.
    pub driver: &'a Driver,
    /// What was found.
    pub reading: &'a Reading,
    /// Its response, where there is one.
    pub response: Option<&'a Response>,
    /// How much later the zero of its arrival lies than that of the others.
    pub zero_s: f64,
}

/// What follows from the drivers' captures.
#[derive(Debug, Clone, PartialEq)]
pub struct CarPlan {
    /// What is entered, a line for each driver that was measured and has a channel of the processor.
    pub channels: Vec<ChannelSetting>,
    /// How it adds up; absent where the delays follow from arrivals alone.
    pub aligned: Option<CarAlignment>,
    /// Why there is no more than delays from arrivals.
    pub without: Option<String>,
    /// What is to be said of the recordings that it follows from.
    pub findings: Vec<Finding>,
}

impl CarPlan {
    /// The plan with absolute settings, where it says what is to be added to what the channels held while
    /// their drivers were measured.
    #[must_use]
    pub fn on_top_of(mut self, held: &[ChannelSetting]) -> Self {
        for setting in &mut self.channels {
            if let Some(held) = held.iter().find(|held| held.channel == setting.channel) {
                *setting = absolute(held, setting);
            }
        }
        self
    }

    /// The worst dip of a side's predicted sum, in dB.
    #[must_use]
    pub fn worst_dip_db(&self) -> Option<f64> {
        let sums = &self.aligned.as_ref()?.sums;
        let sides = sums.iter().filter(|sum| sum.heard != "all" || sums.len() == 1);
        sides.map(|sum| sum.worst_db).min_by(f64::total_cmp)
    }
}

impl FoundDriver<'_> {
    fn arrival_s(&self) -> Option<f64> {
        Some(self.reading.values.get("arrival_s")? + self.zero_s)
    }

    /// The processor's channel; its own name where none was written down.
    fn channel(&self) -> &str {
        if self.driver.channel.is_empty() { &self.driver.name } else { &self.driver.channel }
    }

    /// Whether it was found to be wired backwards.
    #[must_use]
    pub fn is_inverted(&self) -> bool {
        is_inverted(self.reading)
    }

    fn is_bass(&self) -> bool {
        self.driver.role == Some(Role::Sub)
    }

    fn is_full(&self) -> bool {
        self.driver.role == Some(Role::FullRange)
    }

    /// The response with the way of its sound in its phase, so that all share one zero of time:
    /// the reading's own phase counts from its arrival. One that was found to be wired backwards
    /// is taken as it will be once it is turned over; half a period of delay would do nearly the
    /// same at one frequency, and nowhere else.
    fn on_one_clock(&self) -> Option<Response> {
        let mut response = self.response?.clone();
        let (arrival_s, backwards) = (self.arrival_s()?, self.is_inverted());
        let turn_deg = if backwards { 180.0 } else { 0.0 };
        let own: Vec<f64> = response.phase_deg.as_ref()?.iter().map(|phase| phase - turn_deg).collect();
        response.phase_deg = Some(later(&own, &response.frequency_hz, arrival_s).collect());
        let feed = self.driver.feed.unwrap_or_else(|| Feed::proposed(&self.driver.name));
        Some(louder(response, missing_db(Some(self.reading), feed)))
    }
}

/// Drivers whose arrivals count from one zero, where they were measured against a reference driver; with what is to be
/// said where that was not the same for all.
#[must_use]
pub fn from_one_zero(mut found: Vec<FoundDriver<'_>>) -> (Vec<FoundDriver<'_>>, Vec<Finding>) {
    let readings: Vec<(&str, &Reading)> =
        found.iter().map(|one| (one.driver.name.as_str(), one.reading)).collect();
    let (zeros, findings) = zeros_of(&readings);
    for (one, zero_s) in found.iter_mut().zip(zeros) {
        one.zero_s = zero_s;
    }
    (found, findings)
}

/// The whole of a plan, as the job keeps it.
#[must_use]
pub fn timing(plan: &CarPlan, found: &[FoundDriver<'_>], basis: Basis) -> TimingRecord {
    let aligned = plan.aligned.as_ref();
    let driver = |setting: &ChannelSetting| {
        let of = found.iter().find(|found| found.channel() == setting.channel);
        let name = of.map_or(&setting.channel, |found| &found.driver.name);
        let aligned = aligned.and_then(|aligned| aligned.drivers.iter().find(|one| one.driver == *name));
        DriverTiming {
            driver: name.clone(),
            setting: setting.clone(),
            arrival_s: of.and_then(FoundDriver::arrival_s),
            usable_from_hz: aligned.map(|aligned| aligned.usable_from_hz),
            usable_to_hz: aligned.map(|aligned| aligned.usable_to_hz),
            ..DriverTiming::default()
        }
    };
    let sum = |one: &CarSum| SumTiming {
        heard: one.heard.clone(),
        worst_db: one.worst_db,
        worst_hz: one.worst_hz,
        worst_between: one.worst_between.clone(),
        before_worst_db: one.before_worst_db,
    };
    let without = plan
        .without
        .as_ref()
        .map(|why| Finding::caution("delays-only", format!("Only delays could be found: {why}")));
    TimingRecord {
        basis,
        drivers: plan.channels.iter().map(driver).collect(),
        crossovers: aligned.iter().flat_map(|aligned| &aligned.crossovers).map(crossover_timing).collect(),
        sums: aligned.iter().flat_map(|aligned| &aligned.sums).map(sum).collect(),
        findings: aligned
            .iter()
            .flat_map(|aligned| &aligned.findings)
            .cloned()
            .chain(without)
            .chain(plan.findings.iter().cloned())
            .collect(),
    }
}

/// A crossover, as the job keeps it.
#[must_use]
pub fn crossover_timing(one: &CarCrossover) -> CrossoverTiming {
    CrossoverTiming {
        lower: one.lower.clone(),
        upper: one.upper.clone(),
        frequency_hz: one.frequency_hz,
        why: one.why.clone(),
        worst_db: one.worst_db,
        before_worst_db: one.before_worst_db,
    }
}

/// Whether a driver's capture says that it is wired backwards.
#[must_use]
pub fn is_inverted(reading: &Reading) -> bool {
    reading.labels.get("polarity").is_some_and(|polarity| polarity == "inverted")
}

/// How a car's drivers are to be aligned.
#[derive(Debug, Clone, Copy)]
pub(super) struct CarWish<'a> {
    /// What the processor can hold.
    pub(super) profile: &'a Profile,
    /// The crossover filters were on when the drivers were measured.
    pub(super) filters_on: bool,
    /// Whether their arrivals share their zero.
    pub(super) arrivals_compare: bool,
    /// The crossovers from the lowest up, where they are settled.
    pub(super) crossovers_hz: &'a [f64],
    /// The air's temperature.
    pub(super) temperature_c: f64,
    /// What the channels held while the drivers were measured, filters apart from `filters_on`.
    pub(super) preset: &'a [ChannelSetting],
}

/// What is entered for a car whose drivers were measured, each alone. Where their arrivals do
/// not share their zero, delays follow from the arrivals as they are.
#[must_use]
pub fn car_plan(
    found: &[FoundDriver<'_>],
    profile: &Profile,
    filters_on: bool,
    arrivals_compare: bool,
) -> CarPlan {
    let wish = CarWish {
        profile,
        filters_on,
        arrivals_compare,
        crossovers_hz: &[],
        temperature_c: TEMPERATURE_C,
        preset: &[],
    };
    planned(found, &wish)
}

/// The same with all that can be wished; the settings are absolute: on top of what the channels held.
pub(super) fn planned(found: &[FoundDriver<'_>], wish: &CarWish<'_>) -> CarPlan {
    added(found, wish).on_top_of(wish.preset)
}

/// What a channel holds that held something already when this was found to be added.
#[must_use]
pub fn absolute(held: &ChannelSetting, added: &ChannelSetting) -> ChannelSetting {
    // What is outside of the chain of crossovers keeps its filters.
    let keeps = added.high_pass.is_none() && added.low_pass.is_none();
    let kept = |own: &Option<Crossover>, new: &Option<Crossover>| if keeps { own } else { new }.clone();
    ChannelSetting {
        channel: added.channel.clone(),
        delay_s: added.delay_s,
        gain_db: held.gain_db + added.gain_db,
        inverted: held.inverted != added.inverted,
        high_pass: kept(&held.high_pass, &added.high_pass),
        low_pass: kept(&held.low_pass, &added.low_pass),
    }
}

fn added(found: &[FoundDriver<'_>], wish: &CarWish<'_>) -> CarPlan {
    // What has no channel of the processor cannot be delayed, unless none was written down at all.
    let any_fed = found.iter().any(|found| !found.driver.channel.is_empty());
    let fed: Vec<FoundDriver<'_>> =
        found.iter().copied().filter(|found| !any_fed || !found.driver.channel.is_empty()).collect();
    let found = fed.as_slice();
    let by_arrival = by_arrival(found);
    if !wish.arrivals_compare {
        return CarPlan { channels: by_arrival, aligned: None, without: None, findings: Vec::new() };
    }
    // Where each plays its part of the sound, one that plays all of it is a fill.
    let parts = found.iter().any(|found| !found.is_full());
    let chain: Vec<FoundDriver<'_>> =
        found.iter().copied().filter(|found| !parts || !found.is_full()).collect();
    match aligned(&chain, wish) {
        Ok(aligned) => {
            let channels = channels_of(&aligned, found, by_arrival, wish.profile);
            CarPlan { channels, aligned: Some(aligned), without: None, findings: Vec::new() }
        }
        Err(why) => CarPlan { channels: by_arrival, aligned: None, without: Some(why), findings: Vec::new() },
    }
}

fn aligned(chain: &[FoundDriver<'_>], wish: &CarWish<'_>) -> Result<CarAlignment, String> {
    let upper = chain.iter().filter(|found| !found.is_bass()).filter_map(FoundDriver::arrival_s);
    let latest_s = upper.fold(f64::NEG_INFINITY, f64::max);
    let drivers = chain.iter().filter_map(|found| {
        Some(CarDriver {
            name: found.driver.name.clone(),
            role: found.driver.role.filter(|role| !role.is_in_chain()),
            feed: found.driver.feed,
            response: found.on_one_clock()?,
            distance_m: None,
            // A subwoofer's arrival is mostly its filters' own delay; its time is found from how
            // it adds up.
            arrival_s: if found.is_bass() && latest_s.is_finite() {
                Some(latest_s)
            } else {
                found.arrival_s()
            },
        })
    });
    let drivers: Vec<CarDriver> = drivers.collect();
    let input = CarInput {
        drivers: &drivers,
        profile: wish.profile,
        crossovers_hz: wish.crossovers_hz,
        filtered: wish.filters_on,
        temperature_c: wish.temperature_c,
    };
    tuning::align_car(&input).map_err(|error| error.to_string())
}

/// What is entered: what the alignment says, and for a fill the delay with which it arrives
/// with the others.
fn channels_of(
    aligned: &CarAlignment,
    found: &[FoundDriver<'_>],
    by_arrival: Vec<ChannelSetting>,
    profile: &Profile,
) -> Vec<ChannelSetting> {
    let setting = |name: &str| aligned.drivers.iter().find(|setting| setting.driver == name);
    let together_s = found
        .iter()
        .filter(|found| !found.is_bass())
        .filter_map(|found| Some(setting(&found.driver.name)?.delay_s + found.arrival_s()?))
        .fold(f64::NEG_INFINITY, f64::max);
    let longest_s = profile.delay.map_or(f64::INFINITY, |grid| grid.max_s);
    let channel = |(found, plain): (&FoundDriver<'_>, ChannelSetting)| {
        if let Some(setting) = setting(&found.driver.name) {
            let entered = of_setting(found.channel(), setting);
            return ChannelSetting { inverted: entered.inverted != found.is_inverted(), ..entered };
        }
        let wanted_s = (together_s - found.arrival_s().unwrap_or(together_s)).clamp(0.0, longest_s);
        let plain_s = (wanted_s / DELAY_STEP_S).round() * DELAY_STEP_S;
        ChannelSetting { delay_s: profile.delay.map_or(plain_s, |grid| grid.nearest(wanted_s)), ..plain }
    };
    found.iter().zip(by_arrival).map(channel).collect()
}

/// Delay and polarity for each driver, so that all arrive with the latest. A subwoofer's
/// arrival is mostly its filters' own delay, so it is left out and stays undelayed.
fn by_arrival(found: &[FoundDriver<'_>]) -> Vec<ChannelSetting> {
    let arrival = |found: &FoundDriver<'_>| found.arrival_s().filter(|_| !found.is_bass());
    let latest_s = found.iter().filter_map(arrival).fold(f64::NEG_INFINITY, f64::max);
    let channel = |found: &FoundDriver<'_>| {
        let delay_s = arrival(found).map_or(0.0, |arrival_s| latest_s - arrival_s);
        ChannelSetting {
            channel: found.channel().to_owned(),
            delay_s: (delay_s / DELAY_STEP_S).round() * DELAY_STEP_S,
            inverted: found.is_inverted(),
            ..ChannelSetting::default()
        }
    };
    found.iter().map(channel).collect()
}

fn of_setting(channel: &str, entered: &CarSetting) -> ChannelSetting {
    let filters = (entered.high_pass, entered.low_pass);
    setting(channel, entered.gain_db, entered.delay_s, entered.invert, filters)
}

/// What a channel holds, as the job keeps it.
pub(super) fn setting(
    channel: &str,
    gain_db: f64,
    delay_s: f64,
    inverted: bool,
    (high_pass, low_pass): (Option<CarFilter>, Option<CarFilter>),
) -> ChannelSetting {
    ChannelSetting {
        channel: channel.to_owned(),
        delay_s,
        gain_db,
        inverted,
        high_pass: high_pass.map(crossover),
        low_pass: low_pass.map(crossover),
    }
}

/// A crossover filter as the job keeps it.
#[must_use]
pub fn crossover(filter: CarFilter) -> Crossover {
    let family = match filter.family {
        CrossoverFamily::Butterworth => "butterworth",
        CrossoverFamily::LinkwitzRiley => "linkwitz-riley",
        CrossoverFamily::Bessel => "bessel",
    };
    Crossover {
        family: family.to_owned(),
        order: filter.slope_db_per_octave / 6,
        frequency_hz: filter.frequency_hz,
    }
}

/// A crossover filter as `tuning` takes it.
pub(super) fn filter(crossover: &Crossover) -> CarFilter {
    let family = match crossover.family.as_str() {
        "butterworth" => CrossoverFamily::Butterworth,
        "bessel" => CrossoverFamily::Bessel,
        _ => CrossoverFamily::LinkwitzRiley,
    };
    CarFilter { family, slope_db_per_octave: 6 * crossover.order, frequency_hz: crossover.frequency_hz }
}

/// A crossover filter as a person reads it: "80 Hz, LR 24 dB".
#[must_use]
pub fn crossover_text(crossover: &Crossover) -> String {
    filter_text(Some(filter(crossover)), crossover.frequency_hz)
}

fn filter_text(filter: Option<CarFilter>, frequency_hz: f64) -> String {
    let Some(filter) = filter else { return hertz(frequency_hz) };
    let family = match filter.family {
        CrossoverFamily::Butterworth => "Butterw.",
        CrossoverFamily::LinkwitzRiley => "LR",
        CrossoverFamily::Bessel => "Bessel",
    };
    format!("{}, {family} {} dB", hertz(filter.frequency_hz), filter.slope_db_per_octave)
}

/// Who meets whom, and through which filter: one entry for each crossover; both sides share theirs.
#[must_use]
pub fn crossovers(aligned: &CarAlignment) -> Vec<(String, String)> {
    let mut lines: Vec<(String, String)> = Vec::new();
    for crossover in &aligned.crossovers {
        let setting = |name: &String| aligned.drivers.iter().find(|driver| driver.driver == *name);
        let filter = crossover.upper.first().and_then(setting).and_then(|setting| setting.high_pass);
        let meeting = format!("{} / {}", bare(&crossover.lower), bare(&crossover.upper));
        let next = (meeting, filter_text(filter, crossover.frequency_hz));
        if !lines.contains(&next) {
            lines.push(next);
        }
    }
    lines
}

/// Drivers without the words for their sides.
fn bare(names: &[String]) -> String {
    let mut bare: Vec<String> =
        names.iter().map(|name| name.replace("left-", "").replace("right-", "")).collect();
    bare.dedup();
    bare.join(" + ")
}

/// What a sum's worst dip is, and what it was.
#[must_use]
pub fn sum_text(sum: &CarSum) -> String {
    let heard = match sum.heard.as_str() {
        "all" => "All together".to_owned(),
        side => format!("The {side} side"),
    };
    let between = match sum.worst_between.as_slice() {
        [] => String::new(),
        names => format!(", {}", names.join(" and ")),
    };
    format!(
        "{heard}: the worst dip is {:.1} dB at {}{between}. Without these delays it would be {:.1} dB.",
        sum.worst_db.abs(),
        hertz(sum.worst_hz),
        sum.before_worst_db.abs()
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: arithmetic; what the processor does not feed, it cannot delay.
    #[test]
    fn what_no_channel_feeds_is_given_no_delay() {
        let driver = |name: &str, channel: &str| Driver {
            name: name.to_owned(),
            role: Some(Role::Mid),
            channel: channel.to_owned(),
            ..Driver::default()
        };
        let drivers = [driver("left", "one"), driver("right", "two"), driver("rear", "")];
        let readings = [0.004, 0.003, 0.001].map(|arrival_s| {
            let mut reading = Reading::new("sweep", 1, 48_000.0);
            reading.values.insert("arrival_s".to_owned(), arrival_s);
            reading
        });
        let plan = |drivers: &[Driver; 3]| {
            let found: Vec<FoundDriver<'_>> = drivers
                .iter()
                .zip(&readings)
                .map(|(driver, reading)| FoundDriver { driver, reading, response: None, zero_s: 0.0 })
                .collect();
            let profile = Profile::preset("parametric-gridded").expect("it is built in");
            let entered = car_plan(&found, &profile, false, false).channels;
            entered
                .into_iter()
                .map(|entry| (entry.channel, (1e3 * entry.delay_s).round()))
                .collect::<Vec<_>>()
        };
        assert_eq!(plan(&drivers), [("one".to_owned(), 0.0), ("two".to_owned(), 1.0)]);
        // Nobody wrote down any channel: then each driver is taken to have its own.
        let unnamed = drivers.map(|driver| Driver { channel: String::new(), ..driver });
        let named = |name: &str, ms: f64| (name.to_owned(), ms);
        assert_eq!(plan(&unnamed), [named("left", 0.0), named("right", 1.0), named("rear", 3.0)]);
    }
}
