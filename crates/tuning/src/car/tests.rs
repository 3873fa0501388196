//! Tests on cars whose places and wiring are known.

use std::f64::consts::PI;

use dsp::crossover::{Family, high_pass, low_pass};
use num_complex::Complex64;
use testkit::{at_most, near};

use super::*;
use crate::{CrossoverFamily, Profile, Response, log_axis};

const RATE: f64 = 48_000.0;

/// A driver by what is heard of it at each frequency.
pub(super) fn heard(name: &str, frequency_hz: Vec<f64>, values: &[Complex64]) -> CarDriver {
    CarDriver {
        name: name.to_owned(),
        role: None,
        feed: None,
        response: Response {
            magnitude_db: values.iter().map(|v| 20.0 * v.norm().log10()).collect(),
            phase_deg: Some(values.iter().map(|v| v.arg().to_degrees()).collect()),
            coherence: None,
            spread_db: None,
            frequency_hz,
        },
        distance_m: None,
        arrival_s: None,
    }
}

/// A driver with Linkwitz-Riley edges of fourth order, so far away, perhaps wired backwards.
fn driver(
    name: &str,
    (from_hz, to_hz): (Option<f64>, Option<f64>),
    distance_m: f64,
    backwards: bool,
) -> CarDriver {
    let frequency_hz = log_axis::grid(20.0, 20_000.0, 96.0);
    let late_s = distance_m / 343.2;
    let filters: Vec<_> = from_hz
        .map(|hz| high_pass(RATE, Family::LinkwitzRiley, 4, hz).unwrap())
        .into_iter()
        .chain(to_hz.map(|hz| low_pass(RATE, Family::LinkwitzRiley, 4, hz).unwrap()))
        .collect();
    let values: Vec<Complex64> = frequency_hz
        .iter()
        .map(|&hz| {
            let filtered: Complex64 = filters.iter().map(|filter| filter.response(hz)).product();
            filtered * Complex64::from_polar(if backwards { -1.0 } else { 1.0 }, -2.0 * PI * hz * late_s)
        })
        .collect();
    CarDriver { distance_m: Some(distance_m), ..heard(name, frequency_hz, &values) }
}

fn three_way(backwards: &[&str]) -> Vec<CarDriver> {
    let edges = |kind: &str| match kind {
        "tweeter" => (Some(2_500.0), None),
        "woofer" => (Some(80.0), Some(2_500.0)),
        _ => (None, Some(80.0)),
    };
    [
        ("left tweeter", 0.95),
        ("right tweeter", 1.45),
        ("left woofer", 1.20),
        ("right woofer", 1.62),
        ("sub", 2.10),
    ]
    .into_iter()
    .map(|(name, distance_m)| {
        let kind = name.rsplit(' ').next().unwrap_or(name);
        driver(name, edges(kind), distance_m, backwards.contains(&name))
    })
    .collect()
}

fn aligned(drivers: &[CarDriver], crossovers_hz: &[f64], filtered: bool) -> CarAlignment {
    let profile = Profile::preset("parametric-free").unwrap();
    align_car(&CarInput { drivers, profile: &profile, crossovers_hz, filtered, temperature_c: 20.0 }).unwrap()
}

/// Source: arithmetic, `(d_max − d)/c` at 343.2 m/s; Linkwitz-Riley sides add up flat.
#[test]
fn a_car_of_known_places_is_put_right() {
    let car = aligned(&three_way(&[]), &[80.0, 2_500.0], true);
    let first_s = car.drivers[0].delay_s;
    for (setting, wanted_ms) in car.drivers.iter().zip([3.3508, 1.8939, 2.6224, 1.3986, 0.0]) {
        // The woofers' own low-pass delays them by 0.18 ms (2·√2/(2π·2500 Hz)) in the bass, so
        // that the subwoofer has to wait.
        let wanted_ms = wanted_ms - 3.3508 + if setting.driver == "sub" { 0.18 } else { 0.0 };
        near(
            &format!("delay of {} in ms", setting.driver),
            1e3 * (setting.delay_s - first_s),
            wanted_ms,
            0.0151,
        );
        // One subwoofer stands against two woofers that add up.
        let wanted_db = if setting.driver == "sub" { 0.0 } else { -6.0 };
        near("gain", setting.gain_db, wanted_db, 0.11);
        assert!(!setting.invert, "{}", setting.driver);
        near("in samples", setting.delay.samples, setting.delay_s * RATE, 1e-9);
    }
    assert_eq!(car.sums.iter().map(|sum| sum.heard.as_str()).collect::<Vec<_>>(), ["left", "right", "all"]);
    for sum in &car.sums {
        at_most(&format!("loss of {}", sum.heard), -sum.worst_db, 0.3);
        at_most("the loss before is worse", sum.before_worst_db, sum.worst_db - 1.0);
    }
    assert_eq!(car.crossovers.len(), 3, "{:?}", car.crossovers);
}

