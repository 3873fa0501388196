//! The whole car tuned from what a job holds of its drivers, and all that the job is told of it.

use std::collections::BTreeMap;

use job::{
    Basis, CaptureId, ChannelSetting, ChannelTune, Choices, EnteredBand, Intake, PlaceError,
    ProcessorSetting, SideDifference, SideError, Stage, StageResult, StageState, TuneRecord,
};
use measure::Finding;
use tuning::{
    Band, CarTune, ChannelValues, Equalizer, Feed, FittedBand, JudgedCar, Lock, LockedValue, PlaceDeviation,
    PlaceSeat, Profile, Response, Role, SideDeviation, Target, TuneDriver, TuneError, TuneInput, TuneOptions,
    TunePlace, TunedChannel, channel_reaches,
};

use super::car_plan::{filter, setting};
use super::clock::{delayed, louder, missing_db, share_zero, zeros_of};
use super::place::is_middle;
use super::timing_job::{NoTiming, proposed, with_drivers};
use super::{SIDES, TimeZero, time_zero};
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
    /// Delay and polarity of each driver's channel as they stay, where no zero of time is shared.
    untimed: Option<Vec<(f64, bool)>>,
    /// What is to be said of all that.
    findings: Vec<Finding>,
}

/// A tune as it stands before it is entered: what is found for each channel, and what a person made of it.
#[derive(Debug, Clone, PartialEq)]
pub struct ProposedTune {
    /// The settings of every channel, absolute, in the order of entry.
    pub channels: Vec<ChannelSetting>,
    /// The bands of all channels, or of the equalizers of the inputs.
    pub bands: Vec<EnteredBand>,
    /// The whole result, as the job keeps it.
    pub record: TuneRecord,
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
    /// only places at which every driver was measured. Where their arrivals do not count from one zero, only levels
    /// and bands are tuned, as if all drivers were in time where they meet.
    ///
    /// # Errors
    /// When there are not enough captures.
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
        let is_timed = share_zero(names().flat_map(|name| captures_of(project, name)));
        let (places, left_out) = places(project, &names().collect::<Vec<_>>())?;
        let mut captures: Vec<CaptureId> = Vec::new();
        let mut drivers = Vec::new();
        let (zeros, references) = zeros_at(project, &names().collect::<Vec<_>>(), &places);
        for driver in &measured {
            let feed = driver.feed.unwrap_or_else(|| Feed::proposed(&driver.name));
            let arrival_s = |capture: &CaptureEntry| {
                Some(capture.value("arrival_s")? + zeros.get(&capture.id).copied().unwrap_or(0.0))
            };
            let mut responses = Vec::new();
            let mut first: Option<&CaptureEntry> = None;
            for place in &places {
                let Some(capture) = at(project, &driver.name, place) else { continue };
                first = first.or(Some(capture));
                captures.push(capture.id);
                let response = capture.response.as_deref();
                let response = if is_timed {
                    response.zip(arrival_s(capture)).and_then(|(one, arrival_s)| delayed(one, arrival_s))
                } else {
                    response.map(in_time)
                };
                responses
                    .extend(response.map(|one| louder(one, missing_db(capture.reading.as_deref(), feed))));
            }
            let channel = if driver.channel.is_empty() { &driver.name } else { &driver.channel };
            let held =
                first.and_then(|capture| capture.meta.setting.as_ref()).or(project.data.preset.as_ref());
            drivers.push(TuneDriver {
                channel: channel.clone(),
                role: driver.role.unwrap_or(Role::FullRange),
                feed,
                responses,
                usable_hz: None,
                protect_hz: None,
                arrival_s: first.and_then(arrival_s).filter(|_| is_timed),
                present: held.map_or_else(ChannelValues::default, |held| values(held, channel)),
            });
        }
        let findings = proposed(project, &intake).into_iter().chain(left_out).chain(references);
        let places = places.into_iter().map(|name| TunePlace { seat: seat_of(&name), name }).collect();
        let basis = Basis { captures, ..basis };
        let inputs = Self {
            findings: findings.collect(),
            drivers,
            places,
            profile,
            target,
            options,
            basis,
            intake,
            untimed: None,
        };
        Ok(if is_timed { inputs } else { inputs.untimed(&project.data.channels) })
    }

    /// Whether what the drivers sum to is known: their arrivals count from one zero.
    #[must_use]
    pub fn is_timed(&self) -> bool {
        self.untimed.is_none()
    }

    /// The same, tuned in levels and bands alone: what needs a zero of time in common stays as it is set, or as it was.
    fn untimed(mut self, set: &[ChannelSetting]) -> Self {
        let mut stays = Vec::new();
        self.options
            .locked
            .retain(|lock| !matches!(lock.value, LockedValue::Delay(_) | LockedValue::Inverted(_)));
        for driver in &mut self.drivers {
            let set = set.iter().find(|setting| setting.channel == driver.channel);
            let held = &mut driver.present;
            stays.push(set.map_or((held.delay_s, held.inverted), |set| (set.delay_s, set.inverted)));
            (held.delay_s, held.inverted) = (0.0, false);
            let corners = match set {
                Some(set) => {
                    [&set.high_pass, &set.low_pass].map(|one| one.as_ref().map(|one| one.frequency_hz))
                }
                None => [held.high_pass, held.low_pass].map(|one| one.map(|one| one.frequency_hz)),
            };
            let corners = [corners[0].map(LockedValue::HighPassHz), corners[1].map(LockedValue::LowPassHz)];
            let values = [LockedValue::Delay(0.0), LockedValue::Inverted(false)];
            let locks = values.into_iter().chain(corners.into_iter().flatten());
            let lock = |value| Lock { channel: driver.channel.clone(), value };
            self.options.locked.extend(locks.map(lock));
        }
        self.untimed = Some(stays);
        self.findings.push(Finding::caution(
            "levels-only",
            "The drivers were recorded without a zero of time in common: only levels and bands are tuned, as if all drivers \
             were in time and moved alike where they meet. Delays and polarity stay as they are; set them with `headrest \
             timing`, by --distance or --arrival. To tune the whole car, measure with a loopback channel, or record the \
             tracks `place-…` for each driver against the same reference driver.",
        ));
        self
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

    /// Adds what is to be said of what was tuned from, and what was not tuned.
    pub fn explain(&self, tune: &mut CarTune) {
        tune.findings.extend(self.findings.iter().cloned());
        for (channel, (delay_s, inverted)) in tune.channels.iter_mut().zip(self.untimed.iter().flatten()) {
            (channel.delay_s, channel.inverted) = (*delay_s, *inverted);
            for why in [&mut channel.why.delay_s, &mut channel.why.inverted] {
                "Not tuned: the drivers have no zero of time in common.".clone_into(why);
            }
        }
    }

    /// A tune as it is proposed.
    #[must_use]
    pub fn proposed(&self, tune: &CarTune) -> ProposedTune {
        ProposedTune {
            channels: tune.channels.iter().map(entered).collect(),
            bands: all_bands(tune),
            record: record(tune, self.basis.clone()),
        }
    }

    /// The same with the values that a person gave it: what is predicted follows, and what only the search
    /// knows of its own values is no longer said.
    ///
    /// # Errors
    /// When the drivers cannot be used.
    pub fn edited(
        &self,
        proposed: &ProposedTune,
        channels: Vec<ChannelSetting>,
        bands: Vec<EnteredBand>,
    ) -> Result<ProposedTune, TuneError> {
        if channels == proposed.channels && same_values(&bands, &proposed.bands) {
            return Ok(ProposedTune { channels, bands, record: proposed.record.clone() });
        }
        let predicted = self.judged(&channels, &bands)?.judgement;
        let was = &proposed.record;
        let found = |channel: &str| was.channels.iter().find(|one| one.setting.channel == channel);
        let tuned = |setting: &ChannelSetting| ChannelTune {
            setting: setting.clone(),
            bands: bands
                .iter()
                .filter(|band| band.enabled && band.channel == setting.channel)
                .cloned()
                .collect(),
            why: found(&setting.channel).map(|one| reasons_left(one, setting)).unwrap_or_default(),
            locked: Vec::new(),
        };
        let edited = Finding::note(
            "tune-edited",
            "Values were edited after the tune. What is predicted follows them; drive, separation and what to expect \
             where nobody measured were those of the tune and are left out.",
        );
        let record = TuneRecord {
            channels: channels.iter().map(tuned).collect(),
            predicted: Some(judgement(&predicted)),
            kept_out: None,
            drive_db: BTreeMap::new(),
            separation_db: None,
            findings: was.findings.iter().filter(|one| one.code != edited.code).cloned().collect(),
            ..was.clone()
        };
        let record = TuneRecord { findings: [record.findings.clone(), vec![edited]].concat(), ..record };
        Ok(ProposedTune { channels, bands, record })
    }

    /// What settings and bands come to at the places.
    ///
    /// # Errors
    /// When the drivers cannot be used.
    pub fn judged(&self, channels: &[ChannelSetting], bands: &[EnteredBand]) -> Result<JudgedCar, TuneError> {
        let is_channel = |name: &str| self.drivers.iter().any(|driver| driver.channel == name);
        // A band of a side is in the equalizer of an input, unless a channel has that very name.
        let (of_inputs, of_channels): (Vec<EnteredBand>, Vec<EnteredBand>) =
            bands.iter().cloned().partition(|band| {
                !is_channel(&band.channel)
                    && (band.channel.is_empty() || SIDES.contains(&band.channel.as_str()))
            });
        let held = ProcessorSetting { channels: channels.to_vec(), bands: of_channels, bypassed: false };
        let in_time = |values: ChannelValues| match self.untimed {
            Some(_) => ChannelValues { delay_s: 0.0, inverted: false, ..values },
            None => values,
        };
        let values: Vec<ChannelValues> =
            self.drivers.iter().map(|driver| in_time(values(&held, &driver.channel))).collect();
        let inputs = SIDES.map(|side| -> Vec<Band> {
            let goes =
                |band: &&EnteredBand| band.enabled && (band.channel.is_empty() || band.channel == side);
            of_inputs.iter().filter(goes).map(EnteredBand::band).collect()
        });
        tuning::judge_car(&self.input(), &values, inputs.each_ref().map(Vec::as_slice))
    }

    /// What the car came to with what its channels held while they were measured.
    ///
    /// # Errors
    /// When the drivers cannot be used.
    pub fn judged_before(&self) -> Result<JudgedCar, TuneError> {
        let present: Vec<ChannelValues> = self.drivers.iter().map(|driver| driver.present.clone()).collect();
        tuning::judge_car(&self.input(), &present, [&[], &[]])
    }

    /// What the job is told of a tune: choices, target and processor, the settings and bands of every channel in
    /// the order of entry, and the whole result. What an audit or a fit said before is no longer true.
    #[must_use]
    pub fn changes(&self, project: &Project, tune: &CarTune) -> Vec<Change> {
        self.changes_of(project, self.proposed(tune))
    }

    /// The same of a tune with a person's own values.
    #[must_use]
    pub fn changes_of(&self, project: &Project, proposed: ProposedTune) -> Vec<Change> {
        let ProposedTune { channels, bands, record } = proposed;
        let choices = Choices {
            seat: record.seat,
            equalizer: record.equalizer,
            max_boost_db: self.options.max_boost_db,
            max_bands: self.options.max_bands.and_then(|most| u32::try_from(most).ok()),
            ..project.data.choices.clone()
        };
        let result = |line: String| Some(StageResult { state: StageState::Measured, line });
        let longest_s = channels.iter().map(|channel| channel.delay_s).fold(0.0, f64::max);
        let line = tune_line(&record, &bands);
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

/// A tune in one line.
fn tune_line(record: &TuneRecord, bands: &[EnteredBand]) -> String {
    let count = |number: usize, what: &str| {
        if number == 1 { format!("1 {what}") } else { format!("{number} {what}s") }
    };
    let enabled = bands.iter().filter(|band| band.enabled).count();
    let what = format!("{} in {}", count(enabled, "band"), count(record.channels.len(), "channel"));
    let average_db = |side: Option<SideError>| side.map(|side| side.average_rms_db);
    let sides = record
        .predicted
        .as_ref()
        .and_then(|judged| Some((average_db(judged.left)?, average_db(judged.right)?)));
    match sides {
        Some((left_db, right_db)) => {
            format!("{what}; predicted: left {left_db:.1} dB, right {right_db:.1} dB")
        }
        None => what,
    }
}

/// Whether two lists would be typed alike.
fn same_values(one: &[EnteredBand], other: &[EnteredBand]) -> bool {
    let typed = |bands: &[EnteredBand]| -> Vec<(String, Band, bool)> {
        bands.iter().map(|band| (band.channel.clone(), band.typed(), band.enabled)).collect()
    };
    typed(one) == typed(other)
}

/// The reasons of those values that are still what was found.
fn reasons_left(found: &ChannelTune, setting: &ChannelSetting) -> BTreeMap<String, String> {
    let was = &found.setting;
    let stays = |key: &str| match key {
        "gain_db" => was.gain_db.to_bits() == setting.gain_db.to_bits(),
        "delay_s" => was.delay_s.to_bits() == setting.delay_s.to_bits(),
        "inverted" => was.inverted == setting.inverted,
        "high_pass" => was.high_pass == setting.high_pass,
        "low_pass" => was.low_pass == setting.low_pass,
        _ => false,
    };
    found.why.iter().filter(|(key, _)| stays(key)).map(|(key, why)| (key.clone(), why.clone())).collect()
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

/// The levels of a response as of a driver that arrives with all others.
fn in_time(response: &Response) -> Response {
    Response { phase_deg: Some(vec![0.0; response.frequency_hz.len()]), ..response.clone() }
}

/// How much later the zeros of captures against a reference driver lie than that of the first at their place, and what is
/// to be said where the reference was not the same.
fn zeros_at(
    project: &Project,
    drivers: &[&str],
    places: &[String],
) -> (BTreeMap<CaptureId, f64>, Vec<Finding>) {
    let mut all = BTreeMap::new();
    let mut findings = Vec::new();
    for place in places {
        let there: Vec<(&str, &CaptureEntry)> = drivers
            .iter()
            .filter_map(|name| Some((*name, at(project, name, place)?)))
            .filter(|(_, capture)| time_zero(capture) == Some(TimeZero::ReferenceDriver))
            .collect();
        let readings: Vec<_> =
            there.iter().filter_map(|(name, capture)| Some((*name, capture.reading.as_deref()?))).collect();
        let (zeros, found) = zeros_of(&readings);
        all.extend(there.iter().map(|(_, capture)| capture.id).zip(zeros));
        findings.extend(
            found.into_iter().map(|one| Finding { text: format!("At `{place}`: {}", one.text), ..one }),
        );
    }
    (all, findings)
}

/// How good the captures of a set are, side by side with what was predicted: left, right, left against right,
/// both, and each place. Nothing where no side was measured by itself.
#[must_use]
pub fn measured_sides(project: &Project, set: &job::Set, target: &Target) -> Option<job::Judgement> {
    let of = |channel: &'static str| -> Vec<(&str, &Response)> {
        let responses = project.responses(set, channel);
        responses.map(|(capture, response)| (capture.meta.position.as_str(), response.as_ref())).collect()
    };
    let all = [of(SIDES[0]), of(SIDES[1]), of("")];
    if all[0].is_empty() && all[1].is_empty() {
        return None;
    }
    let (sides, apart) = tuning::judge_measured(all.each_ref().map(Vec::as_slice), target);
    let places = sides[2].iter().flat_map(|both| &both.places).map(place_error).collect();
    let [left, right, both] = sides.each_ref().map(|side| side.as_ref().map(side_error));
    let left_right = apart.map(|apart| SideDifference { rms_db: apart.rms_db, level_db: apart.level_db });
    Some(job::Judgement { left, right, both, left_right, places })
}

fn side_error(side: &SideDeviation) -> SideError {
    SideError { average_rms_db: side.average_rms_db, each_rms_db: side.each_rms_db }
}

fn place_error(place: &PlaceDeviation) -> PlaceError {
    PlaceError { position: place.place.clone(), rms_db: place.rms_db }
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
    whole.sort_by_key(|place| !is_middle(place));
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
            locked: Vec::new(),
        }
    };
    TuneRecord {
        basis,
        seat: Some(tune.seat),
        equalizer: Some(tune.equalizer),
        channels: tune.channels.iter().map(channel).collect(),
        before: Some(judgement(&tune.before)),
        predicted: Some(judgement(&tune.predicted)),
        kept_out: tune.kept_out.as_ref().map(judgement),
        measured: None,
        drive_db: tune.drive_db.clone(),
        separation_db: tune.separation_db,
        level_lost_db: None,
        findings: tune.findings.clone(),
    }
}

/// How good something is, as the job keeps it.
#[must_use]
pub fn judgement(judged: &tuning::Judgement) -> job::Judgement {
    let side = |side: &SideDeviation| Some(side_error(side));
    let difference = judged.left_right;
    job::Judgement {
        left: side(&judged.left),
        right: side(&judged.right),
        both: side(&judged.both),
        left_right: Some(SideDifference { rms_db: difference.rms_db, level_db: difference.level_db }),
        places: judged.both.places.iter().map(place_error).collect(),
    }
}
