//! Delays, polarities, crossovers and levels for what a job holds of its drivers.

use std::collections::BTreeMap;

use job::{Basis, CaptureId, ChannelSetting, Driver, Intake, Stage, StageResult, StageState, TimingRecord};
use measure::{Finding, Reading};
use tuning::{Feed, Profile, Response, Role};

use super::car_plan::{CarWish, planned};
use super::clock::share_zero;
use super::place::main_place;
use super::{CarPlan, FoundDriver, from_one_zero, timing};
use crate::{CaptureEntry, Change, Project};

/// How a job's drivers are to be aligned.
#[derive(Debug, Clone, PartialEq)]
pub struct TimingWish {
    /// What the processor can hold.
    pub profile: Profile,
    /// The crossover filters were on when the drivers were measured.
    pub filtered: bool,
    /// The crossovers from the lowest up, where they are settled.
    pub crossovers_hz: Vec<f64>,
    /// What drivers are for, by their names: goes into the job.
    pub roles: Vec<(String, Role)>,
    /// When their sound arrives, by their names; found from the captures otherwise.
    pub arrivals_s: Vec<(String, f64)>,
    /// The air's temperature.
    pub temperature_c: f64,
    /// What the job is told of the processor, the program and the day.
    pub basis: Basis,
}

/// What an alignment of a job's drivers found.
#[derive(Debug, Clone, PartialEq)]
pub struct JobTiming {
    /// The plan, with the settings as they are entered: absolute.
    pub plan: CarPlan,
    /// The whole result, as the job keeps it.
    pub record: TimingRecord,
    /// What the job is told.
    pub changes: Vec<Change>,
}

/// Why the drivers of a job cannot be aligned.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoTiming {
    /// No driver was measured alone.
    #[error(
        "no driver was measured alone; measure each by itself, and say which it was with \
         `headrest job capture JOB N --driver NAME`"
    )]
    NothingMeasured,
    /// A name that is no driver's.
    #[error("there is no driver `{name}` in the job; it has {there}")]
    NoDriver {
        /// The name.
        name: String,
        /// The drivers.
        there: String,
    },
    /// Arrivals that cannot be compared.
    #[error(
        "the arrivals of {0} do not count from one zero: they were recorded without a loopback channel. Record the tracks \
         `place-…` (or `arrival`) for each driver against the same other one, or give --distance or --arrival for every driver"
    )]
    NoClock(String),
}

/// Aligns the drivers that a job holds captures of.
///
/// Each driver's newest capture counts. Where captures share no zero of time, the arrivals that were measured
/// against one common driver count, and that driver's own is 0.
///
/// # Errors
/// When drivers were not measured, or their arrivals cannot be compared.
pub fn timing_job(project: &Project, wish: &TimingWish) -> Result<JobTiming, NoTiming> {
    let intake = with_drivers(project, &wish.roles)?;
    let measured: Vec<(&Driver, &CaptureEntry)> = intake
        .drivers
        .iter()
        .filter_map(|driver| Some((driver, driver_capture(project, &driver.name)?)))
        .collect();
    if measured.is_empty() {
        return Err(NoTiming::NothingMeasured);
    }
    let mut captures: Vec<CaptureId> = measured.iter().map(|(_, capture)| capture.id).collect();
    let arrivals = arrivals(project, wish, &measured, &mut captures)?;
    let readings: Vec<Reading> = measured
        .iter()
        .filter_map(|(driver, capture)| {
            let mut reading = capture.reading.as_deref()?.clone();
            if let Some(arrival_s) = arrivals.get(driver.name.as_str()) {
                reading.value("arrival_s", *arrival_s);
            }
            Some(reading)
        })
        .collect();
    let found: Vec<FoundDriver<'_>> = measured
        .iter()
        .zip(&readings)
        .map(|((driver, capture), reading)| FoundDriver {
            driver,
            reading,
            response: capture.response.as_deref(),
            zero_s: 0.0,
        })
        .collect();
    // Arrivals that were given, or measured by themselves, have one zero.
    let (found, references) = if arrivals.is_empty() { from_one_zero(found) } else { (found, Vec::new()) };
    let preset = project.data.preset.as_ref().map(|preset| preset.channels.as_slice()).unwrap_or_default();
    let mut plan = planned(
        &found,
        &CarWish {
            profile: &wish.profile,
            filters_on: wish.filtered,
            arrivals_compare: true,
            crossovers_hz: &wish.crossovers_hz,
            temperature_c: wish.temperature_c,
            preset,
        },
    );
    plan.findings = references;
    let mut record = timing(&plan, &found, Basis { captures, ..wish.basis.clone() });
    record.findings.extend(proposed(project, &intake));
    let mut changes = Vec::new();
    if intake != project.data.intake {
        changes.push(Change::Intake(intake.clone()));
    }
    changes.extend([
        Change::Processor(wish.basis.processor.clone()),
        Change::Channels(plan.channels.clone()),
        Change::TimingFound(Some(record.clone())),
        Change::StageResult(
            Stage::Drivers,
            Some(StageResult { state: StageState::Measured, line: format!("{} measured", found.len()) }),
        ),
        Change::StageResult(
            Stage::Timing,
            Some(StageResult { state: StageState::Measured, line: line(&plan.channels) }),
        ),
    ]);
    Ok(JobTiming { plan, record, changes })
}

/// What was set, in a line.
fn line(channels: &[ChannelSetting]) -> String {
    let longest_s = channels.iter().map(|channel| channel.delay_s).fold(0.0, f64::max);
    let inverted = channels.iter().filter(|channel| channel.inverted).count();
    let inverted = match inverted {
        0 => "none inverted".to_owned(),
        1 => "1 channel inverted".to_owned(),
        count => format!("{count} channels inverted"),
    };
    format!("delays up to {:.2} ms, {inverted}", 1e3 * longest_s)
}

