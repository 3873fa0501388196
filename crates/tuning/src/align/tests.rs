//! Pairs whose alignment is known in closed form.

use std::f64::consts::PI;

use dsp::biquad::Cascade;
use dsp::crossover::{Family, Side, design};
use num_complex::Complex64;
use proptest::prelude::*;
use testkit::{at_most, near};

use super::*;

const RATE: f64 = 192_000.0;

/// A driver: a crossover filter, later by `delay_s`, at `gain_db`, wired `sign`.
fn driver(filter: &Cascade, delay_s: f64, gain_db: f64, sign: f64) -> Response {
    let frequency_hz: Vec<f64> = (0..=960).map(|n| 20.0 * 2f64.powf(f64::from(n) / 96.0)).collect();
    let points: Vec<Complex64> = frequency_hz
        .iter()
        .map(|&hz| filter.response(hz) * Complex64::from_polar(1.0, -2.0 * PI * hz * delay_s) * sign)
        .collect();
    Response {
        magnitude_db: points.iter().map(|point| 20.0 * point.norm().log10() + gain_db).collect(),
        // Wrapped, as a measurement writes it.
        phase_deg: Some(points.iter().map(|point| point.arg().to_degrees()).collect()),
        coherence: None,
        spread_db: None,
        frequency_hz,
    }
}

fn filters(family: Family, order: usize, corner_hz: f64) -> (Cascade, Cascade) {
    let filter = |side| design(RATE, family, order, side, corner_hz).unwrap();
    (filter(Side::LowPass), filter(Side::HighPass))
}

/// Source: analytic; Linkwitz-Riley filters of order 4 are in phase at every
/// frequency, so that undoing the offset adds them up without loss.
#[test]
fn a_known_offset_is_undone() {
    for crossover_hz in [80.0, 320.0, 3_000.0] {
        let (low, high) = filters(Family::LinkwitzRiley, 4, crossover_hz);
        for (lower_s, upper_s) in [(0.001_3, 0.0), (0.0, 0.002_47), (0.003, 0.003), (0.004_2, 0.000_9)] {
            let (lower, upper) = (driver(&low, lower_s, 0.0, 1.0), driver(&high, upper_s, 0.0, 1.0));
            for given in [None, Some(crossover_hz)] {
                let input = AlignInput { crossover_hz: given, ..AlignInput::new(&lower, &upper) };
                let found = align(&input).unwrap();
                near("crossover in Hz", found.crossover_hz, crossover_hz, 0.001 * crossover_hz);
                near("delay of the upper driver", found.delay_s.upper, (lower_s - upper_s).max(0.0), 1e-9);
                near("delay of the lower driver", found.delay_s.lower, (upper_s - lower_s).max(0.0), 1e-9);
                assert_eq!(found.invert, Pair { lower: false, upper: false });
                assert_eq!(found.gain_db, Pair { lower: 0.0, upper: 0.0 });
                near("worst loss", found.sum.worst_db, 0.0, 0.001);
                assert_eq!(found.findings.is_empty(), given.is_some());
            }
        }
    }
}

/// Source: analytic; the loss against in-phase addition is
/// `20·lg|cos(φ/2)|` where both are equally loud, and both are at the corner.
#[test]
fn the_loss_before_is_that_of_the_phase_error() {
    let (low, high) = filters(Family::LinkwitzRiley, 4, 1_000.0);
    let (lower, upper) = (driver(&low, 0.0, 0.0, 1.0), driver(&high, 0.0, 0.0, -1.0));
    let found = align(&AlignInput::new(&lower, &upper)).unwrap();
    // Out of phase everywhere: complete cancellation at the corner, cut off at −60 dB.
    near("before", found.sum.before_worst_db, -60.0, 1e-9);
    assert_eq!(found.invert, Pair { lower: false, upper: true });
    assert_eq!(found.delay_s, Pair { lower: 0.0, upper: 0.0 });
    near("after", found.sum.worst_db, 0.0, 0.001);

    // A third of a period late at 1 kHz: 120°, 6.02 dB lost at the corner.
    let (lower, upper) = (driver(&low, 0.0, 0.0, 1.0), driver(&high, 0.0, 0.0, 1.0));
    let at_corner = Octave::new(Pair { lower: &lower, upper: &upper }, 1_000.0).unwrap().at_the_crossover();
    let loss = at_corner.loss(Pair { lower: 1.0, upper: 1.0 }, 1.0 / 3_000.0, false, Width::Point);
    near("120° apart", loss.worst_db, -6.0206, 1e-3);
}

