//! The whole car tuned from what a job holds of its drivers, and all that the job is told of it.

use std::collections::BTreeMap;

use job::{
    Basis, CaptureId, ChannelSetting, ChannelTune, Choices, EnteredBand, Intake, PlaceError,
    ProcessorSetting, SideDifference, SideError, Stage, StageResult, StageState, TuneRecord,
};
use measure::Finding;
use tuning::{
    Band, CarTune, ChannelValues, Equalizer, Feed, FittedBand, PlaceSeat, Profile, Role, SideDeviation,
    Target, TuneDriver, TuneInput, TuneOptions, TunePlace, TunedChannel, channel_reaches,
};

use super::audit_job::filter;
use super::car_plan::setting;
use super::timing_job::{NoTiming, proposed, with_drivers};
use super::{on_clock, shares_clock};
use crate::{CaptureEntry, Change, Project};

/// Everything that a tune of a whole car is computed from.
#[derive(Debug, Clone, PartialEq)]
pub struct TuneInputs {
    /// The drivers with their responses at each place.
    pub drivers: Vec<TuneDriver>,
    /// The places, the middle of the head first.
    pub places: Vec<TunePlace>,
    /// What the processor can hold.
    pub profile: Profile,
    /// What each side should become.
    pub target: Target,
    /// What may be done.
    pub options: TuneOptions,
    /// What the job is told of all that.
    pub basis: Basis,
    /// What is in the car, with roles that nobody gave.
    intake: Intake,
    /// What is to be said of all that.
    findings: Vec<Finding>,
}

/// Why a job's car cannot be tuned as a whole.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoTune {
    /// Something is wrong with the drivers.
    #[error(transparent)]
    Drivers(#[from] NoTiming),
    /// Only one driver.
    #[error("a car needs two drivers at least; {0} was measured alone")]
    OneDriver(String),
    /// No place at which all drivers were measured.
    #[error(
        "there is no place at which every driver was measured: {0}. Measure the others there too, or say where the \
         microphone was with `headrest job capture JOB N --position PLACE`"
    )]
    NoPlace(String),
}

impl TuneInputs {
    /// Gathers what a job holds of its drivers: of several captures of one at a place the newest counts, and
    /// only places at which every driver was measured.
    ///
    /// # Errors
    /// When there are not enough captures, or their arrivals cannot be compared.
    pub fn of_job(
        project: &Project,
        roles: &[(String, Role)],
        target: Target,
        profile: Profile,
        options: TuneOptions,
        basis: Basis,
    ) -> Result<Self, NoTune> {
        let intake = with_drivers(project, roles)?;
        let measured: Vec<_> = intake
            .drivers
            .iter()
            .filter(|driver| any_channel(&intake).is_none_or(|_| !driver.channel.is_empty()))
            .filter(|driver| captures_of(project, &driver.name).next().is_some())
            .collect();
        match measured.as_slice() {
            [] => return Err(NoTiming::NothingMeasured.into()),
            [one] => return Err(NoTune::OneDriver(one.name.clone())),
            _ => {}
        }
        let names = || measured.iter().map(|driver| driver.name.as_str());
        let off: Vec<&str> = names()
            .filter(|name| captures_of(project, name).any(|capture| !shares_clock(&capture.meta)))
            .collect();
        if !off.is_empty() {
            return Err(NoTiming::NoClock(off.join(", ")).into());
        }
        let (places, left_out) = places(project, &names().collect::<Vec<_>>())?;
        let mut captures: Vec<CaptureId> = Vec::new();
        let mut drivers = Vec::new();
        for driver in &measured {
            let mut responses = Vec::new();
            let mut first: Option<&CaptureEntry> = None;
            for place in &places {
                let Some(capture) = at(project, &driver.name, place) else { continue };
                first = first.or(Some(capture));
                captures.push(capture.id);
                responses.extend(on_clock(capture));
            }
            let channel = if driver.channel.is_empty() { &driver.name } else { &driver.channel };
            let held =
                first.and_then(|capture| capture.meta.setting.as_ref()).or(project.data.preset.as_ref());
            drivers.push(TuneDriver {
                channel: channel.clone(),
                role: driver.role.unwrap_or(Role::FullRange),
                feed: driver.feed.unwrap_or_else(|| Feed::proposed(&driver.name)),
                responses,
                usable_hz: None,
                protect_hz: None,
                arrival_s: first.and_then(|capture| capture.value("arrival_s")),
                present: held.map_or_else(ChannelValues::default, |held| values(held, channel)),
            });
        }
        let findings = proposed(project, &intake).into_iter().chain(left_out).collect();
        let places = places.into_iter().map(|name| TunePlace { seat: seat_of(&name), name }).collect();
        let basis = Basis { captures, ..basis };
        Ok(Self { drivers, places, profile, target, options, basis, intake, findings })
    }

