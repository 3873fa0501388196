//! Before and after at the same places: what a change did, whatever the car is like.

use measure::Finding;
use tuning::{
    AuditError, AuditInput, AuditResult, AuditedBand, Band, BandKind, BandLayout, Profile, Response, Verdict,
};
use units::quantity::signed_decibels;

use crate::hertz;

/// What was measured at one place.
#[derive(Debug, Clone, Copy)]
pub struct Placed<'a> {
    /// The place.
    pub position: &'a str,
    /// The response there, best without smoothing.
    pub response: &'a Response,
}

/// What changed between two sets of captures, as a response before, which is flat, and one
/// after: the median over the places that both have of the difference at each. What the car
/// does to the sound falls out of a difference at one place, however steep it is, and one place
/// where something else changed does no harm. Of several captures at a place the last counts.
///
/// Nothing when no place is in both.
#[must_use]
pub fn change(before: &[Placed<'_>], after: &[Placed<'_>]) -> Option<(Response, Response)> {
    let at = |set: &[Placed<'_>], position: &str| set.iter().rposition(|placed| placed.position == position);
    let mut changes: Vec<Response> = Vec::new();
    for (index, placed) in before.iter().enumerate() {
        if at(before, placed.position) != Some(index) {
            continue;
        }
        if let Some(other) = at(after, placed.position) {
            changes.extend(tuning::difference(placed.response, after[other].response, 0.0, 1e6));
        }
    }
    let low_hz = changes.iter().map(|change| change.range_hz().0).fold(0.0, f64::max);
    let high_hz = changes.iter().map(|change| change.range_hz().1).fold(f64::INFINITY, f64::min);
    let grid: Vec<f64> =
        changes.first()?.frequency_hz.iter().copied().filter(|hz| (low_hz..=high_hz).contains(hz)).collect();
    let middle = |hz: &f64| {
        let values: Vec<f64> = changes.iter().filter_map(|change| change.db_at(*hz)).collect();
        dsp::statistics::median(&values)
    };
    let after = Response::new(grid.clone(), grid.iter().filter_map(middle).collect()).ok()?;
    Some((Response::new(grid.clone(), vec![0.0; grid.len()]).ok()?, after))
}

/// A band that nobody meant and that changes less than this is not called a mistake: a driver
/// that does not pass through the processor, or a door that stood open, does as much (our choice,
/// no published source).
const SMALL_DB: f64 = 1.0;

/// What became of each band, by what changed between two sets of captures. What is left where no
/// band was meant is a band too many when it is large, and a remark when it is small.
///
/// `names` are what the bands are called; a band without one has its number.
///
/// # Errors
/// When the responses or the bands cannot be used.
pub fn audit(
    (before, after): (&Response, &Response),
    bands: &[Band],
    names: &[String],
    profile: &Profile,
) -> Result<AuditResult, AuditError> {
    let input = AuditInput { before, after, bands, profile: Some(profile) };
    let mut audit = tuning::audit_named(&input, names)?;
    let is_small = |band: &AuditedBand| {
        band.verdict == Verdict::Extra && band.found.band.is_some_and(|found| found.gain_db.abs() < SMALL_DB)
    };
    for band in audit.bands.extract_if(.., |band| is_small(band)) {
        if let Some(found) = band.found.band {
            audit.findings.push(Finding::note(
                "small-difference",
                format!(
                    "{} around {} are explained by no band: too little to be a mistake. A driver that does not pass \
                     through the processor does this, or a microphone that stood elsewhere.",
                    signed_decibels(found.gain_db),
                    hertz(found.frequency_hz)
                ),
            ));
        }
    }
    Ok(audit)
}

/// A typing error as it happens: the peak that does most loses a digit of its frequency, or
/// gets one more, as far as the processor takes that. Gives the frequency that was meant and the
/// one that was typed.
pub fn mistype<'a>(bands: impl Iterator<Item = &'a mut Band>, profile: &Profile) -> Option<(f64, f64)> {
    let BandLayout::Parametric { frequency_hz: grid, .. } = &profile.bands else { return None };
    let does_most = |one: &&mut Band, other: &&mut Band| one.gain_db.abs().total_cmp(&other.gain_db.abs());
    let band = bands.filter(|band| band.kind == BandKind::Peak).max_by(does_most)?;
    let meant_hz = band.frequency_hz;
    band.frequency_hz = grid.nearest(if meant_hz >= 250.0 { meant_hz / 10.0 } else { meant_hz * 10.0 });
    Some((meant_hz, band.frequency_hz))
}

#[cfg(test)]
mod tests {
    use testkit::all_near;

    use super::*;

    fn response(level: impl Fn(f64) -> f64) -> Response {
        let grid = dsp::response::log_grid(30.0, 16_000.0, 48.0);
        Response::new(grid.clone(), grid.iter().map(|&hz| level(hz)).collect()).expect("a response")
    }

    /// Source: arithmetic: a difference at one place has nothing of the place in it.
    #[test]
    fn what_the_places_do_falls_out_and_one_that_moved_does_no_harm() {
        let rooms: Vec<Response> =
            (1..4).map(|place| response(|hz| 12.0 * (f64::from(place) * hz.ln()).sin())).collect();
        let tuned: Vec<Response> =
            (1..4).map(|place| response(|hz| 12.0 * (f64::from(place) * hz.ln()).sin() - 3.0)).collect();
        let moved = response(|hz| 20.0 * (9.0 * hz.ln()).cos());
        let names = ["one", "two", "three", "four"];
        let placed = |responses: &[Response]| -> Vec<(usize, Response)> {
            responses.iter().cloned().enumerate().collect()
        };
        let (before, mut after) = (placed(&rooms), placed(&tuned));
        after.insert(0, (0, moved));
        let set = |all: &[(usize, Response)]| -> Vec<(usize, Response)> { all.to_vec() };
        let (before, after) = (set(&before), set(&after));
        let of = |all: &'static [(usize, Response)]| -> Vec<Placed<'static>> {
            all.iter().map(|(place, response)| Placed { position: names[*place], response }).collect()
        };
        let (before, after) = (before.leak(), after.leak());
        let (flat, changed) = change(&of(before), &of(after)).expect("three places are in both");
        all_near("before", &flat.magnitude_db, &vec![0.0; flat.magnitude_db.len()], 1e-12);
        all_near("after", &changed.magnitude_db, &vec![-3.0; flat.magnitude_db.len()], 1e-9);
        let elsewhere = [Placed { position: "four", response: &after[0].1 }];
        assert!(change(&of(before), &elsewhere).is_none());
    }
}
