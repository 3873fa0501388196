//! What a car is tuned from, and what comes of it.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use measure::Finding;
use serde::{Deserialize, Serialize};

use crate::{
    Band, CarError, CarFilter, Equalizer, Feed, FitError, FittedBand, Profile, Response, ResponseError, Role,
    Seat, Target,
};

/// A driver with its channel of the processor.
#[derive(Debug, Clone, PartialEq)]
pub struct TuneDriver {
    /// The channel's name.
    pub channel: String,
    /// What the driver is for.
    pub role: Role,
    /// Which input feeds it.
    pub feed: Feed,
    /// Its response at each place, with phase, all on one clock, with every input driven that feeds it.
    pub responses: Vec<Response>,
    /// The range that it may be used in, where that is known; found from the responses otherwise.
    pub usable_hz: Option<(f64, f64)>,
    /// No crossover may let it play below this.
    pub protect_hz: Option<f64>,
    /// When its sound arrives at the first place, where that was measured.
    pub arrival_s: Option<f64>,
    /// What its channel held while it was measured: it is taken out of the responses, judged as *before*,
    /// and a centre or a fill keeps its filters.
    pub present: ChannelValues,
}

impl TuneDriver {
    /// Where it plays: what is known of it, else where all of its responses were measured.
    pub(super) fn range_hz(&self) -> (f64, f64) {
        self.usable_hz.unwrap_or_else(|| self.measured_hz())
    }

    /// Where it was measured at every place.
    pub(super) fn measured_hz(&self) -> (f64, f64) {
        let ranges = self.responses.iter().map(Response::range_hz);
        ranges.fold((0.0, f64::INFINITY), |(low, high), (from, to)| (low.max(from), high.min(to)))
    }
}

/// What one channel of the processor holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ChannelValues {
    /// Its gain.
    pub gain_db: f64,
    /// Its delay.
    pub delay_s: f64,
    /// Whether it is inverted.
    pub inverted: bool,
    /// The filter that keeps out what lies below.
    pub high_pass: Option<CarFilter>,
    /// The filter that keeps out what lies above.
    pub low_pass: Option<CarFilter>,
    /// Its bands, `q` by the cookbook.
    pub bands: Vec<Band>,
}

/// Whose seat a place belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PlaceSeat {
    /// The driver's.
    Driver,
    /// The one beside.
    Passenger,
}

/// One place of the microphone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TunePlace {
    /// What it is called.
    pub name: String,
    /// Whose it is.
    pub seat: PlaceSeat,
}

/// A value that a person has settled.
#[derive(Debug, Clone, PartialEq)]
pub enum LockedValue {
    /// The gain.
    Gain(f64),
    /// The delay.
    Delay(f64),
    /// The polarity.
    Inverted(bool),
    /// The frequency of the high-pass; the neighbour below and the other side go with it.
    HighPassHz(f64),
    /// The frequency of the low-pass; the neighbour above and the other side go with it.
    LowPassHz(f64),
    /// All bands of the channel, `q` by the cookbook.
    Bands(Vec<Band>),
    /// One band of the channel, `q` by the cookbook; the others are found around it.
    Band(Band),
}

/// A locked value of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Lock {
    /// The channel; for bands of an input's equalizer `left`, `right` or `both`.
    pub channel: String,
    /// What is locked, and at which value.
    pub value: LockedValue,
}

/// What a tune may do.
#[derive(Debug, Clone, PartialEq)]
pub struct TuneOptions {
    /// Whose seat.
    pub seat: Seat,
    /// Where the bands are.
    pub equalizer: Equalizer,
    /// At most so many bands in a channel, or in an equalizer of a side or of all; by default as many as a
    /// person cares to type, within what the profile has.
    pub max_bands: Option<usize>,
    /// The bands of a channel together boost nowhere by more than this; by default what the profile allows
    /// one band.
    pub max_boost_db: Option<f64>,
    /// The step in which gains of channels can be entered.
    pub gain_step_db: f64,
    /// How many costs may be computed, the places kept out not counted.
    pub effort: usize,
    /// Whether to tune again without each place and judge it there: the honest number, at two thirds of the
    /// time.
    pub keep_out: bool,
    /// Values that stay as they are.
    pub locked: Vec<Lock>,
    /// The air's temperature.
    pub temperature_c: f64,
}