#[test]
fn any_driver_that_is_wired_backwards_is_turned() {
    for backwards in [
        &["left tweeter"][..],
        &["right woofer"],
        &["sub"],
        &["left woofer", "left tweeter"],
        &["right tweeter", "sub"],
    ] {
        let car = aligned(&three_way(backwards), &[80.0, 2_500.0], true);
        let turned: Vec<&str> = car
            .drivers
            .iter()
            .filter(|setting| setting.invert)
            .map(|setting| setting.driver.as_str())
            .collect();
        let mut wanted = backwards.to_vec();
        wanted.sort_unstable();
        let mut got = turned.clone();
        got.sort_unstable();
        assert_eq!(got, wanted, "{:?}", car.crossovers);
        for sum in &car.sums {
            at_most(&format!("{backwards:?}: loss of {}", sum.heard), -sum.worst_db, 0.3);
        }
    }
}

/// Polarity of the two sides against each other must not depend on a subwoofer.
#[test]
fn without_a_subwoofer_a_side_that_is_wired_backwards_is_turned() {
    for backwards in [
        &[][..],
        &["left tweeter", "left woofer"],
        &["right tweeter", "right woofer"],
        &["right woofer"],
        &["left tweeter", "right tweeter", "right woofer"],
    ] {
        let mut drivers = three_way(backwards);
        drivers.retain(|driver| driver.name != "sub");
        let car = aligned(&drivers, &[2_500.0], true);
        // As wired and turned, all have the same sign: which, no one hears.
        let signs: Vec<bool> = car
            .drivers
            .iter()
            .map(|setting| setting.invert ^ backwards.contains(&setting.driver.as_str()))
            .collect();
        assert!(signs.iter().all(|sign| *sign == signs[0]), "{backwards:?}: {:?}", car.drivers);
        // A whole side is named as such; of a pair of which one is backwards, that one.
        let said = |code: &str| car.findings.iter().any(|finding| finding.code == code);
        assert_eq!(said("sides-opposed"), backwards.len() == 2, "{backwards:?}: {:?}", car.findings);
        assert_eq!(said("wired-backwards"), backwards.len() % 2 == 1, "{backwards:?}: {:?}", car.findings);
        for sum in &car.sums {
            // Delays in steps of 0.01 ms leave 72° at 20 kHz between the sides: 20 lg cos 36°.
            let most_db = if sum.heard == "all" { 1.85 } else { 0.3 };
            at_most(&format!("{backwards:?}: loss of {}", sum.heard), -sum.worst_db, most_db);
        }
    }
}

#[test]
fn crossovers_lie_in_what_neighbours_share_and_their_filters_are_the_processors() {
    // Drivers that play more than they should: 30-300, 50-6000, 900-20000 Hz.
    let drivers = [
        driver("sub", (Some(20.0), Some(300.0)), 2.1, false),
        driver("woofer", (Some(50.0), Some(6_000.0)), 1.2, false),
        driver("tweeter", (Some(900.0), None), 1.0, false),
    ];
    let car = aligned(&drivers, &[], false);
    let at = |index: usize| car.crossovers[index].frequency_hz;
    assert!((70.0..200.0).contains(&at(0)), "{:?}", car.crossovers);
    assert!((1_500.0..4_000.0).contains(&at(1)), "{:?}", car.crossovers);
    let woofer = &car.drivers[1];
    assert_eq!(woofer.high_pass.unwrap().frequency_hz, at(0));
    assert_eq!(woofer.low_pass.unwrap().family, CrossoverFamily::LinkwitzRiley);
    assert_eq!(car.drivers[2].low_pass, None);
    assert_eq!(car.sums.len(), 1);
    at_most("loss", -car.sums[0].worst_db, 1.5);
}

#[test]
fn without_places_the_phase_tells_the_arrival() {
    let mut drivers = three_way(&[]);
    drivers.iter_mut().for_each(|driver| driver.distance_m = None);
    let car = aligned(&drivers, &[80.0, 2_500.0], true);
    assert!(car.findings.iter().any(|finding| finding.code == "arrivals-from-phase"));
    let delay = |name: &str| car.drivers.iter().find(|setting| setting.driver == name).unwrap().delay_s;
    // Left and right differ by their ways: 0.50 m between the tweeters.
    near("left against right", 1e3 * (delay("left tweeter") - delay("right tweeter")), 1.4569, 0.05);
    for sum in &car.sums {
        at_most(&format!("loss of {}", sum.heard), -sum.worst_db, 1.0);
    }
}

#[test]
fn what_is_no_car_is_refused() {
    let profile = Profile::preset("parametric-free").unwrap();
    let refused = |drivers: &[CarDriver], crossovers_hz: &[f64]| {
        let input =
            CarInput { drivers, profile: &profile, crossovers_hz, filtered: true, temperature_c: 20.0 };
        align_car(&input).unwrap_err().to_string()
    };
    let mut drivers = three_way(&[]);
    assert!(refused(&drivers[..1], &[]).contains("at least two"));
    assert!(refused(&drivers, &[80.0]).contains("meet at 2 places"));
    drivers[1].distance_m = None;
    assert!(refused(&drivers, &[]).contains("`right tweeter` has no distance"));
    drivers[2].response.phase_deg = None;
    assert!(refused(&drivers, &[]).contains("`left woofer` has no phase"));
    drivers[3].name = "sub".to_owned();
    assert!(refused(&drivers, &[]).contains("no phase") || refused(&drivers, &[]).contains("two drivers"));
}
