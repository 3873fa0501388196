//! Averages, comparisons and the fit, on responses whose answer is known.

use serde_json::Value;
use testkit::{at_most, near};

use crate::material::{response_csv, rows};
use crate::program::{Desk, Outcome};

/// A bell in decibels over log frequency, near enough to a peak for a fit to
/// have work, and not of its family.
fn bell(frequency_hz: f64, centre_hz: f64, gain_db: f64, octaves: f64) -> f64 {
    gain_db * (-((frequency_hz / centre_hz).log2() / octaves).powi(2)).exp()
}

/// Source: arithmetic, 10·log10((1 + 10^0.6)/2) = 3.962928 dB.
#[test]
fn the_average_is_that_of_powers_with_its_spread() {
    let desk = Desk::new();
    desk.write("a.csv", response_csv(|_| 0.0));
    desk.write("b.csv", response_csv(|_| 6.0));
    desk.run("average a.csv b.csv --out mean.csv").done();
    let csv = desk.read("mean.csv");
    let header = csv.lines().find(|line| !line.starts_with('#')).unwrap();
    assert!(header.starts_with("frequency_hz,magnitude_db") && header.contains("spread_db"), "{header}");
    for row in rows(&csv) {
        near("power average", row[1], 3.962_928, 1e-5);
    }
}

#[test]
fn a_difference_is_found_where_it_is() {
    let desk = Desk::new();
    desk.write("a.csv", response_csv(|f| bell(f, 63.0, 9.0, 0.3)));
    desk.write("b.csv", response_csv(|_| 0.0));
    let answer = desk.run("compare a.csv b.csv --json").done().json();
    near("max_db", answer["max_db"].as_f64().unwrap().abs(), 9.0, 0.2);
    near("at_hz", answer["at_hz"].as_f64().unwrap(), 63.0, 2.0);
    let same = desk.run("compare b.csv b.csv --json --from 100 --to 1000").done().json();
    near("rms of the same", same["rms_db"].as_f64().unwrap(), 0.0, 1e-9);
    near("from_hz", same["from_hz"].as_f64().unwrap(), 100.0, 2.0);
    near("to_hz", same["to_hz"].as_f64().unwrap(), 1_000.0, 20.0);
}

fn bands(outcome: &Outcome) -> Vec<Value> {
    outcome.json()["bands"].as_array().expect("bands").clone()
}

#[test]
fn a_fit_brings_the_response_to_the_target_and_says_by_how_much() {
    let desk = Desk::new();
    desk.write(
        "room.csv",
        response_csv(|f| bell(f, 80.0, 8.0, 0.4) + bell(f, 1_000.0, -3.0, 0.7) + bell(f, 5_000.0, 4.0, 0.5)),
    );
    let outcome = desk.run("fit room.csv --target flat --json --out bands.csv").done();
    let answer = outcome.json();
    let before = answer["before"]["rms_db"].as_f64().unwrap();
    let after = answer["after"]["rms_db"].as_f64().unwrap();
    at_most("rms after the fit", after, before / 4.0);
    for band in bands(&outcome) {
        assert!(["peak", "low-shelf", "high-shelf"].contains(&band["type"].as_str().unwrap()), "{band}");
        for name in ["frequency_hz", "gain_db", "q"] {
            assert!(band[name].as_f64().is_some_and(f64::is_finite), "{band} lacks {name}");
        }
        at_most("a boost under the cap", band["gain_db"].as_f64().unwrap(), 6.0);
    }
    let csv = desk.read("bands.csv");
    assert!(csv.contains("channel,band,type,frequency_hz,gain_db,q"), "{csv}");
    let listed = csv.lines().filter(|line| !line.starts_with('#')).count() - 1;
    assert_eq!(listed, bands(&outcome).len());
}

