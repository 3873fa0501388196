//! Tests of what the fit leaves alone, on random cases made from formulas.

use dsp::biquad::Biquad;
use dsp::crossover::{Family, high_pass, low_pass};
use num_complex::Complex64;

use super::one::mean_db;
use super::tests::{RATE, fit_one, free, random_bands};
use super::*;
use crate::random_cases::Random;
use crate::{Band, BandKind, Profile, Response, Target, bands_db, log_axis};
use testkit::at_most;

/// `(s² ∓ s/Qz + 1)/(s² + s/Qp + 1)`: a dip whose width is that of its poles, with its zeros
/// inside the unit circle or, when late, outside.
fn dip(hz: f64, at_hz: f64, depth_db: f64, width_octaves: f64, late: bool) -> Complex64 {
    let s = Complex64::new(0.0, hz / at_hz);
    let damping = 2.0 * (0.5 * std::f64::consts::LN_2 * width_octaves).sinh();
    let zeros = damping * 10f64.powf(-depth_db / 20.0);
    (s * s + s * if late { -zeros } else { zeros } + 1.0) / (s * s + s * damping + 1.0)
}

/// A notch of 20 dB: a resonance's, or a triangle over log frequency.
#[derive(Debug)]
struct Notch {
    hz: f64,
    width_octaves: f64,
    triangular: bool,
}

impl Notch {
    fn random(random: &mut Random) -> Self {
        let widths = [0.1, 0.125, 0.167, 0.25, 0.333, 0.5];
        Self {
            hz: random.between(35f64.ln(), 12_000f64.ln()).exp(),
            width_octaves: widths[(random.unit() * 6.0) as usize],
            triangular: random.unit() < 0.5,
        }
    }

    fn db(&self, hz: f64) -> f64 {
        if self.triangular {
            -20.0 * (1.0 - (hz / self.hz).log2().abs() / (0.5 * self.width_octaves)).max(0.0)
        } else {
            20.0 * dip(hz, self.hz, 20.0, self.width_octaves, false).norm().log10()
        }
    }
}

/// A random response beside a notch: its frequencies, and its bands that do not boost together
/// or cut more than can be undone.
fn surroundings(case: usize, random: &mut Random) -> (Vec<f64>, Vec<Band>) {
    let grid = log_axis::grid(20.0, 20_000.0, [96.0, 48.0, 24.0][case % 3]);
    loop {
        let bands = random_bands(case % 5, random);
        if bands_db(&bands, &grid, RATE).iter().all(|db| db.abs() <= 6.0) {
            return (grid, bands);
        }
    }
}

fn noisy(grid: &[f64], bands: &[Band], more_db: impl Fn(f64) -> f64, random: &mut Random) -> Response {
    let known = bands_db(bands, grid, RATE);
    let levels = grid.iter().zip(known).map(|(&hz, db)| db + more_db(hz) + 0.1 * random.normal()).collect();
    Response::new(grid.to_vec(), levels).unwrap()
}

/// By how much the bands add more, where the notch is more than half its depth deep, than in the
/// octave about it; with what is known beside the notch, by how much more than that asks for.
fn boost_db(result: &FitResult, notch: &Notch, known: &[Band]) -> f64 {
    let grid = log_axis::grid(notch.hz / 2.0, notch.hz * 2.0, 192.0);
    let bands: Vec<Band> = result.bands.iter().map(|b| b.band).chain(known.iter().copied()).collect();
    let added = bands_db(&bands, &grid, RATE);
    let deep = grid.iter().zip(&added).filter(|(hz, _)| notch.db(**hz) < -10.0);
    let most = deep.map(|(_, db)| *db).fold(f64::NEG_INFINITY, f64::max);
    let half = 2f64.sqrt();
    most - mean_db(&bands, (notch.hz / half, notch.hz * half), RATE)
}

fn is_named(result: &FitResult, hz: f64, within_octaves: f64) -> bool {
    result.left_alone.iter().any(|place| (place.frequency_hz / hz).log2().abs() < within_octaves)
}

fn processors() -> [Profile; 2] {
    ["parametric-free", "parametric-gridded"].map(|name| Profile::preset(name).unwrap())
}

