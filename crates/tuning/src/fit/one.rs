//! The fit of one channel.

use measure::Finding;

use super::explain::{Evidence, hertz};
use super::problem::{Problem, Setup, sum_db};
use super::quantise::Level;
use super::search::{self, Means};
use super::{Deviations, FitError, FitInput, FitOptions, FitResult, FittedBand, quantise};
use crate::{Band, Profile, Response, Target, bands_db, log_axis};

/// Finds the fewest bands that bring the response to the target.
///
/// Weights and what is left alone come first; then bands are placed one by one
/// and refined together by damped least squares with analytic derivatives, bands
/// that matter little are removed, and a search over the profile's grids finds
/// the best that can be typed. Fixed bands (graphic equalizers, tone controls)
/// get their gains by bounded least squares including their overlap.
///
/// Same input, same output, to the bit. Accuracy: a response made of up to eight bands with 0.1 dB of
/// noise that the boost allowed can undo is brought to a flat target within 0.15 dB RMS by at most one
/// band more (test `known_bands_are_recovered`).
///
/// # Errors
/// When the responses cannot be used or the range holds nothing to fit.
pub fn fit(input: &FitInput<'_>) -> Result<FitResult, FitError> {
    fitted(input, Level::Free)
}

/// As [`fit`], but a shelf stays on the side on which it was found: for who has no level to spare.
///
/// # Errors
/// As those of [`fit`].
pub(crate) fn fit_at_level(input: &FitInput<'_>) -> Result<FitResult, FitError> {
    fitted(input, Level::Held)
}

fn fitted(input: &FitInput<'_>, level: Level) -> Result<FitResult, FitError> {
    let FitInput { profile, options, .. } = *input;
    for (index, band) in options.locked.iter().enumerate() {
        if !profile.accepts(band) {
            return Err(FitError::Locked { number: index + 1, band: *band });
        }
    }
    let setup = Problem::set_up(input, &options.locked)?;
    // What the fit itself suggests is not begun again: beside its own answer nothing is worth a band.
    let is_own_answer = !options.locked.is_empty() && {
        let unlocked = FitOptions { locked: Vec::new(), ..options.clone() };
        let own = found(&Problem::set_up(input, &[])?, profile, &unlocked, level);
        own.len() == options.locked.len() && own.iter().all(|band| options.locked.contains(band))
    };
    let mut typed = if is_own_answer { Vec::new() } else { found(&setup, profile, options, level) };
    let fitted = sum_db(&typed, &setup.problem.axis, profile);
    let offset_db = setup.problem.offset_for(&fitted);
    typed.extend(&options.locked);
    typed.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    Ok(report(input, setup, &typed, offset_db))
}

/// The bands that are found beside the locked ones, as they are typed.
fn found(setup: &Setup, profile: &Profile, options: &FitOptions, level: Level) -> Vec<Band> {
    let max_boost_db = options.max_boost(profile);
    let allowed = options.max_bands.unwrap_or(usize::MAX).min(profile.band_count());
    let max_bands = allowed.saturating_sub(options.locked.len());
    let means = Means { locked: &options.locked, max_bands, max_boost_db };
    let sets = search::search(&setup.problem, profile, means);
    quantise::best_of(&setup.problem, profile, &sets, max_boost_db, level)
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
        level_db: mean_db(&cookbook, (setup.from_hz, setup.to_hz), profile.sample_rate_hz),
        range_hz: (setup.from_hz, setup.to_hz),
    };
    result.findings = findings(input, &result);
    result
}

/// What bands add on average over a range, even in log frequency.
pub(super) fn mean_db(bands: &[Band], (from_hz, to_hz): (f64, f64), sample_rate_hz: f64) -> f64 {
    let added = bands_db(bands, &log_axis::grid(from_hz, to_hz, 48.0), sample_rate_hz);
    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    let count = added.len() as f64;
    added.iter().sum::<f64>() / count
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

/// What bands take from the level of the whole is said from here on.
const LEVEL_LOST_DB: f64 = 1.0;

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
    if result.level_db < -LEVEL_LOST_DB {
        findings.push(Finding::note(
            "level-lost",
            format!(
                "The bands lower the whole by {:.1} dB on average. Turn the channel up by as much where level is short.",
                -result.level_db
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