    /// The same as `tuning` takes it.
    #[must_use]
    pub fn input(&self) -> TuneInput<'_> {
        TuneInput {
            drivers: &self.drivers,
            places: &self.places,
            profile: &self.profile,
            target: &self.target,
            options: &self.options,
        }
    }

    /// Adds what is to be said of what was tuned from.
    pub fn explain(&self, tune: &mut CarTune) {
        tune.findings.extend(self.findings.iter().cloned());
    }

    /// What the job is told of a tune: choices, target and processor, the settings and bands of every channel in
    /// the order of entry, and the whole result. What an audit or a fit said before is no longer true.
    #[must_use]
    pub fn changes(&self, project: &Project, tune: &CarTune) -> Vec<Change> {
        let record = record(tune, self.basis.clone());
        let bands: Vec<EnteredBand> = all_bands(tune);
        let channels: Vec<ChannelSetting> = tune.channels.iter().map(entered).collect();
        let choices = Choices {
            seat: Some(tune.seat),
            equalizer: Some(tune.equalizer),
            max_boost_db: self.options.max_boost_db,
            max_bands: self.options.max_bands.and_then(|most| u32::try_from(most).ok()),
            ..project.data.choices.clone()
        };
        let result = |line: String| Some(StageResult { state: StageState::Measured, line });
        let longest_s = channels.iter().map(|channel| channel.delay_s).fold(0.0, f64::max);
        let predicted = &tune.predicted;
        let line = format!(
            "{} bands in {} channels; predicted: left {:.1} dB, right {:.1} dB",
            bands.len(),
            channels.len(),
            predicted.left.average_rms_db,
            predicted.right.average_rms_db
        );
        vec![
            Change::Intake(self.intake.clone()),
            Change::Choices(choices),
            Change::Target(self.basis.target.clone()),
            Change::Processor(self.basis.processor.clone()),
            Change::Channels(channels),
            Change::Bands(bands),
            Change::FitFound(None),
            Change::AuditFound(None),
            Change::TuneFound(Some(record)),
            Change::StageResult(Stage::Timing, result(format!("delays up to {:.2} ms", 1e3 * longest_s))),
            Change::StageResult(Stage::Tune, result(line)),
        ]
    }
}

fn any_channel(intake: &Intake) -> Option<&str> {
    intake.drivers.iter().map(|driver| driver.channel.as_str()).find(|channel| !channel.is_empty())
}

/// What a driver was measured with, alone and before anything was entered.
fn captures_of<'a>(project: &'a Project, driver: &'a str) -> impl Iterator<Item = &'a CaptureEntry> {
    project.captures.iter().filter(move |capture| {
        let meta = &capture.meta;
        meta.driver == driver
            && meta.measurement != "arrival"
            && meta.set != Some(job::Set::After)
            && capture.response.as_ref().is_some_and(|response| response.phase_deg.is_some())
            && capture.has_result()
    })
}

fn at<'a>(project: &'a Project, driver: &'a str, place: &str) -> Option<&'a CaptureEntry> {
    captures_of(project, driver)
        .filter(|capture| capture.meta.position == place)
        .max_by_key(|capture| capture.id)
}

/// The places at which every driver was measured, in the order in which they were measured, the middle of the head
/// first; and what is left out.
fn places(project: &Project, drivers: &[&str]) -> Result<(Vec<String>, Option<Finding>), NoTune> {
    let mut all: Vec<String> = Vec::new();
    for capture in drivers.iter().flat_map(|driver| captures_of(project, driver)) {
        if !all.contains(&capture.meta.position) {
            all.push(capture.meta.position.clone());
        }
    }
    let missing = |place: &String| -> Vec<&str> {
        drivers.iter().copied().filter(|driver| at(project, driver, place).is_none()).collect()
    };
    let (mut whole, partly): (Vec<String>, Vec<String>) =
        all.into_iter().partition(|place| missing(place).is_empty());
    let lacks: Vec<String> =
        partly.iter().map(|place| format!("`{place}` lacks {}", missing(place).join(", "))).collect();
    if whole.is_empty() {
        return Err(NoTune::NoPlace(lacks.join("; ")));
    }
    // A sort that keeps the order of equals.
    whole.sort_by_key(|place| {
        !["centre", "center", "middle"].iter().any(|word| place.to_lowercase().contains(word))
    });
    let left_out = (!lacks.is_empty())
        .then(|| Finding::note("place-incomplete", format!("Left out: {}.", lacks.join("; "))));
    Ok((whole, left_out))
}

