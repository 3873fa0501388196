//! Tuning: what a response should be, which bands bring it there, and whether
//! they were entered as meant. Text in, data out: no files, clocks or threads.
//!
//! **Sign.** Bands are what is *added*: `response + bands ≈ target + offset`.
//! A hump in the response gives a band of negative gain.

mod align;
mod audit;
mod average;
mod band;
mod band_list;
mod calibration;
mod columns;
mod compare;
mod curve;
mod delays;
mod error;
mod fit;
mod grid;
mod linear;
mod log_axis;
mod presets;
mod profile;
mod q_definition;
#[cfg(test)]
mod random_cases;
mod response;
mod response_text;
mod target;
mod toml_text;

pub use align::{AlignError, AlignInput, Alignment, Pair, Sum, USUAL_DELAYS, align};
pub use audit::{AuditError, AuditInput, AuditResult, AuditedBand, MaybeBand, Verdict, audit};
pub use average::{AverageError, Outlier, average, outliers};
pub use band::{Band, BandKind, bands_db};
pub use band_list::{BandEntry, band_entries, bands_csv, parse_bands_csv};
pub use calibration::Calibration;
pub use compare::{CompareError, Comparison, compare, difference};
pub use delays::{DelayEntry, delays_from_arrivals, delays_from_distances, speed_of_sound};
pub use error::TextError;
pub use fit::{
    Deviations, FitError, FitInput, FitOptions, FitResult, FittedBand, LeftAlone, LeftAloneReason, fit,
};
pub use grid::Grid;
pub use presets::Preset;
pub use profile::{BandLayout, CrossoverChoice, CrossoverFamily, DelayGrid, FixedBand, Profile};
pub use q_definition::QDefinition;
pub use response::{Response, ResponseError};
pub use target::{Target, TargetPoint, TargetShelf};