/// Source: analytic; a notch of 20 dB is never boosted by more than 0.5 dB.
#[test]
fn no_random_notch_is_boosted() {
    let (target, options, processors) = (Target::flat(), FitOptions::default(), processors());
    let mut random = Random::new(31);
    let mut wrong = Vec::new();
    for case in 0..200 {
        let (grid, known) = surroundings(case, &mut random);
        let notch = Notch::random(&mut random);
        let response = noisy(&grid, &known, |hz| notch.db(hz), &mut random);
        let result = fit_one(&response, &target, &processors[case % 2], &options);
        let boost_db = boost_db(&result, &notch, &[]);
        if boost_db > 0.5 || !is_named(&result, notch.hz, 0.125) {
            wrong.push(format!(
                "{case}: {boost_db:.2} dB at {notch:?} beside {known:?}: {:?}",
                (
                    &result.left_alone,
                    result.bands.iter().map(|b| b.band).collect::<Vec<_>>(),
                    result.offset_db
                )
            ));
        }
    }
    assert!(wrong.is_empty(), "{} of 200:\n{}", wrong.len(), wrong.join("\n"));
}

/// Source: analytic; as above, where one of two positions has the notch: it is boosted by no
/// more than 0.5 dB beyond what both ask for.
#[test]
fn no_random_notch_of_one_position_is_boosted() {
    let (target, options, processors) = (Target::flat(), FitOptions::default(), processors());
    let mut random = Random::new(32);
    let mut wrong = Vec::new();
    for case in 0..200 {
        let (grid, known) = surroundings(case, &mut random);
        let notch = Notch::random(&mut random);
        let responses = [
            noisy(&grid, &known, |hz| notch.db(hz), &mut random),
            noisy(&grid, &known, |_| 0.0, &mut random),
        ];
        let profile = &processors[case % 2];
        let input = FitInput { responses: &responses, target: &target, profile, options: &options };
        let result = fit(&input).unwrap();
        let [boost_db, over_db] = [&[][..], &known].map(|known| boost_db(&result, &notch, known));
        if boost_db.min(over_db) > 0.5 || !is_named(&result, notch.hz, 0.125) {
            wrong.push(format!(
                "{case}: {boost_db:.2} dB, {over_db:.2} dB too much, at {notch:?} beside {known:?}: {:?}",
                (
                    &result.left_alone,
                    result.bands.iter().map(|b| b.band).collect::<Vec<_>>(),
                    result.offset_db
                )
            ));
        }
    }
    assert!(wrong.is_empty(), "{} of 200:\n{}", wrong.len(), wrong.join("\n"));
}

/// A moderate dip behind a delay of up to 5 ms, with 0.1 dB of noise and bands beside it.
fn with_phase(
    grid: &[f64],
    known: &[Band],
    zeros: impl Fn(f64) -> Complex64,
    random: &mut Random,
) -> Response {
    let delay_s = random.between(0.0, 0.005);
    let (mut magnitude_db, mut phase_deg) = (Vec::new(), Vec::new());
    for &hz in grid {
        let noise = Complex64::new(random.normal(), random.normal()) * (0.1 / 8.686);
        let mut value = zeros(hz) * (1.0 + noise) * Complex64::cis(-std::f64::consts::TAU * hz * delay_s);
        for band in known {
            let make = match band.kind {
                BandKind::Peak => Biquad::peak,
                BandKind::LowShelf => Biquad::low_shelf,
                BandKind::HighShelf => Biquad::high_shelf,
            };
            value *= make(RATE, band.frequency_hz, band.gain_db, band.q).unwrap().response(hz);
        }
        magnitude_db.push(20.0 * value.norm().log10());
        phase_deg.push(value.arg().to_degrees());
    }
    Response { phase_deg: Some(phase_deg), ..Response::new(grid.to_vec(), magnitude_db).unwrap() }
}

/// Source: analytic; zeros outside the unit circle turn the phase once more than the magnitude
/// explains, those inside by nothing.
#[test]
fn a_dip_tells_by_its_phase_at_any_frequency() {
    let (target, options, processors) = (Target::flat(), FitOptions::default(), processors());
    let mut random = Random::new(33);
    let (mut missed, mut mistaken) = (Vec::new(), Vec::new());
    for case in 0..200 {
        let (grid, known) = surroundings(case, &mut random);
        let hz = random.between(60f64.ln(), 8_000f64.ln()).exp();
        let (depth_db, width) = (random.between(4.0, 7.0), random.between(0.3, 0.7));
        for late in [true, false] {
            let response = with_phase(&grid, &known, |f| dip(f, hz, depth_db, width, late), &mut random);
            let result = fit_one(&response, &target, &processors[case % 2], &options);
            let named = is_named(&result, hz, 0.5 * width);
            let text = format!("{case}: {depth_db:.1} dB, {width:.2} octaves, {hz:.0} Hz beside {known:?}");
            if late && !named {
                missed.push(text);
            } else if !late && !result.left_alone.is_empty() {
                mistaken.push(format!("{text}: {:?}", result.left_alone));
            }
        }
    }
    at_most(&format!("missed:\n{}\n", missed.join("\n")), missed.len() as f64, 20.0);
    assert!(mistaken.is_empty(), "{} of 200:\n{}", mistaken.len(), mistaken.join("\n"));
}