/// Source: analytic; Butterworth filters of order 3 are 90° apart at every
/// frequency when aligned (270° apart, the same loss, with one inverted).
#[test]
fn a_third_order_pair_does_no_worse_than_its_quadrature() {
    let (low, high) = filters(Family::Butterworth, 3, 500.0);
    let (lower, upper) = (driver(&low, 0.000_8, 0.0, 1.0), driver(&high, 0.0, 0.0, 1.0));
    let found = align(&AlignInput::new(&lower, &upper)).unwrap();
    assert!(found.sum.worst_db >= -3.0103 - 1e-6, "worst {} dB", found.sum.worst_db);
}

/// Source: analytic; at any frequency Linkwitz-Riley filters of order 4 are in
/// phase and those of order 2 half a period apart.
#[test]
fn an_inverted_driver_and_a_louder_one_are_found_together() {
    let (low, high) = filters(Family::LinkwitzRiley, 4, 250.0);
    let (lower, upper) = (driver(&low, 0.0, -4.2, 1.0), driver(&high, 0.001_01, 3.1, -1.0));
    let input = AlignInput { crossover_hz: Some(250.0), ..AlignInput::new(&lower, &upper) };
    let found = align(&input).unwrap();
    near("cut of the upper driver", found.gain_db.upper, -7.3, 1e-9);
    near("gain of the lower driver", found.gain_db.lower, 0.0, 0.0);
    near("delay of the lower driver", found.delay_s.lower, 0.001_01, 1e-9);
    assert!(found.invert.upper && !found.invert.lower);

    let (low, high) = filters(Family::LinkwitzRiley, 2, 250.0);
    let (lower, upper) = (driver(&low, 0.0, 0.0, 1.0), driver(&high, 0.0, 0.0, 1.0));
    let found = align(&AlignInput::new(&lower, &upper)).unwrap();
    assert!(found.invert.upper);
    near("worst loss", found.sum.worst_db, 0.0, 0.001);
    near("delay", found.delay_s.upper + found.delay_s.lower, 0.0, 1e-12);
}

#[test]
fn delay_and_gain_stay_on_their_grids_and_inside_their_limits() {
    let (low, high) = filters(Family::LinkwitzRiley, 4, 120.0);
    let (lower, upper) = (driver(&low, 0.000_777, 0.0, 1.0), driver(&high, 0.0, 20.0, 1.0));
    let delay = DelayGrid { step_s: 1.0 / 48_000.0, max_s: 0.01 };
    let input =
        AlignInput { crossover_hz: Some(120.0), delay, gain_step_db: 0.5, ..AlignInput::new(&lower, &upper) };
    let found = align(&input).unwrap();
    near("whole samples", found.delay_s.upper * 48_000.0, 37.0, 1e-9);
    near("the largest cut", found.gain_db.upper, -12.0, 1e-12);
    assert!(found.findings.iter().any(|finding| finding.code == "gain-limited"));

    let short = DelayGrid { step_s: 1e-5, max_s: 0.0004 };
    let found = align(&AlignInput { delay: short, ..input }).unwrap();
    at_most("the longest delay", found.delay_s.upper + found.delay_s.lower, 0.0004 + 1e-12);
}

/// Source: analytic; Linkwitz-Riley filters of order 4 add up without loss once 1.3 ms are undone,
/// and no filter would mend what 0.3 ms of them leave.
#[test]
fn a_limit_that_is_in_the_way_is_named_and_not_the_filters() {
    let codes = |crossover_hz: f64, late_s: f64, max_s: f64| -> Vec<String> {
        let (low, high) = filters(Family::LinkwitzRiley, 4, crossover_hz);
        let (lower, upper) = (driver(&low, late_s, 0.0, 1.0), driver(&high, 0.0, 0.0, 1.0));
        let delay = DelayGrid { step_s: 1e-5, max_s };
        let input = AlignInput { crossover_hz: Some(crossover_hz), delay, ..AlignInput::new(&lower, &upper) };
        let found = align(&input).unwrap();
        at_most("the longest delay", found.delay_s.upper + found.delay_s.lower, max_s + 1e-12);
        found.findings.into_iter().map(|finding| finding.code).collect()
    };
    for crossover_hz in [120.0, 1_000.0, 3_000.0] {
        assert_eq!(codes(crossover_hz, 0.001_3, 0.000_3), ["delay-limited"], "at {crossover_hz} Hz");
        assert!(codes(crossover_hz, 0.001_3, 0.02).is_empty(), "at {crossover_hz} Hz");
        // What lies at the limit and needs no more is not limited by it.
        assert!(codes(crossover_hz, 0.000_3, 0.000_3).is_empty(), "at {crossover_hz} Hz");
    }
}

