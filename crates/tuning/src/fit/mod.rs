//! The bands that bring a response to a target inside a processor's real limits.

mod cancellation;
mod excess_phase;
mod explain;
mod placement;
mod problem;
mod quantise;
mod search;
mod several;
mod solver;
mod usable_range;

use measure::Finding;
use serde::{Deserialize, Serialize};

use crate::{AverageError, Band, Profile, Response, ResponseError, Target, bands_db, log_axis};
use explain::Evidence;
pub(crate) use explain::hertz;
use problem::{Problem, Setup, sum_db};
use search::Means;
pub use several::{ChannelFit, ChannelInput, fit_channels};

/// What a fit is made from.
#[derive(Debug, Clone)]
pub struct FitInput<'a> {
    /// One response, or one per position: several are averaged, and where they
    /// disagree they count less.
    pub responses: &'a [Response],
    /// What the response should become.
    pub target: &'a Target,
    /// What the processor can hold.
    pub profile: &'a Profile,
    /// What may be done.
    pub options: &'a FitOptions,
}

/// What a fit may do.
#[derive(Debug, Clone, PartialEq)]
pub struct FitOptions {
    /// Use at most so many bands, locked ones included; by default all the profile has.
    pub max_bands: Option<usize>,
    /// The lower end of the range that counts.
    pub from_hz: f64,
    /// The upper end of the range that counts.
    pub to_hz: f64,
    /// Boost no band by more than this; by default what the profile says.
    pub max_boost_db: Option<f64>,
    /// Hold the level of the target at this offset instead of choosing it freely.
    pub offset_db: Option<f64>,
    /// Bands that stay as they are, as typed; the others are fitted around them.
    pub locked: Vec<Band>,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            max_bands: None,
            from_hz: 20.0,
            to_hz: 20_000.0,
            max_boost_db: None,
            offset_db: None,
            locked: Vec::new(),
        }
    }
}

impl FitOptions {
    fn max_boost(&self, profile: &Profile) -> f64 {
        self.max_boost_db.unwrap_or(profile.max_boost_db).min(profile.gain_db.max()).max(0.0)
    }
}

/// Bands for a processor, and what they do.
///
/// `response + bands ≈ target + offset_db`. Serialises to the JSON of the
/// interface contract.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitResult {
    /// The bands by ascending frequency, the locked ones among them; every value
    /// is on the profile's grid.
    pub bands: Vec<FittedBand>,
    /// Where the target lies against the measured level.
    pub offset_db: f64,
    /// What is between response and target without bands, each at its best offset.
    pub before: Deviations,
    /// What the bands leave.
    pub after: Deviations,
    /// What was not corrected, and why.
    pub left_alone: Vec<LeftAlone>,
    /// Remarks.
    pub findings: Vec<Finding>,
    /// How much louder the bands make the loudest frequency: so much lower must the
    /// level before them be, lest they clip.
    #[serde(default)]
    pub headroom_cost_db: f64,
    /// The range that was fitted: the one asked for, as far as the data go.
    #[serde(skip)]
    pub range_hz: (f64, f64),
}

/// One band of a fit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FittedBand {
    /// The band with the cookbook's Q.
    #[serde(flatten)]
    pub band: Band,
    /// The Q to type, where the processor's definition differs from the cookbook's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entered_q: Option<f64>,
    /// Why it is there, in plain words.
    pub why: String,
}

impl FittedBand {
    /// The band as it is typed into the processor.
    #[must_use]
    pub fn typed(&self) -> Band {
        Band { q: self.entered_q.unwrap_or(self.band.q), ..self.band }
    }
}

/// How far a response lies from a target.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Deviations {
    /// Root mean square over log frequency.
    pub rms_db: f64,
    /// The largest, without its sign.
    pub max_db: f64,
}

/// A place that was not corrected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LeftAlone {
    /// Where.
    pub frequency_hz: f64,
    /// Why, in a word that a program can test.
    pub why: LeftAloneReason,
    /// Why, for the person.
    pub text: String,
}

/// Why a place was not corrected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeftAloneReason {
    /// Two sounds meet there in opposite phase.
    Cancellation,
    /// The end of the range that the drivers play.
    RollOff,
    /// A stretch so far below the rest that the boost allowed could not mend it.
    OutOfReach,
}