impl Default for TuneOptions {
    fn default() -> Self {
        Self {
            seat: Seat::Driver,
            equalizer: Equalizer::Channels,
            max_bands: None,
            max_boost_db: None,
            gain_step_db: 0.5,
            effort: 3_000,
            keep_out: true,
            locked: Vec::new(),
            temperature_c: 20.0,
        }
    }
}

/// What a tune is made from.
#[derive(Debug, Clone, Copy)]
pub struct TuneInput<'a> {
    /// The drivers, two or more.
    pub drivers: &'a [TuneDriver],
    /// The places of the microphone, in the order of the drivers' responses; the first one is the middle
    /// of the head.
    pub places: &'a [TunePlace],
    /// What the processor can hold.
    pub profile: &'a Profile,
    /// What each side should become.
    pub target: &'a Target,
    /// What may be done.
    pub options: &'a TuneOptions,
}

/// How far a tune has come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TuneProgress {
    /// How many costs were computed.
    pub evaluations: usize,
    /// How many there will be at most.
    pub of: usize,
    /// The mean square of what is left, in dB², so far.
    pub left_db2: f64,
}

/// Told how far a tune has come; `Break` ends it with the best found so far.
pub type OnProgress<'a> = dyn FnMut(TuneProgress) -> ControlFlow<()> + 'a;

/// What to enter for a whole car. Serialises to the JSON of `headrest tune`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CarTune {
    /// Whose seat it is for.
    pub seat: Seat,
    /// Where its bands are.
    pub equalizer: Equalizer,
    /// The channels in the order given.
    pub channels: Vec<TunedChannel>,
    /// The equalizers of the inputs, where the channels have none.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub inputs: Vec<TunedInput>,
    /// With what the channels held while they were measured.
    pub before: Judgement,
    /// With what is to be entered, at the same places.
    pub predicted: Judgement,
    /// At each place with a tune that did not know it: what to expect where nobody measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept_out: Option<Judgement>,
    /// How much harder each channel is driven than in the plan that the tune began from, for the same level
    /// at the listener, in dB, by pink noise.
    pub drive_db: BTreeMap<String, f64>,
    /// How far each side's own drivers stand above those that both inputs feed, at the least, in octaves from
    /// 300 Hz to 5 kHz; absent where there are none of those.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub separation_db: Option<f64>,
    /// How many costs were computed.
    pub evaluations: usize,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// What to enter in one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TunedChannel {
    /// The channel.
    pub channel: String,
    /// The gain; the loudest channel stays at 0 unless one is locked.
    pub gain_db: f64,
    /// The delay; the shortest is 0 unless one is locked.
    pub delay_s: f64,
    /// Whether it is inverted.
    pub inverted: bool,
    /// The filter that keeps out what lies below.
    pub high_pass: Option<CarFilter>,
    /// The filter that keeps out what lies above.
    pub low_pass: Option<CarFilter>,
    /// Its bands by ascending frequency, each with its reason.
    pub bands: Vec<FittedBand>,
    /// Why each value is what it is.
    pub why: Reasons,
}

impl TunedChannel {
    /// What its channel then holds.
    #[must_use]
    pub fn values(&self) -> ChannelValues {
        ChannelValues {
            gain_db: self.gain_db,
            delay_s: self.delay_s,
            inverted: self.inverted,
            high_pass: self.high_pass,
            low_pass: self.low_pass,
            bands: self.bands.iter().map(|band| band.band).collect(),
        }
    }
}

/// The bands of an input's equalizer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TunedInput {
    /// Which input, or both.
    pub input: Feed,
    /// Its bands by ascending frequency, each with its reason.
    pub bands: Vec<FittedBand>,
}

