//! The whole results of what was computed, as the job keeps them: everything that a sheet,
//! a report or a screen says of them later can be said from here.
//!
//! Curves are not kept: they follow from the captures that each [`Basis`] names.

use std::collections::BTreeMap;

use jiff::Timestamp;
use measure::Finding;
use serde::de::value::{MapAccessDeserializer, SeqAccessDeserializer};
use serde::de::{MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
use tuning::{Band, Equalizer, Seat};

use crate::{CaptureId, ChannelSetting, EnteredBand, PresetOrInline};

/// From what a result was computed.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Basis {
    /// The version of the program.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub program: String,
    /// When.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub made: Option<Timestamp>,
    /// The captures.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub captures: Vec<CaptureId>,
    /// The target.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target: Option<PresetOrInline>,
    /// The processor profile.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub processor: Option<PresetOrInline>,
    /// The lower end of the range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_hz: Option<f64>,
    /// The upper end of the range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to_hz: Option<f64>,
}

/// How far a response lies from a target.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Deviation {
    /// Root mean square over log frequency.
    pub rms_db: f64,
    /// The greatest, without its sign.
    pub max_db: f64,
}

/// A fit of bands to one channel or several.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FitRecord {
    /// From what.
    pub basis: Basis,
    /// Each channel that was fitted.
    pub channels: Vec<ChannelFitRecord>,
}

impl FitRecord {
    /// Every place that was left alone, with its channel.
    pub fn left_alone(&self) -> impl Iterator<Item = (&str, &LeftAlone)> {
        self.channels
            .iter()
            .flat_map(|fit| fit.left_alone.iter().map(move |place| (fit.channel.as_str(), place)))
    }
}

/// A fit of bands to one channel.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ChannelFitRecord {
    /// The channel; empty for the whole car.
    pub channel: String,
    /// The bands as they were suggested, each with its reason.
    pub bands: Vec<EnteredBand>,
    /// Where the target lies against the measured level.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_db: Option<f64>,
    /// What is between response and target without bands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<Deviation>,
    /// What the bands leave, as predicted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<Deviation>,
    /// What was not corrected, and why.
    pub left_alone: Vec<LeftAlone>,
    /// How much louder the bands make the loudest frequency.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub headroom_cost_db: Option<f64>,
    /// Remarks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
}

/// A place of the response that equalizing does not help.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftAlone {
    /// Where.
    pub frequency_hz: f64,
    /// Why, in a word such as `cancellation`.
    pub why: String,
    /// Why, in a sentence.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub text: String,
    /// Where it begins.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_hz: Option<f64>,
    /// Where it ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_hz: Option<f64>,
}

/// An alignment of the drivers: delays, polarities, crossovers, gains.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TimingRecord {
    /// From what.
    pub basis: Basis,
    /// Each driver.
    pub drivers: Vec<DriverTiming>,
    /// How neighbours add up.
    pub crossovers: Vec<CrossoverTiming>,
    /// What each side adds up to, and all together.
    pub sums: Vec<SumTiming>,
    /// Remarks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
}

/// What an alignment found for one driver.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DriverTiming {
    /// The driver.
    pub driver: String,
    /// What to enter, absolute.
    pub setting: ChannelSetting,
    /// When its sound arrived.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arrival_s: Option<f64>,
    /// How far it is from the listener.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub distance_m: Option<f64>,
    /// From where it plays.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usable_from_hz: Option<f64>,
    /// Up to where.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usable_to_hz: Option<f64>,
    /// The reason for each value, under its key in the setting.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub why: BTreeMap<String, String>,
}

/// How two neighbours add up at their crossover.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CrossoverTiming {
    /// The drivers that play below.
    pub lower: Vec<String>,
    /// Those that play above.
    pub upper: Vec<String>,
    /// Where they meet.
    pub frequency_hz: f64,
    /// Why it is there.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub why: String,
    /// The worst loss against perfect addition.
    pub worst_db: f64,
    /// The same as wired and without delays.
    pub before_worst_db: f64,
}

/// What several drivers add up to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SumTiming {
    /// Who plays: `left`, `right` or `all`.
    pub heard: String,
    /// The worst loss against perfect addition.
    pub worst_db: f64,
    /// Where that is.
    pub worst_hz: f64,
    /// The two loudest drivers there.
    #[serde(default)]
    pub worst_between: Vec<String>,
    /// The worst loss as wired and without delays.
    pub before_worst_db: f64,
}