impl LeftAloneReason {
    /// The word of the interface contract.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Cancellation => "cancellation",
            Self::RollOff => "roll-off",
            Self::OutOfReach => "out-of-reach",
        }
    }
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// No response was given.
    #[error("there is no response to fit; give at least one")]
    NoResponse,
    /// A response is not one.
    #[error("response {number} cannot be used: {error}")]
    Response {
        /// Which one, from 1.
        number: usize,
        /// What is wrong with it.
        error: ResponseError,
    },
    /// The responses do not go together.
    #[error(transparent)]
    Average(AverageError),
    /// The range holds no data to speak of.
    #[error(
        "the range {from_hz} Hz to {to_hz} Hz holds less than a third of an octave of the response, \
         which goes from {lowest_hz:.1} Hz to {highest_hz:.1} Hz; widen the range"
    )]
    Range {
        /// The lower end asked for.
        from_hz: f64,
        /// The upper end asked for.
        to_hz: f64,
        /// Where the data begin.
        lowest_hz: f64,
        /// Where they end.
        highest_hz: f64,
    },
    /// Nothing in the range is certain enough.
    #[error(
        "nothing between {from_hz:.0} Hz and {to_hz:.0} Hz is certain enough to be corrected: the coherence is too \
         low or all of it is cancellation; measure again, louder and at more positions"
    )]
    NothingCertain {
        /// The lower end of the range.
        from_hz: f64,
        /// The upper end of the range.
        to_hz: f64,
    },
    /// A locked band that the processor does not take.
    #[error(
        "the locked band {number} ({} at {} Hz, {} dB, Q {}) is not one that this processor can hold; \
         change it to values that the processor offers",
        band.kind, band.frequency_hz, band.gain_db, band.q
    )]
    Locked {
        /// Which one, from 1.
        number: usize,
        /// The band as given.
        band: Band,
    },
}

/// Finds the fewest bands that bring the response to the target.
///
/// Weights and what is left alone come first; then bands are placed one by one
/// and refined together by damped least squares with analytic derivatives, bands
/// that matter little are removed, and a search over the profile's grids finds
/// the best that can be typed. Fixed bands (graphic equalizers, tone controls)
/// get their gains by bounded least squares including their overlap.
///
/// Same input, same output, to the bit. Accuracy: a response made of up to eight
/// bands with 0.1 dB of noise is brought to a flat target within 0.15 dB RMS by at
/// most one band more (test `known_bands_are_recovered`).
///
/// # Errors
/// When the responses cannot be used or the range holds nothing to fit.
pub fn fit(input: &FitInput<'_>) -> Result<FitResult, FitError> {
    let FitInput { profile, options, .. } = *input;
    for (index, band) in options.locked.iter().enumerate() {
        if !profile.accepts(band) {
            return Err(FitError::Locked { number: index + 1, band: *band });
        }
    }
    let setup = Problem::set_up(input, &options.locked)?;
    let max_boost_db = options.max_boost(profile);
    let allowed = options.max_bands.unwrap_or(usize::MAX).min(profile.band_count());
    let means = Means { max_bands: allowed.saturating_sub(options.locked.len()), max_boost_db };
    let free = search::search(&setup.problem, profile, means);
    let mut typed = quantise::quantise(&setup.problem, profile, &free, max_boost_db);
    let fitted = sum_db(&typed, &setup.problem.axis, profile);
    let offset_db = setup.problem.offset_for(&fitted);
    typed.extend(&options.locked);
    typed.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    Ok(report(input, setup, &typed, offset_db))
}

