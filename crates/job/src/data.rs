//! What a job holds besides its captures.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::{CaptureId, Stage, StageResult};

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
    pub target: Option<NameOrText>,
    /// The processor profile.
    pub processor: Option<NameOrText>,
    /// The equalizer bands.
    pub bands: Vec<Band>,
    /// Delay, gain, polarity and crossovers of each processor channel.
    pub channels: Vec<ChannelSetting>,
    /// Places of the response that equalizing does not help.
    pub left_alone: Vec<LeftAlone>,
    /// How far the response was from the target, before and after.
    pub outcome: Option<Outcome>,
    /// What the audit said of the entered bands.
    pub audit: Vec<AuditLine>,
    /// The order in which captures are shown; those not named follow by number.
    pub order: Vec<CaptureId>,
}

impl JobData {
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
            bands: Vec::new(),
            channels: Vec::new(),
            left_alone: Vec::new(),
            outcome: None,
            audit: Vec::new(),
            order: Vec::new(),
        }
    }
}

/// The car and what is in it, in a person's words.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Intake {
    /// The vehicle.
    pub vehicle: String,
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
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SourceUnit {
    /// What it is.
    pub name: String,
    /// Where the signal is taken: digital adapter, preamp output, speaker leads.
    pub tap: String,
}

/// An amplifier.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Amplifier {
    /// What it is.
    pub name: String,
    /// What it can deliver into the load that it has.
    pub power_w: Option<f64>,
    /// The load that it has.
    pub load_ohm: Option<f64>,
}

/// A driver.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Driver {
    /// What it is, such as `front left woofer`.
    pub name: String,
    /// Its part: `sub`, `mid`, `high` or `full`, or a person's own word.
    pub role: String,
    /// The processor channel that feeds it; empty where none does.
    pub channel: String,
}

/// What the source puts out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Source {
    /// The highest volume step at which every output is clean.
    pub clean_step: Option<u32>,
    /// The output that limits it.
    pub limited_by: String,
    /// Each output.
    pub outputs: Vec<SourceOutput>,
}

/// One output of the source.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SourceOutput {
    /// Its name, such as `front`.
    pub name: String,
    /// The highest step at which this output is clean.
    pub clean_step: Option<u32>,
    /// The voltage (RMS) at the clean step of the whole source.
    pub volts_rms: Option<f64>,
}

/// A preset by its name, or the text of a file of one's own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NameOrText {
    /// A preset's name.
    Name(String),
    /// The whole text of the file, kept so that the job stands by itself.
    Text(String),
}

/// The types of equalizer bands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum BandType {
    /// A bell.
    Peak,
    /// Everything below.
    LowShelf,
    /// Everything above.
    HighShelf,
}

impl BandType {
    /// Its name in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Peak => "peak",
            Self::LowShelf => "low-shelf",
            Self::HighShelf => "high-shelf",
        }
    }
}

/// One equalizer band.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// The processor channel; empty for all of them.
    pub channel: String,
    /// Its type.
    pub kind: BandType,
    /// Its frequency.
    pub frequency_hz: f64,
    /// Its gain.
    pub gain_db: f64,
    /// Its Q in the cookbook's definition.
    pub q: f64,
    /// The Q to be typed, where the processor defines Q otherwise.
    pub entered_q: Option<f64>,
    /// Whether it counts.
    pub enabled: bool,
    /// Whether a new fit must leave it alone.
    pub locked: bool,
    /// Why it is there.
    pub reason: String,
}

impl Band {
    /// The Q as it is typed into the processor.
    #[must_use]
    pub fn typed_q(&self) -> f64 {
        self.entered_q.unwrap_or(self.q)
    }
}

/// Delay, gain, polarity and crossovers of one processor channel.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ChannelSetting {
    /// The processor channel.
    pub channel: String,
    /// Its delay.
    pub delay_s: f64,
    /// Its gain.
    pub gain_db: f64,
    /// Whether its polarity is inverted.
    pub inverted: bool,
    /// Its high-pass.
    pub high_pass: Option<Crossover>,
    /// Its low-pass.
    pub low_pass: Option<Crossover>,
}

/// One crossover filter.
#[derive(Debug, Clone, PartialEq)]
pub struct Crossover {
    /// Its family: `butterworth`, `linkwitz-riley`, `bessel`.
    pub family: String,
    /// Its order; the slope is 6 dB per octave times this.
    pub order: u32,
    /// Its corner.
    pub frequency_hz: f64,
}

/// A place of the response that equalizing does not help.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftAlone {
    /// Where.
    pub frequency_hz: f64,
    /// Why, such as `cancellation`.
    pub why: String,
}

/// How far the response was from the target.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Root mean square deviation before.
    pub before_rms_db: f64,
    /// Root mean square deviation after; absent before it was measured.
    pub after_rms_db: Option<f64>,
    /// Greatest deviation before.
    pub before_max_db: f64,
    /// Greatest deviation after; absent before it was measured.
    pub after_max_db: Option<f64>,
    /// The lower end of the range compared.
    pub from_hz: f64,
    /// The upper end of the range compared.
    pub to_hz: f64,
}

/// What the audit said of one band.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuditLine {
    /// The band's place in the band list, from 1.
    pub index: u32,
    /// The verdict, such as `as-meant` or `wrong-frequency`.
    pub verdict: String,
    /// What it means, in plain words.
    pub text: String,
}
