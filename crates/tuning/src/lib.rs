//! Tuning: what a response should be, which bands bring it there, and whether
//! they were entered as meant. Text in, data out: no files, clocks or threads.
//!
//! **Sign.** Bands are what is *added*: `response + bands ≈ target + offset`.
//! A hump in the response gives a band of negative gain.

mod align;
mod attenuator;
mod audit;
mod average;
mod band_list;
mod calibration;
mod car;
mod channel;
mod clean_limit;
mod columns;
mod compare;
mod crossover_filter;
mod delays;
mod distance;
mod engine_lines;
mod error;
mod fit;
mod gain;
mod grid;
mod junction;
mod linear;
mod log_axis;
mod meaning_of_q;
mod octave;
mod output_pair;
mod pair;
mod presets;
mod profile;
mod q_definition;
mod quantity;
#[cfg(test)]
mod random_cases;
mod response;
mod response_text;
mod roles;
mod target;
mod target_handles;
pub mod toml_text;
mod tone_shape;
mod tone_steps;
mod volts_calibration;
mod whole_car;

pub use dsp::equalizer::{Band, BandKind, bands_db};

pub use align::{AlignInput, Alignment, Sum, USUAL_DELAYS, align};
pub use attenuator::{Attenuator, AttenuatorError, parse_ohms, parse_volts};
pub use audit::entry::{
    AuditedChannel, ChannelSetting, ChannelVerdict, EntryAudit, EntryChannel, EntryError, EntryInput,
    audit_entry,
};
pub use audit::{AuditError, AuditInput, AuditResult, AuditedBand, MaybeBand, Verdict, audit, audit_named};
pub use average::{AverageError, Outlier, average, outliers};
pub use band_list::{BandEntry, MOST_BANDS, band_entries, bands_csv, parse_bands_csv};
pub use calibration::Calibration;
pub use car::{
    CarAlignment, CarCrossover, CarDriver, CarError, CarInput, CarSetting, CarSum, align_car,
    playing_range_hz,
};
pub use channel::channel_reaches;
pub use clean_limit::{CleanLimit, OutputAtLimit, OutputHeadroom, OutputStep, clean_limit};
pub use compare::{CompareError, Comparison, compare, difference};
pub use crossover_filter::CarFilter;
pub use delays::{DelayEntry, delays_from_arrivals, delays_from_distances, hold_delays, speed_of_sound};
pub use distance::parse_metres;
pub use engine_lines::{
    BroughtLine, BroughtLines, EngineLines, MovingLine, NoiseLines, brought_lines, engine_lines,
};
pub use error::TextError;
pub use fit::{
    ChannelFit, ChannelInput, Deviations, FitError, FitInput, FitOptions, FitResult, FittedBand, LeftAlone,
    LeftAloneReason, fit, fit_channels, left_alone_lines,
};
pub use gain::{GainError, GainInput, GainPlan, GainStage, Turn, gain_plan, turn_to};
pub use grid::Grid;
pub use meaning_of_q::{MeaningOfQ, MeaningOfQError, QTrial, meaning_of_q};
pub use output_pair::{OutputResponse, OutputSum, PairDifference, output_sum, pair_difference};
pub use pair::{AlignError, Pair};
pub use presets::Preset;
pub use profile::{BandLayout, CrossoverChoice, CrossoverFamily, DelayGrid, FixedBand, Profile};
pub use q_definition::QDefinition;
pub(crate) use quantity::Quantity;
pub use response::{Response, ResponseError};
pub use roles::{Equalizer, Feed, Role, Seat};
pub use target::{Target, TargetPoint, TargetShelf};
pub use target_handles::{TargetHandle, TargetPlace};
pub use tone_shape::{BandEdge, TonePeak, ToneShape, tone_shape};
pub use tone_steps::{SAME_TONE_DB, StepResponse, StepTone, ToneChange, ToneOverSteps, tone_over_steps};
pub use volts_calibration::{HeardTone, VoltsCalibration, VoltsRefusal, input_limit_warning};
pub use whole_car::{
    CarTune, ChannelValues, JudgedCar, Judgement, LeftRight, Lock, LockedValue, OnProgress, PlaceDeviation,
    PlaceSeat, Reasons, SideDeviation, TuneDriver, TuneError, TuneInput, TuneOptions, TunePlace,
    TuneProgress, TunedChannel, TunedInput, judge_car, judge_measured, quick_tune, tune_car,
};
