//! What a job holds besides its captures.
//!
//! The types from here on are the form of `job.json` as well: each says itself how it
//! stands in the file (`docs/formats.md`). A key may be added; one that is there keeps its
//! meaning for ever, or the file gets a new version.

use std::collections::BTreeMap;
use std::fmt;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use tuning::{Equalizer, Feed, Role, Seat};
use units::quantity;

use crate::results::{AuditRecord, FitRecord, GainRecord, NoiseRecord, TimingRecord, ToneRecord, TuneRecord};
use crate::{CaptureId, ChannelSetting, EnteredBand, PresetOrInline, ProcessorSetting, Stage, StageResult};

/// What a new job begins with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// The job's name.
    pub name: String,
    /// When it was begun.
    pub created: Timestamp,
}

/// What a job holds besides its captures.
#[derive(Debug, Clone, PartialEq)]
pub struct JobData {
    /// Its name and beginning.
    pub head: Head,
    /// The car and what is in it.
    pub intake: Intake,
    /// Whatever a person wants to remember.
    pub notes: String,
    /// What came out of each stage that has begun.
    pub stages: BTreeMap<Stage, StageResult>,
    /// What the source puts out.
    pub source: Source,
    /// The target.
    pub target: Option<PresetOrInline>,
    /// The processor profile.
    pub processor: Option<PresetOrInline>,
    /// What was in the processor before the work began.
    pub preset: Option<ProcessorSetting>,
    /// The equalizer bands.
    pub bands: Vec<EnteredBand>,
    /// Delay, gain, polarity and crossovers of each processor channel.
    pub channels: Vec<ChannelSetting>,
    /// How the work is to be done, as a person chose it.
    pub choices: Choices,
    /// The last fit of bands.
    pub fit: Option<FitRecord>,
    /// The last alignment of the drivers.
    pub timing: Option<TimingRecord>,
    /// The last tuning of the whole car.
    pub tune: Option<TuneRecord>,
    /// How far the response was from the target, before and after.
    pub outcome: Option<Outcome>,
    /// The last audit of what was entered.
    pub audit: Option<AuditRecord>,
    /// The order in which captures are shown; those not named follow by number.
    pub order: Vec<CaptureId>,
}

impl JobData {
    /// What is to be in the processor: every channel, and the bands that count.
    #[must_use]
    pub fn planned(&self) -> ProcessorSetting {
        let bands = self.bands.iter().filter(|band| band.enabled).cloned().collect();
        ProcessorSetting { channels: self.channels.clone(), bands, bypassed: false }
    }

    /// A job in which nothing has been done.
    #[must_use]
    pub fn new(head: Head) -> Self {
        Self {
            head,
            intake: Intake::default(),
            notes: String::new(),
            stages: BTreeMap::new(),
            source: Source::default(),
            target: None,
            processor: None,
            preset: None,
            bands: Vec::new(),
            channels: Vec::new(),
            choices: Choices::default(),
            fit: None,
            timing: None,
            tune: None,
            outcome: None,
            audit: None,
            order: Vec::new(),
        }
    }
}

/// The car and what is in it, in a person's words.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Intake {
    /// The vehicle.
    pub vehicle: String,
    /// Its number plate.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub plate: String,
    /// Whose car it is, or the job's number in the shop's books.
    pub customer: String,
    /// The factory source.
    pub source: SourceUnit,
    /// The signal processor.
    pub processor: String,
    /// The amplifiers.
    pub amplifiers: Vec<Amplifier>,
    /// The drivers.
    pub drivers: Vec<Driver>,
}

/// The factory source and where the signal is taken from it.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SourceUnit {
    /// What it is.
    pub name: String,
    /// Where the signal is taken: digital adapter, preamp output, speaker leads.
    pub tap: String,
}

/// An amplifier.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Amplifier {
    /// What it is.
    pub name: String,
    /// What it can deliver into the load that it has.
    pub power_w: Option<f64>,
    /// The load that it has.
    pub load_ohm: Option<f64>,
}