/// Source: Linkwitz 1976 for the crossovers. Beyond them there is nothing to fit, whether the
/// measurement goes on falling or ends in a floor; the fault inside is found.
#[test]
fn beyond_the_crossovers_of_a_driver_nothing_is_fitted() {
    let mut random = Random::new(34);
    let filter = |frequency_hz| crate::CarFilter {
        family: crate::CrossoverFamily::LinkwitzRiley,
        slope_db_per_octave: 24,
        frequency_hz,
    };
    for (corner_hz, is_high, fault_hz) in
        [(3_000.0, true, 7_500.0), (250.0, false, 100.0), (80.0, false, 32.0)]
    {
        let design = if is_high { high_pass } else { low_pass };
        let crossover = design(RATE, Family::LinkwitzRiley, 4, corner_hz).unwrap();
        let (high, low) = if is_high { (Some(corner_hz), None) } else { (None, Some(corner_hz)) };
        let target = Target::flat().for_driver(high.map(filter), low.map(filter), RATE).unwrap();
        for (from_hz, floor_db) in [(20.0, -200.0), (20.0, -50.0), (20.0, -35.0), (400.0, -200.0)] {
            if !is_high && from_hz > 20.0 {
                continue;
            }
            let grid = log_axis::grid(from_hz, 20_000.0, 96.0);
            let played = |hz| {
                let power = 10f64.powf(crossover.magnitude_db(hz) / 10.0) + 10f64.powf(floor_db / 10.0);
                10.0 * power.log10()
            };
            let fault = [Band::peak(fault_hz, 5.0, 2.0)];
            let response = noisy(&grid, &fault, played, &mut random);
            let result = fit_one(&response, &target, &free(), &FitOptions::default());
            let case = format!("{corner_hz} Hz, from {from_hz} Hz, floor {floor_db} dB: {:?}", result.bands);
            at_most(&format!("{case}: error"), result.after.rms_db, 0.2);
            let end_hz = if is_high { result.range_hz.0 } else { result.range_hz.1 };
            at_most(&format!("{case}: ends at {end_hz} Hz"), (end_hz / corner_hz).log2().abs(), 1.0);
            assert!(result.findings.iter().any(|f| f.code == "range-narrowed"), "{case}");
            let bands: Vec<Band> = result.bands.iter().map(|b| b.band).collect();
            at_most(&case, bands_db(&bands, &grid, RATE).into_iter().fold(0.0, f64::max), 0.6);
            at_most(
                &case,
                (bands_db(&bands, &[fault_hz], RATE)[0] - bands_db(&bands, &[corner_hz], RATE)[0] + 5.0)
                    .abs(),
                0.8,
            );
        }
    }
}

/// Curves as no car makes them, with notches at their very ends: there are bands, or a reason
/// why not, and the sum of all stays within what is allowed.
#[test]
fn curves_of_any_shape_are_fitted_or_refused() {
    let mut random = Random::new(91);
    for case in 0..150 {
        let low_hz = random.between(15f64.ln(), 500f64.ln()).exp();
        let high_hz = low_hz * random.between(1.0, 9.5).exp2();
        let density = [12.0, 24.0, 48.0, 96.0][case % 4];
        let hz: Vec<f64> = log_axis::grid(low_hz, high_hz.min(23_000.0), density);
        let (tilt, deep) = (random.between(-12.0, 12.0), random.between(10.0, 40.0));
        let (at, width) = (hz[(random.unit() * hz.len() as f64) as usize], random.between(0.02, 0.5));
        let mut walk = 0.0;
        let ragged = case % 3 == 0;
        let db: Vec<f64> = hz
            .iter()
            .map(|hz| {
                walk += if ragged { 2.0 * random.normal() } else { 0.0 };
                walk + tilt * (hz / 1_000.0).log2() - deep * (-((hz / at).log2() / width).powi(2)).exp()
            })
            .collect();
        let response = Response::new(hz, db).unwrap();
        let profile = free();
        let options = FitOptions { max_bands: Some(6), ..FitOptions::default() };
        let target = Target::flat();
        let responses = [response];
        let input = FitInput { responses: &responses, target: &target, profile: &profile, options: &options };
        match fit(&input) {
            Ok(result) => {
                assert!(result.after.rms_db.is_finite() && result.bands.len() <= 6, "{case}: {result:?}");
                at_most("boost", result.headroom_cost_db, profile.max_boost_db + 0.1);
            }
            Err(error) => {
                let has_a_reason = matches!(error, FitError::Range { .. } | FitError::NothingCertain { .. });
                assert!(has_a_reason, "{case}: {error}");
            }
        }
    }
}