/// A tuning of the whole car.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TuneRecord {
    /// From what.
    pub basis: Basis,
    /// For whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seat: Option<Seat>,
    /// Where the processor equalizes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equalizer: Option<Equalizer>,
    /// Each channel.
    pub channels: Vec<ChannelTune>,
    /// As measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<Judgement>,
    /// As the tuning will make it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub predicted: Option<Judgement>,
    /// The same at places that were left out of the fit on purpose.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept_out: Option<Judgement>,
    /// As it was measured in the set *after*, each side by itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<Judgement>,
    /// How much harder each channel is driven than by levels alone for the same loudness.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub drive_db: BTreeMap<String, f64>,
    /// How far each side's own drivers stand above those that both inputs feed, at the least.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub separation_db: Option<f64>,
    /// How much level the tuning costs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level_lost_db: Option<f64>,
    /// Remarks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
}

/// What a tuning found for one channel.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ChannelTune {
    /// What to enter, absolute.
    pub setting: ChannelSetting,
    /// The bands, each with its reason.
    pub bands: Vec<EnteredBand>,
    /// The reason for each value, under its key in the setting.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub why: BTreeMap<String, String>,
    /// The keys of the values that a person locked.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub locked: Vec<String>,
}

/// How good a tuning is at some places.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Judgement {
    /// The left side by itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left: Option<SideError>,
    /// The right side by itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub right: Option<SideError>,
    /// Both sides together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub both: Option<SideError>,
    /// Left against right.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left_right: Option<SideDifference>,
    /// Each place by itself, both sides together.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub places: Vec<PlaceError>,
}

/// How far one side lies from the target.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SideError {
    /// Of the average over the places.
    pub average_rms_db: f64,
    /// Of each place by itself, root mean square over the places.
    pub each_rms_db: f64,
}

/// How much the sides differ.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SideDifference {
    /// In tone.
    pub rms_db: f64,
    /// In level, left over right.
    pub level_db: f64,
}

/// How far the response at one place lies from the target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlaceError {
    /// The place.
    pub position: String,
    /// Its deviation.
    pub rms_db: f64,
}

/// An audit of what was entered.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct AuditRecord {
    /// From what.
    pub basis: Basis,
    /// Each band.
    pub bands: Vec<AuditLine>,
    /// Each channel.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<ChannelAudit>,
    /// What the found bands leave unexplained.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub residual_rms_db: Option<f64>,
    /// Remarks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
}

/// What the audit said of one band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AuditLine {
    /// The band's place in the band list, from 1.
    pub index: u32,
    /// The verdict, such as `as-meant` or `wrong-frequency`.
    pub verdict: String,
    /// What it means, in plain words.
    pub text: String,
    /// The channel; empty for all of them.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub channel: String,
    /// The band that was meant, with the cookbook's Q; absent for one that nobody meant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meant: Option<Band>,
    /// The band that is in the processor; absent for one that is missing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found: Option<Band>,
    /// The Q that seems to have been typed, where the processor defines Q otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found_entered_q: Option<f64>,
}

/// What the audit said of one channel's level, delay, polarity and crossovers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChannelAudit {
    /// The channel.
    pub channel: String,
    /// The verdict, such as `as-meant` or `wrong-delay`.
    pub verdict: String,
    /// What it means, in plain words.
    pub text: String,
    /// What was meant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meant: Option<ChannelSetting>,
    /// What was found, where it differs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found: Option<ChannelSetting>,
}

impl<'de> Deserialize<'de> for AuditRecord {
    /// Version 1 kept the lines of the bands alone, as a list.
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Default, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        struct Whole {
            basis: Basis,
            bands: Vec<AuditLine>,
            channels: Vec<ChannelAudit>,
            residual_rms_db: Option<f64>,
            findings: Vec<Finding>,
        }
        struct Either;
        impl<'de> Visitor<'de> for Either {
            type Value = AuditRecord;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("an audit, or the list of its lines")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, lines: A) -> Result<AuditRecord, A::Error> {
                let bands = Vec::deserialize(SeqAccessDeserializer::new(lines))?;
                Ok(AuditRecord { bands, ..AuditRecord::default() })
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<AuditRecord, A::Error> {
                let Whole { basis, bands, channels, residual_rms_db, findings } =
                    Whole::deserialize(MapAccessDeserializer::new(map))?;
                Ok(AuditRecord { basis, bands, channels, residual_rms_db, findings })
            }
        }
        deserializer.deserialize_any(Either)
    }
}

/// What the source does to the tone.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ToneRecord {
    /// From what.
    pub basis: Basis,
    /// Each output.
    pub outputs: Vec<OutputTone>,
    /// How outputs differ.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pairs: Vec<OutputDifference>,
    /// Bands that undo what the source does.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub bands: Vec<EnteredBand>,
    /// Remarks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
}