/// The newest capture of a driver alone that has a response, at the middle of the head or the first place that
/// drivers were measured at; where it was not measured there, the newest of all.
#[must_use]
fn driver_capture<'a>(project: &'a Project, driver: &str) -> Option<&'a CaptureEntry> {
    let belongs = |capture: &&CaptureEntry| {
        let meta = &capture.meta;
        // Older captures say the driver where the microphone's place stands now.
        let is_it = if meta.driver.is_empty() {
            meta.stage == Stage::Drivers && meta.position == driver
        } else {
            meta.driver == driver && meta.measurement != "arrival"
        };
        is_it && meta.set != Some(job::Set::After) && capture.response.is_some() && capture.has_result()
    };
    let drivers = project.captures.iter().filter(|capture| !capture.meta.driver.is_empty());
    let main = main_place(drivers.map(|capture| capture.meta.position.as_str()));
    let is_there = |capture: &&CaptureEntry| main == Some(capture.meta.position.as_str());
    let captures = || project.captures.iter().filter(belongs);
    let newest_there = captures().filter(is_there).max_by_key(|capture| capture.id);
    newest_there.or_else(|| captures().max_by_key(|capture| capture.id))
}

/// The intake with every driver that was measured or named, and with the roles that were given.
pub(super) fn with_drivers(project: &Project, roles: &[(String, Role)]) -> Result<Intake, NoTiming> {
    let mut intake = project.data.intake.clone();
    for capture in project.captures.iter().filter(|capture| !capture.meta.driver.is_empty()) {
        let name = &capture.meta.driver;
        if !intake.drivers.iter().any(|driver| driver.name == *name) {
            intake.drivers.push(Driver { name: name.clone(), ..Driver::default() });
        }
    }
    for (name, role) in roles {
        let Some(driver) = intake.drivers.iter_mut().find(|driver| driver.name == *name) else {
            let names: Vec<&str> = intake.drivers.iter().map(|driver| driver.name.as_str()).collect();
            let there = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
            return Err(NoTiming::NoDriver { name: name.clone(), there });
        };
        driver.role = Some(*role);
    }
    for driver in &mut intake.drivers {
        let range = driver_capture(project, &driver.name)
            .and_then(|capture| capture.response.as_deref().map(Response::range_hz));
        if let (None, Some(range)) = (driver.role, range) {
            driver.role = Some(Role::proposed(&driver.name, range));
        }
        if driver.feed.is_none() && range.is_some() {
            driver.feed = Some(Feed::proposed(&driver.name));
        }
    }
    Ok(intake)
}

/// Says which roles nobody gave.
pub(super) fn proposed(project: &Project, intake: &Intake) -> Option<Finding> {
    let known = |driver: &Driver| {
        project.data.intake.drivers.iter().any(|known| known.name == driver.name && known.role.is_some())
    };
    let guessed: Vec<String> = intake
        .drivers
        .iter()
        .filter(|driver| !known(driver))
        .filter_map(|driver| Some(format!("{} a {}", driver.name, driver.role?)))
        .collect();
    (!guessed.is_empty()).then(|| {
        Finding::note(
            "roles-proposed",
            format!(
                "By name and range, {} was taken for {}. Correct it with --role if that is wrong.",
                guessed.first().map_or("", |one| one.split(" a ").next().unwrap_or_default()),
                guessed.join(", ")
            ),
        )
    })
}

/// When each driver's sound arrives, where its own reading does not say it on a common zero.
fn arrivals<'a>(
    project: &'a Project,
    wish: &'a TimingWish,
    measured: &[(&'a Driver, &CaptureEntry)],
    captures: &mut Vec<CaptureId>,
) -> Result<BTreeMap<&'a str, f64>, NoTiming> {
    let names = || measured.iter().map(|(driver, _)| driver.name.as_str());
    for (name, _) in &wish.arrivals_s {
        if !names().any(|known| known == name) {
            let there = names().collect::<Vec<_>>().join(", ");
            return Err(NoTiming::NoDriver { name: name.clone(), there });
        }
    }
    let given: BTreeMap<&str, f64> =
        wish.arrivals_s.iter().map(|(name, at_s)| (name.as_str(), *at_s)).collect();
    if names().all(|name| given.contains_key(name)) {
        return Ok(given);
    }
    if given.is_empty() && share_zero(measured.iter().map(|(_, capture)| *capture)) {
        return Ok(given);
    }
    let mut against = BTreeMap::new();
    let mut found = Vec::new();
    for name in names() {
        if let Some(at_s) = given.get(name) {
            against.insert(name, *at_s);
        } else if let Some(capture) = arrival_capture(project, name) {
            against.extend(capture.value("arrival_s").map(|at_s| (name, at_s)));
            found.push(capture.id);
        }
    }
    let without: Vec<&str> = names().filter(|name| !against.contains_key(name)).collect();
    match without.as_slice() {
        [] => {}
        // The one that all others were measured against.
        [reference] if !found.is_empty() => {
            against.insert(*reference, 0.0);
        }
        several => return Err(NoTiming::NoClock(several.join(", "))),
    }
    captures.extend(found);
    Ok(against)
}

/// The newest measurement of a driver's arrival against another one.
fn arrival_capture<'a>(project: &'a Project, driver: &str) -> Option<&'a CaptureEntry> {
    let belongs = |capture: &&CaptureEntry| {
        capture.meta.measurement == "arrival" && capture.meta.driver == driver && capture.has_result()
    };
    project.captures.iter().filter(belongs).max_by_key(|capture| capture.id)
}