#[test]
fn limits_given_on_the_command_line_are_kept() {
    let desk = Desk::new();
    desk.write("dips.csv", response_csv(|f| bell(f, 100.0, -9.0, 0.8) + bell(f, 2_000.0, -9.0, 0.8)));
    let outcome = desk.run("fit dips.csv --target flat --max-bands 1 --json").done();
    assert!(bands(&outcome).len() <= 1);
    let outcome = desk.run("fit dips.csv --target flat --max-boost 2 --json").done();
    for band in bands(&outcome) {
        at_most("boost", band["gain_db"].as_f64().unwrap(), 2.0);
    }
    let outcome = desk.run("fit dips.csv --target flat --from 1000 --to 4000 --json").done();
    for band in bands(&outcome) {
        let frequency = band["frequency_hz"].as_f64().unwrap();
        assert!((500.0..=8_000.0).contains(&frequency), "{band} lies far outside the range");
    }
}

#[test]
fn a_flat_response_needs_no_bands() {
    let desk = Desk::new();
    desk.write("flat.csv", response_csv(|_| -3.0));
    let outcome = desk.run("fit flat.csv --target flat --json").done();
    assert_eq!(bands(&outcome), Vec::<Value>::new());
}

#[test]
fn a_deep_narrow_cancellation_is_left_alone_and_named() {
    let desk = Desk::new();
    desk.write("notch.csv", response_csv(|f| bell(f, 74.0, -20.0, 0.06)));
    let outcome = desk.run("fit notch.csv --target flat --json").done();
    for band in bands(&outcome) {
        at_most("boost at a cancellation", band["gain_db"].as_f64().unwrap(), 0.5);
    }
    let left_alone = outcome.json()["left_alone"].as_array().expect("left_alone").clone();
    assert!(
        left_alone.iter().any(|one| one["why"] == "cancellation"
            && one["frequency_hz"].as_f64().is_some_and(|f| (70.0..=78.0).contains(&f))),
        "{left_alone:?}"
    );
}

/// Source: an expert's rule; a driver that does not play is no reason to turn the others down.
#[test]
fn a_hole_is_left_alone_and_does_not_draw_everything_down() {
    let desk = Desk::new();
    desk.write(
        "hole.csv",
        response_csv(|f| if (60.0..250.0).contains(&f) { -25.0 } else { (3.0 * f.ln()).sin() }),
    );
    let outcome = desk.run("fit hole.csv --target flat --json").done();
    let answer = outcome.json();
    assert_eq!(answer["left_alone"][0]["why"], "out-of-reach", "{answer}");
    near("where the target was laid", answer["offset_db"].as_f64().unwrap(), 0.0, 3.0);
    at_most("headroom", answer["headroom_cost_db"].as_f64().unwrap(), 6.0);
}

#[test]
fn locked_bands_stay_and_the_rest_is_fitted_around_them() {
    let desk = Desk::new();
    desk.write("room.csv", response_csv(|f| bell(f, 80.0, 8.0, 0.4) + bell(f, 1_000.0, -3.0, 0.7)));
    desk.write("locked.csv", "channel,band,type,frequency_hz,gain_db,q\n,1,peak,80,-5,2\n");
    let outcome = desk.run("fit room.csv --lock locked.csv --json --out bands.csv").done();
    let locked = |band: &Value| band["frequency_hz"] == 80.0 && band["gain_db"] == -5.0 && band["q"] == 2.0;
    assert!(bands(&outcome).iter().any(locked), "{}", outcome.stdout);
    assert!(bands(&outcome).len() > 1, "{}", outcome.stdout);
    assert!(desk.read("bands.csv").contains(",peak,80,-5,2"));
    desk.write("off.csv", "channel,band,type,frequency_hz,gain_db,q\n,1,peak,80.5,-5,2\n");
    desk.run("fit room.csv --lock off.csv").refused(&["locked band 1", "80.5"]);
}