/// The tone of one output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutputTone {
    /// The output.
    pub output: String,
    /// The volume step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<u32>,
    /// Its level.
    pub level_db: f64,
    /// Half of the span of its tone between its ends.
    pub flatness_db: f64,
    /// Root mean square of its tone.
    pub rms_db: f64,
    /// The corner below which it falls off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low_corner_hz: Option<f64>,
    /// How steeply.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low_slope_db_per_octave: Option<f64>,
    /// The corner above which it falls off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high_corner_hz: Option<f64>,
    /// How steeply.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high_slope_db_per_octave: Option<f64>,
    /// What changes with the conditions of the capture.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<ToneChange>,
}

/// A part of the tone that changes with a condition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ToneChange {
    /// The condition: `volume-step`, `vehicle-speed`, `engine-speed`, `source-mode`, `note`.
    pub condition: String,
    /// The part of the range, such as `bass`.
    pub part: String,
    /// The condition at which it is as it was.
    pub unchanged: String,
    /// The first at which it differs.
    pub changed: String,
    /// The one at which it differs most.
    pub largest: String,
    /// By how much it differs there.
    pub gain_db: f64,
}

/// How two outputs differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutputDifference {
    /// The first output.
    pub first: String,
    /// The second output.
    pub second: String,
    /// The second's level over the first's.
    pub level_db: f64,
    /// How their tones differ, root mean square.
    pub tone_rms_db: f64,
    /// The greatest difference in tone.
    pub worst_db: f64,
    /// Where that is.
    pub worst_hz: f64,
    /// How much later the second is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub delay_s: Option<f64>,
    /// Whether one of them is inverted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inverted: Option<bool>,
}

/// What noise the source makes.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct NoiseRecord {
    /// From what.
    pub basis: Basis,
    /// Each recording.
    pub recordings: Vec<NoiseLevel>,
    /// The lines that follow the engine.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub engine: Vec<EngineNoise>,
    /// Remarks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
}

/// The noise of one recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoiseLevel {
    /// What it is of.
    pub name: String,
    /// The engine's speed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub engine_rpm: Option<f64>,
    /// Its level.
    pub rms_dbfs: f64,
    /// Its level with A-weighting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rms_a_dbfs: Option<f64>,
    /// Its voltage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rms_v: Option<f64>,
    /// How far it lies below the clean level.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub snr_db: Option<f64>,
    /// The same with A-weighting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub snr_a_db: Option<f64>,
    /// The frequency of the mains, where it hums.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mains_hz: Option<f64>,
    /// The level of the hum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mains_db: Option<f64>,
}

/// The lines that moved between two engine speeds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EngineNoise {
    /// The first recording.
    pub first: String,
    /// The second recording.
    pub second: String,
    /// The second speed over the first.
    pub ratio: f64,
    /// Each line that moved: its frequency in the first, its level there, its multiple of
    /// the engine's speed where that is known.
    pub lines: Vec<EngineNoiseLine>,
}

/// A line that follows the engine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EngineNoiseLine {
    /// Its frequency in the first recording.
    pub first_hz: f64,
    /// Its frequency in the second recording.
    pub second_hz: f64,
    /// Its level in the second recording.
    pub level_db: f64,
    /// How many times the engine's speed it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<f64>,
}

/// How the gains of the chain are set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GainRecord {
    /// From what.
    #[serde(default)]
    pub basis: Basis,
    /// The amplifier's power.
    pub power_w: f64,
    /// Its load.
    pub load_ohm: f64,
    /// The level of the tone that is set with.
    pub tone_dbfs: f64,
    /// The voltage at the amplifier's output to turn to with that tone.
    pub target_v: f64,
    /// The same where that tone is to reach full power.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub full_power_target_v: Option<f64>,
    /// The voltage at the processor's input.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub processor_input_target_v: Option<f64>,
    /// The amplifier's gain that follows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amplifier_gain_db: Option<f64>,
    /// Each stage of the chain.
    #[serde(default)]
    pub stages: Vec<GainStageRecord>,
    /// The stage that clips first.
    #[serde(default)]
    pub clips_first: String,
    /// What was measured at each channel.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub measured_v: BTreeMap<String, f64>,
    /// Remarks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
}

/// One stage of the chain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GainStageRecord {
    /// Its name.
    pub stage: String,
    /// The voltage there.
    pub level_v: f64,
    /// The voltage at which it clips.
    pub clips_at_v: f64,
    /// What is between the two.
    pub headroom_db: f64,
}