/// Puts together what is said about bands that are settled.
fn report(input: &FitInput<'_>, setup: Setup, typed: &[Band], offset_db: f64) -> FitResult {
    let profile = input.profile;
    // The need of a problem with locked bands counts from the response with them.
    let held = sum_db(&input.options.locked, &setup.problem.axis, profile);
    let bare = |((need, held), weight): ((&f64, f64), &f64)| weight * (-need - held);
    let bare_offset = input
        .options
        .offset_db
        .unwrap_or_else(|| setup.problem.need_db.iter().zip(held).zip(&setup.problem.weight).map(bare).sum());
    let evidence = Evidence {
        responses: input.responses,
        response: &setup.response,
        target: input.target,
        level_db: bare_offset,
        from_hz: setup.from_hz,
        to_hz: setup.to_hz,
        max_boost_db: input.options.max_boost(profile),
    };
    let bands: Vec<FittedBand> = typed
        .iter()
        .map(|typed| {
            let band = profile.cookbook(typed);
            let entered_q = ((band.q - typed.q).abs() > 1e-9).then_some(typed.q);
            let why = if input.options.locked.contains(typed) {
                "Locked: kept as it was.".to_owned()
            } else {
                evidence.reason(&band)
            };
            FittedBand { band, entered_q, why }
        })
        .collect();
    let cookbook: Vec<Band> = bands.iter().map(|b| b.band).collect();
    let deviations = |bands: &[Band], offset: f64| {
        deviations(&setup.response, input.target, bands, offset, (setup.from_hz, setup.to_hz), profile)
    };
    let whole_range = log_axis::grid(10.0, 0.49 * profile.sample_rate_hz, 96.0);
    let headroom_cost_db =
        bands_db(&cookbook, &whole_range, profile.sample_rate_hz).into_iter().fold(0.0, f64::max);
    let mut result = FitResult {
        before: deviations(&[], bare_offset),
        after: deviations(&cookbook, offset_db),
        bands,
        offset_db,
        left_alone: setup.left_alone,
        findings: Vec::new(),
        headroom_cost_db,
        range_hz: (setup.from_hz, setup.to_hz),
    };
    result.findings = findings(input, &result);
    result
}

/// What is left between response plus bands and target plus offset, at the
/// response's own points.
fn deviations(
    response: &Response,
    target: &Target,
    bands: &[Band],
    offset_db: f64,
    (from_hz, to_hz): (f64, f64),
    profile: &Profile,
) -> Deviations {
    let inside = |hz: &&f64| (from_hz * (1.0 - 1e-9)..=to_hz * (1.0 + 1e-9)).contains(*hz);
    let frequency_hz: Vec<f64> = response.frequency_hz.iter().filter(inside).copied().collect();
    let added = bands_db(bands, &frequency_hz, profile.sample_rate_hz);
    let widths = log_axis::cell_widths(&frequency_hz);
    let (mut square, mut total, mut max_db) = (0.0, 0.0, 0.0f64);
    for ((&hz, added), width) in frequency_hz.iter().zip(added).zip(widths) {
        let left = response.db_at(hz).unwrap_or(0.0) + added - target.db_at(hz) - offset_db;
        square += width * left * left;
        total += width;
        max_db = max_db.max(left.abs());
    }
    Deviations { rms_db: if total > 0.0 { (square / total).sqrt() } else { 0.0 }, max_db }
}

/// Remarks about a finished fit.
fn findings(input: &FitInput<'_>, result: &FitResult) -> Vec<Finding> {
    let mut findings = Vec::new();
    let options = input.options;
    let (from_hz, to_hz) = result.range_hz;
    if from_hz > options.from_hz * 1.01 || to_hz < options.to_hz * 0.99 {
        findings.push(Finding::note(
            "range-narrowed",
            format!(
                "The fit covers {} to {}: beyond that there are no data, the target asks for nothing to speak of, \
                 or the processor cannot act.",
                hertz(from_hz),
                hertz(to_hz)
            ),
        ));
    }
    if result.headroom_cost_db > 0.05 {
        findings.push(Finding::note(
            "headroom-cost",
            format!(
                "The bands add up to {:.1} dB of boost at most. Lower the level before them by as much, \
                 or they may clip.",
                result.headroom_cost_db
            ),
        ));
    }
    if result.after.rms_db > input.target.tolerance_db {
        findings.push(Finding::caution(
            "target-not-reached",
            format!(
                "{:.1} dB RMS remain, more than the target's tolerance of {:.1} dB. Look at crossovers, delays and \
                 levels first: bands cannot mend those.",
                result.after.rms_db, input.target.tolerance_db
            ),
        ));
    }
    for outlier in crate::outliers(input.responses) {
        findings.push(Finding::caution(
            "position-stands-apart",
            format!(
                "Response {} lies {:.1} dB from the others, which lie {:.1} dB apart. Listen to it or measure it \
                 again before you trust the average.",
                outlier.index + 1,
                outlier.distance_db,
                outlier.usual_db
            ),
        ));
    }
    findings
}

#[cfg(test)]
mod left_alone_tests;
#[cfg(test)]
mod tests;