#[test]
fn what_is_missing_is_said() {
    let (low, high) = filters(Family::LinkwitzRiley, 4, 250.0);
    let (lower, upper) = (driver(&low, 0.0, 0.0, 1.0), driver(&high, 0.0, 0.0, 1.0));
    let silent = Response { phase_deg: None, ..upper.clone() };
    assert_eq!(align(&AlignInput::new(&lower, &silent)).unwrap_err(), AlignError::NoPhase("upper"));
    let message = align(&AlignInput { crossover_hz: Some(22.0), ..AlignInput::new(&lower, &upper) });
    assert!(message.unwrap_err().to_string().contains("16 to 31 Hz, was not measured"));
    assert_eq!(align(&AlignInput::new(&upper, &lower)).unwrap_err(), AlignError::NoCrossover);
    let backwards =
        AlignInput { delay: DelayGrid { step_s: 0.0, max_s: 0.01 }, ..AlignInput::new(&lower, &upper) };
    assert!(align(&backwards).unwrap_err().to_string().contains("delay step"));
}

#[test]
fn a_phase_that_runs_away_between_points_is_doubted() {
    let (low, high) = filters(Family::LinkwitzRiley, 4, 3_000.0);
    // 50 ms at 3 kHz turn by more than a circle from point to point.
    let (lower, upper) = (driver(&low, 0.05, 0.0, 1.0), driver(&high, 0.05, 0.0, 1.0));
    let found = align(&AlignInput::new(&lower, &upper)).unwrap();
    assert!(found.findings.iter().any(|finding| finding.code == "phase-coarse"), "{:?}", found.findings);
}

#[test]
fn json_has_the_shape_of_the_contract() {
    let (low, high) = filters(Family::LinkwitzRiley, 4, 250.0);
    let found =
        align(&AlignInput::new(&driver(&low, 0.001, 0.0, 1.0), &driver(&high, 0.0, 0.0, -1.0))).unwrap();
    let json = serde_json::to_value(&found).unwrap();
    assert_eq!(json["invert"], serde_json::json!({ "lower": false, "upper": true }));
    assert_eq!(json["gain_db"], serde_json::json!({ "lower": 0.0, "upper": 0.0 }));
    near("delay", json["delay_s"]["upper"].as_f64().unwrap(), 0.001, 1e-9);
    assert!(json["sum"]["worst_db"].is_number() && json["sum"]["before_worst_db"].is_number());
    assert!(json["findings"].is_array());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// With 0.3 dB and 2° of scatter the delay stays within a fiftieth of a
    /// period, and the polarity is right.
    #[test]
    fn noise_does_not_mislead(
        crossover_hz in 60.0f64..4_000.0,
        offset in -0.8f64..0.8,
        inverted in any::<bool>(),
        scatter in proptest::collection::vec((-0.3f64..0.3, -2.0f64..2.0), 1_922),
    ) {
        let (low, high) = filters(Family::LinkwitzRiley, 4, crossover_hz);
        let offset_s = offset / crossover_hz;
        let sign = if inverted { -1.0 } else { 1.0 };
        let mut lower = driver(&low, 0.0, 0.0, 1.0);
        let mut upper = driver(&high, offset_s, 0.0, sign);
        for (response, scatter) in [(&mut lower, &scatter[..961]), (&mut upper, &scatter[961..])] {
            for (index, (db, deg)) in scatter.iter().enumerate() {
                response.magnitude_db[index] += db;
                if let Some(phase) = &mut response.phase_deg {
                    phase[index] += deg;
                }
            }
        }
        let input = AlignInput { crossover_hz: Some(crossover_hz), ..AlignInput::new(&lower, &upper) };
        let found = align(&input).unwrap();
        let lower_later_s = found.delay_s.lower - found.delay_s.upper;
        prop_assert_eq!(found.invert.upper, inverted);
        prop_assert!((lower_later_s - offset_s).abs() <= 0.02 / crossover_hz + 5e-6, "{lower_later_s} for {offset_s}");
        prop_assert!(found.sum.worst_db > -0.2);
    }
}
