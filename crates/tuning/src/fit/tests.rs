//! Tests of the fit as a whole.

use super::*;
use crate::random_cases::Random;
use crate::{Band, BandKind, Profile, Response, Target, bands_db, log_axis};
use testkit::at_most;

const RATE: f64 = 48_000.0;

fn free() -> Profile {
    Profile::preset("parametric-free").unwrap()
}

fn response_of(bands: &[Band], noise_db: f64, random: &mut Random) -> Response {
    let frequency_hz = log_axis::grid(20.0, 20_000.0, 96.0);
    let magnitude_db =
        bands_db(bands, &frequency_hz, RATE).into_iter().map(|db| db + noise_db * random.normal()).collect();
    Response::new(frequency_hz, magnitude_db).unwrap()
}

fn random_bands(count: usize, random: &mut Random) -> Vec<Band> {
    (0..count)
        .map(|_| {
            let sign = if random.unit() < 0.5 { -1.0 } else { 1.0 };
            let kind = match random.unit() {
                u if u < 0.1 => BandKind::LowShelf,
                u if u < 0.2 => BandKind::HighShelf,
                _ => BandKind::Peak,
            };
            let (low, high) = match kind {
                BandKind::Peak => (30.0f64, 16_000.0f64),
                BandKind::LowShelf => (50.0, 400.0),
                BandKind::HighShelf => (1_500.0, 9_000.0),
            };
            let q = if kind == BandKind::Peak { random.between(0.7f64.ln(), 8f64.ln()).exp() } else { 0.7 };
            Band {
                kind,
                frequency_hz: random.between(low.ln(), high.ln()).exp(),
                gain_db: sign * random.between(1.0, 6.0),
                q,
            }
        })
        .collect()
}

fn fit_one(response: &Response, target: &Target, profile: &Profile, options: &FitOptions) -> FitResult {
    fit(&FitInput { responses: std::slice::from_ref(response), target, profile, options }).unwrap()
}

/// Source: analytic; the response is made of the bands that are to be found.
#[test]
fn known_bands_are_recovered() {
    let (profile, target, options) = (free(), Target::flat(), FitOptions::default());
    let mut random = Random::new(7);
    for case in 0..16 {
        let count = 1 + case % 8;
        let truth = random_bands(count, &mut random);
        let response = response_of(&truth, 0.1, &mut random);
        let result = fit_one(&response, &target, &profile, &options);
        at_most(&format!("case {case}: error of {truth:?}"), result.after.rms_db, 0.15);
        assert!(result.bands.len() <= count + 1, "case {case}: {} bands for {truth:?}", result.bands.len());
        assert!(result.bands.iter().all(|b| profile.accepts(&b.typed())), "case {case}: off the grid");
    }
}
