//! What was typed, checked from two captures; and what a processor means by Q.

use testkit::{at_most, near};

use crate::material::response_csv;
use crate::program::Desk;

/// A cookbook peak's gain: `10 lg((x + A²/Q²)/(x + 1/(A²Q²)))`, `x = (Ω − 1/Ω)²`, with `Ω` the ratio
/// of `tan(πf/fs)`.
///
/// Source: Audio EQ Cookbook, W3C Note 2021-06-08, the analog prototype of peakingEQ.
fn peak_db(hz: f64, (centre_hz, gain_db, q): (f64, f64, f64)) -> f64 {
    let warp = |hz: f64| (std::f64::consts::PI * hz.min(23_990.0) / 48_000.0).tan();
    let omega = warp(hz) / warp(centre_hz);
    let (x, a) = ((omega - 1.0 / omega).powi(2), 10f64.powf(gain_db / 40.0));
    10.0 * ((x + (a / q).powi(2)) / (x + (1.0 / (a * q)).powi(2))).log10()
}

const MEANT: [(f64, f64, f64); 4] =
    [(63.0, -5.0, 2.0), (160.0, -4.5, 3.2), (400.0, 3.0, 1.4), (1_250.0, -6.0, 2.0)];

fn room(hz: f64) -> f64 {
    4.0 * (2.0 * hz.ln()).sin() - 2.0 * (5.0 * hz.ln()).cos()
}

fn desk(entered: &[(f64, f64, f64)]) -> Desk {
    let desk = Desk::new();
    let mut list = "channel,band,type,frequency_hz,gain_db,q\n".to_owned();
    for (number, (hz, gain_db, q)) in (1..).zip(MEANT) {
        list.push_str(&format!(",{number},peak,{hz},{gain_db},{q}\n"));
    }
    desk.write("bands.csv", list);
    desk.write("before.csv", response_csv(room));
    // A ripple of 0.2 dB and another volume, as between any two captures.
    desk.write(
        "after.csv",
        response_csv(|hz| {
            let heard: f64 = entered.iter().map(|band| peak_db(hz, *band)).sum();
            room(hz) + heard + 0.7 + 0.2 * (97.0 * hz.ln()).sin()
        }),
    );
    desk
}

const AUDIT: &str = "audit --before before.csv --after after.csv --bands bands.csv";

#[test]
fn bands_that_are_as_meant_raise_no_alarm() {
    let answer = desk(&MEANT).run(&format!("{AUDIT} --json")).done().json();
    let bands = answer["bands"].as_array().expect("bands");
    assert_eq!(bands.len(), 4);
    for (index, band) in bands.iter().enumerate() {
        assert_eq!((&band["verdict"], &band["index"]), (&"as-meant".into(), &(index + 1).into()), "{band}");
        near("meant", band["meant"]["frequency_hz"].as_f64().unwrap(), MEANT[index].0, 1e-9);
    }
    at_most("unexplained", answer["residual_rms_db"].as_f64().unwrap(), 0.3);
}

#[test]
fn each_mistake_is_named_so_that_a_person_can_act_on_it() {
    let wrong = |index: usize, band: Option<(f64, f64, f64)>| {
        let mut entered = MEANT.to_vec();
        match band {
            Some(band) => entered[index] = band,
            None => {
                entered.remove(index);
            }
        }
        entered
    };
    for (index, band, verdict, text) in [
        (
            3,
            Some((125.0, -6.0, 2.0)),
            "wrong-frequency",
            "Band 4 sounds as if 125 Hz had been typed instead of 1250 Hz.",
        ),
        (
            1,
            Some((160.0, 4.5, 3.2)),
            "wrong-sign",
            "Band 2 sounds as if +4.5 dB had been typed instead of −4.5 dB.",
        ),
        (0, None, "missing", "Band 1 (63 Hz) cannot be heard: it sounds as if it had not been entered."),
    ] {
        let desk = desk(&wrong(index, band));
        let answer = desk.run(&format!("{AUDIT} --json")).not_measured().json();
        for (number, band) in answer["bands"].as_array().expect("bands").iter().enumerate() {
            let wanted = if number == index { verdict } else { "as-meant" };
            assert_eq!(band["verdict"], wanted, "{band}");
        }
        assert_eq!(answer["bands"][index]["text"], text);
        desk.run(AUDIT).not_measured().says(&[text]);
    }
}

#[test]
fn what_cannot_be_audited_is_refused() {
    let desk = desk(&MEANT);
    desk.write("high.csv", "frequency_hz,magnitude_db\n21000,0\n22000,0\n");
    desk.run("audit --before before.csv --after high.csv --bands bands.csv").refused(&["range in common"]);
    desk.run("audit --before before.csv --after after.csv --bands before.csv")
        .refused(&["before.csv", "header"]);
    desk.run("audit --before before.csv --after after.csv --bands gone.csv").refused(&["gone.csv"]);
}

/// Source: the definitions; −3 dB: the cookbook's Q is `Q/A` with `A = 10^(|gain|/40)`.
#[test]
fn a_processors_meaning_of_q_is_found() {
    let desk = Desk::new();
    desk.write("band.csv", "channel,band,type,frequency_hz,gain_db,q\n,1,peak,8000,-12,1.2\n");
    desk.write("flat.csv", response_csv(room));
    let classic = 1.2 / 10f64.powf(12.0 / 40.0);
    desk.write("with.csv", response_csv(|hz| room(hz) + peak_db(hz, (8_000.0, -12.0, classic)) + 0.5));
    let answer = desk.run("meaning-of-q flat.csv with.csv --bands band.csv --json").done().json();
    assert_eq!(answer["definition"], "minus-3db");
    desk.run("meaning-of-q flat.csv with.csv --bands band.csv")
        .done()
        .says(&["q_definition = \"minus-3db\""]);
    desk.write("shelf.csv", "channel,band,type,frequency_hz,gain_db,q\n,1,low-shelf,100,-12,0.7\n");
    desk.run("meaning-of-q flat.csv with.csv --bands shelf.csv").refused(&["peak"]);
}