#[test]
fn a_pair_of_channels_shares_what_both_need() {
    let desk = Desk::new();
    desk.write("l.csv", response_csv(|f| bell(f, 90.0, 6.0, 0.5) + bell(f, 400.0, 5.0, 0.3)));
    desk.write("r.csv", response_csv(|f| bell(f, 90.0, 6.0, 0.5) + bell(f, 3_000.0, 5.0, 0.3)));
    let arguments = [
        "fit",
        "--channel",
        "front left=l.csv",
        "--channel",
        "front right=r.csv",
        "--json",
        "--out",
        "bands.csv",
    ];
    let answer = desk.run_with(&arguments).done().json();
    let channels = answer["channels"].as_array().expect("channels");
    assert_eq!(channels.len(), 2);
    for channel in channels {
        at_most("error", channel["after"]["rms_db"].as_f64().unwrap(), 0.5);
        assert!(!channel["shared_bands"].as_array().expect("shared_bands").is_empty(), "{channel}");
    }
    let csv = desk.read("bands.csv");
    assert!(csv.contains("front left,1,") && csv.contains("front right,1,"), "{csv}");
    desk.run_with(&["fit", "--channel", "left"]).refused(&["NAME=RESPONSE"]);
}

/// Source: Linkwitz 1976: −6.02 dB at the corner. A driver that already has its filter needs no band.
#[test]
fn a_driver_is_fitted_to_the_target_times_its_crossover() {
    let desk = Desk::new();
    let fourth = |ratio: f64| -20.0 * (1.0 + ratio.powi(4)).log10();
    desk.write("woofer.csv", response_csv(|f| (fourth(80.0 / f) + fourth(f / 2_500.0)).max(-70.0)));
    let outcome = desk.run("fit woofer.csv --high-pass 80 --low-pass 2500 --from 40 --to 5000 --json").done();
    at_most("bands", bands(&outcome).len() as f64, 1.0);
    at_most("error before", outcome.json()["before"]["rms_db"].as_f64().unwrap(), 0.2);
    desk.run("fit woofer.csv --high-pass 3000 --low-pass 100")
        .refused(&["high-pass at 3000 Hz", "low-pass at 100 Hz"]);
    desk.run("target show flat --high-pass 500 --low-pass 500").refused(&["nothing is left"]);
}

/// Source: Linkwitz 1976: a crossover of fourth order is 6.02 dB down at its corner.
#[test]
fn targets_are_listed_shown_written_and_kept() {
    let desk = Desk::new();
    desk.run("target list").done().says(&["flat", "car-medium"]);
    let shown = desk.run("target show flat --high-pass 2000 --points 1 --json").done().json();
    let at = |shown: &Value, hz: f64| {
        let column = |name: &str| -> Vec<f64> {
            shown[name].as_array().unwrap().iter().filter_map(Value::as_f64).collect()
        };
        let (frequency_hz, magnitude_db) = (column("frequency_hz"), column("magnitude_db"));
        let nearest =
            frequency_hz.iter().enumerate().min_by(|a, b| (a.1 - hz).abs().total_cmp(&(b.1 - hz).abs()));
        let (index, found_hz) = nearest.unwrap();
        (*found_hz, magnitude_db[index])
    };
    let (hz, db) = at(&shown, 2_000.0);
    let ratio = (hz / 2_000.0).powi(4);
    near("beside the corner", db, 20.0 * (ratio / (1.0 + ratio)).log10(), 0.05);

    desk.run("target export car-medium --points 24 --out points.csv").done();
    desk.run("target export car-medium --out shape.toml").done();
    assert!(desk.read("points.csv").starts_with("frequency_hz,magnitude_db"));
    desk.run("target import points.csv --name mine").done().says(&["--target mine"]);
    desk.run("target import points.csv --name mine").refused(&["mine", "already"]);
    desk.run("target list").done().says(&["mine", "your own"]);
    for name in ["mine", "shape.toml"] {
        let again = desk.run_with(&["target", "show", name, "--json"]).done().json();
        let original = desk.run("target show car-medium --json").done().json();
        for hz in [31.5, 100.0, 1_000.0, 8_000.0] {
            near(name, at(&again, hz).1, at(&original, hz).1, 0.02);
        }
    }
    desk.run("target show nowhere").refused(&["nowhere"]);
    desk.run("target show flat --points 0").refused(&["--points"]);
    desk.run("target import points.csv --name ../x").refused(&["../x"]);
}