/// A driver.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(from = "DriverFile")]
pub struct Driver {
    /// What it is, such as `front left woofer`.
    pub name: String,
    /// What it is for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// Which side it plays.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub feed: Option<Feed>,
    /// The processor channel that feeds it; empty where none does.
    pub channel: String,
    /// Where it is built in.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub place: String,
    /// What else is worth knowing of it.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub notes: String,
}

/// As a line of the sheet: what it is, and what it delivers into what.
impl fmt::Display for Amplifier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)?;
        let rounded = |value: f64| quantity::typed((100.0 * value).round() / 100.0);
        if let Some(power_w) = self.power_w {
            write!(f, ", {} W", rounded(power_w))?;
        }
        self.load_ohm.map_or(Ok(()), |load_ohm| write!(f, ", {} ohm", rounded(load_ohm)))
    }
}

/// As a line of the sheet: what it is, what it is for, and what feeds it where that has another name.
impl fmt::Display for Driver {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)?;
        if let Some(role) = self.role {
            write!(f, " ({role})")?;
        }
        if self.channel.is_empty() || self.channel == self.name {
            return Ok(());
        }
        write!(f, ", fed by {}", self.channel)
    }
}

/// A driver as files have it: version 1 took any word for a role.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct DriverFile {
    name: String,
    role: String,
    feed: Option<Feed>,
    channel: String,
    place: String,
    notes: String,
}

impl From<DriverFile> for Driver {
    /// A role that is none of ours goes to the notes, where it is not lost.
    fn from(file: DriverFile) -> Self {
        let role = Role::understood(&file.role);
        let kept = if role.is_some() { "" } else { file.role.as_str() };
        let notes = match (file.notes.as_str(), kept) {
            (_, "") => file.notes,
            ("", role) => role.to_owned(),
            (notes, role) => format!("{role}. {notes}"),
        };
        Self { name: file.name, role, feed: file.feed, channel: file.channel, place: file.place, notes }
    }
}

/// What the source puts out.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Source {
    /// The highest volume step at which every output is clean.
    pub clean_step: Option<u32>,
    /// The output that limits it.
    pub limited_by: String,
    /// Each output.
    pub outputs: Vec<SourceOutput>,
    /// What the source does to the tone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tone: Option<ToneRecord>,
    /// What noise it makes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub noise: Option<NoiseRecord>,
    /// How the gains of the chain are set.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gain: Option<GainRecord>,
}

/// One output of the source.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceOutput {
    /// Its name, such as `front`.
    pub name: String,
    /// The highest step at which this output is clean.
    #[serde(default)]
    pub clean_step: Option<u32>,
    /// The voltage (RMS) at the clean step of the whole source.
    #[serde(default, rename = "level_v")]
    pub volts_rms: Option<f64>,
}

/// How the work is to be done, as a person chose it. What is absent is as usual.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Choices {
    /// The stage that was being worked on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stage: Option<Stage>,
    /// For whom the car is tuned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seat: Option<Seat>,
    /// Where the processor equalizes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equalizer: Option<Equalizer>,
    /// How many positions make a set.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub positions: Option<u32>,
    /// Use at most so many bands for a channel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_bands: Option<u32>,
    /// Boost no frequency by more than this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_boost_db: Option<f64>,
    /// The lower end of the range to be fitted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_hz: Option<f64>,
    /// The upper end of the range to be fitted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to_hz: Option<f64>,
}

/// How far the response was from the target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Outcome {
    /// Root mean square deviation before.
    pub before_rms_db: f64,
    /// Root mean square deviation after; absent before it was measured.
    #[serde(default)]
    pub after_rms_db: Option<f64>,
    /// Greatest deviation before.
    pub before_max_db: f64,
    /// Greatest deviation after; absent before it was measured.
    #[serde(default)]
    pub after_max_db: Option<f64>,
    /// The lower end of the range compared.
    pub from_hz: f64,
    /// The upper end of the range compared.
    pub to_hz: f64,
}