/// One sentence for each value of a channel.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Reasons {
    /// Of the gain.
    pub gain_db: String,
    /// Of the delay.
    pub delay_s: String,
    /// Of the polarity.
    pub inverted: String,
    /// Of the high-pass, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub high_pass: Option<String>,
    /// Of the low-pass, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low_pass: Option<String>,
}

/// Why a car cannot be tuned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TuneError {
    /// No place is heard.
    #[error(
        "no place of the seat that is tuned for was measured; measure the drivers at one place of it at least"
    )]
    NoPlace,
    /// Not as many responses as places.
    #[error(
        "`{channel}` has {given} responses for {wanted} places; measure it at every place, or leave the place out"
    )]
    Places {
        /// The channel.
        channel: String,
        /// How many it has.
        given: usize,
        /// How many there are.
        wanted: usize,
    },
    /// A response that cannot be used.
    #[error("the response of `{channel}` at place {place} cannot be used: {error}")]
    Response {
        /// The channel.
        channel: String,
        /// Which place, from 1.
        place: usize,
        /// What is wrong with it.
        error: ResponseError,
    },
    /// A response without phase.
    #[error(
        "the response of `{channel}` at place {place} has no phase; measure it with `sweep` against one clock and keep \
         the column `phase_deg`"
    )]
    NoPhase {
        /// The channel.
        channel: String,
        /// Which place, from 1.
        place: usize,
    },
    /// Drivers of one side only.
    #[error(
        "no driver of the {0} side was measured; measure its drivers at the same places, or correct which input feeds a \
         driver"
    )]
    NoSide(&'static str),
    /// Two channels share no frequency.
    #[error("`{0}` was measured over less than a third of an octave; measure it over all that it plays")]
    TooNarrow(String),
    /// A lock of a channel that there is not.
    #[error("there is no channel `{0}` whose value could be locked")]
    NoChannel(String),
    /// The first alignment fails.
    #[error(transparent)]
    Align(#[from] CarError),
    /// The fit of a side fails.
    #[error("the fit of the {side} side: {error}")]
    Side {
        /// Which side.
        side: &'static str,
        /// Why.
        error: FitError,
    },
}

/// How far a car is from the target at its places. All curves are power means over 1/12 octave, 40 Hz to
/// 16 kHz, each at its own level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// The left input alone.
    pub left: SideDeviation,
    /// The right input alone.
    pub right: SideDeviation,
    /// The left average against the right one.
    pub left_right: LeftRight,
    /// Both inputs together, against a target that is lower by 3 dB in the treble, where what two sides
    /// make has nothing in common.
    pub both: SideDeviation,
}

/// What a car's settings come to: how good it is, and what each side by itself sounds like.
#[derive(Debug, Clone, PartialEq)]
pub struct JudgedCar {
    /// How far it is from the target.
    pub judgement: Judgement,
    /// The left input alone: the power mean over the places and a twelfth of an octave, in dB, about the
    /// level at which left and right stand to the target on the mean. Where left and right lie apart there,
    /// they are not equally loud.
    pub left: Response,
    /// The right input alone, about the same level.
    pub right: Response,
    /// The same signal at both inputs, halved, about the same level.
    pub both: Response,
}

/// How far what one input makes is from the target.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SideDeviation {
    /// Of the power average over the places.
    pub average_rms_db: f64,
    /// Of each place by itself, the mean.
    pub each_rms_db: f64,
    /// The same for each place.
    pub places: Vec<PlaceDeviation>,
}

/// How far one place is from the target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlaceDeviation {
    /// The place.
    pub place: String,
    /// Its root mean square over log frequency.
    pub rms_db: f64,
}

/// How far left and right differ, as averages over the places.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct LeftRight {
    /// Root mean square over log frequency, the level included.
    pub rms_db: f64,
    /// How much louder the left is.
    pub level_db: f64,
}