/// Whose place it is, by its name.
fn seat_of(place: &str) -> PlaceSeat {
    if place.to_lowercase().contains("passenger") { PlaceSeat::Passenger } else { PlaceSeat::Driver }
}

/// What a channel held.
fn values(held: &ProcessorSetting, channel: &str) -> ChannelValues {
    let setting =
        held.channels.iter().find(|setting| setting.channel == channel).cloned().unwrap_or_default();
    let bands = held
        .bands
        .iter()
        .filter(|band| band.enabled && !held.bypassed && channel_reaches(&band.channel, channel));
    ChannelValues {
        gain_db: setting.gain_db,
        delay_s: setting.delay_s,
        inverted: setting.inverted,
        high_pass: setting.high_pass.as_ref().map(filter),
        low_pass: setting.low_pass.as_ref().map(filter),
        bands: bands.map(EnteredBand::band).collect::<Vec<Band>>(),
    }
}

/// What is entered into a channel, absolute.
fn entered(tuned: &TunedChannel) -> ChannelSetting {
    let filters = (tuned.high_pass, tuned.low_pass);
    setting(&tuned.channel, tuned.gain_db, tuned.delay_s, tuned.inverted, filters)
}

fn bands_of(channel: &str, bands: &[FittedBand]) -> Vec<EnteredBand> {
    bands.iter().map(|band| EnteredBand::fitted(channel, band)).collect()
}

/// The bands of channels, or of the equalizers of the inputs; an empty name is that of all.
fn all_bands(tune: &CarTune) -> Vec<EnteredBand> {
    let inputs = tune.inputs.iter().flat_map(|input| {
        let name = if tune.equalizer == Equalizer::One || input.input == Feed::Both {
            ""
        } else {
            input.input.word()
        };
        bands_of(name, &input.bands)
    });
    let channels = tune.channels.iter().flat_map(|channel| bands_of(&channel.channel, &channel.bands));
    inputs.chain(channels).collect()
}

fn record(tune: &CarTune, basis: Basis) -> TuneRecord {
    let channel = |tuned: &TunedChannel| {
        let why = &tuned.why;
        let reasons = [
            ("gain_db", Some(&why.gain_db)),
            ("delay_s", Some(&why.delay_s)),
            ("inverted", Some(&why.inverted)),
            ("high_pass", why.high_pass.as_ref()),
            ("low_pass", why.low_pass.as_ref()),
        ];
        ChannelTune {
            setting: entered(tuned),
            bands: bands_of(&tuned.channel, &tuned.bands),
            why: reasons
                .into_iter()
                .filter_map(|(key, reason)| Some((key.to_owned(), reason?.clone())))
                .filter(|(_, reason)| !reason.is_empty())
                .collect::<BTreeMap<String, String>>(),
        }
    };
    TuneRecord {
        basis,
        seat: Some(tune.seat),
        equalizer: Some(tune.equalizer),
        channels: tune.channels.iter().map(channel).collect(),
        before: Some(judged(&tune.before)),
        predicted: Some(judged(&tune.predicted)),
        kept_out: tune.kept_out.as_ref().map(judged),
        drive_db: tune.drive_db.clone(),
        separation_db: tune.separation_db,
        level_lost_db: None,
        findings: tune.findings.clone(),
    }
}

/// How good something is, as the job keeps it.
fn judged(judgement: &tuning::Judgement) -> job::Judgement {
    let side = |side: &SideDeviation| {
        Some(SideError { average_rms_db: side.average_rms_db, each_rms_db: side.each_rms_db })
    };
    let difference = judgement.left_right;
    job::Judgement {
        left: side(&judgement.left),
        right: side(&judgement.right),
        both: side(&judgement.both),
        left_right: Some(SideDifference { rms_db: difference.rms_db, level_db: difference.level_db }),
        places: judgement
            .both
            .places
            .iter()
            .map(|place| PlaceError { position: place.place.clone(), rms_db: place.rms_db })
            .collect(),
    }
}
