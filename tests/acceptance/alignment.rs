//! Two drivers aligned, and delays from distances, on drivers whose places and wiring are known.

use std::f64::consts::PI;
use std::fmt::Write as _;

use testkit::{at_most, near};

use crate::material::{RATE_HZ, write_wav};
use crate::program::Desk;

/// A driver with a Linkwitz-Riley edge of fourth order that arrives late and is perhaps wired
/// backwards.
///
/// Source: Linkwitz 1976, with `s = jf/fc` and `D = 1 + sqrt(2) s + s^2`: low side `1/D^2`, high side
/// `s^4/D^2`; the two are in phase everywhere and add up flat.
fn driver_csv(high: bool, corner_hz: f64, late_ms: f64, backwards: bool) -> String {
    let mut text = "frequency_hz,magnitude_db,phase_deg\n".to_owned();
    for index in 0..=957 {
        let hz = 20.0 * (f64::from(index) / 96.0).exp2();
        let ratio = hz / corner_hz;
        let (re, im) = (1.0 - ratio * ratio, 2f64.sqrt() * ratio);
        let own = if high { ratio.powi(4) } else { 1.0 };
        let magnitude_db = 20.0 * (own / re.hypot(im).powi(2)).log10();
        let phase = -2.0 * im.atan2(re) - 2.0 * PI * hz * late_ms / 1e3 + if backwards { PI } else { 0.0 };
        writeln!(text, "{hz},{magnitude_db},{}", phase.to_degrees()).unwrap();
    }
    text
}

/// Source: arithmetic; 1.5 ms against 0.6 ms, and one of the two wired backwards.
#[test]
fn two_drivers_get_the_delay_and_polarity_that_they_lack() {
    let desk = Desk::new();
    desk.write("lower.csv", driver_csv(false, 2_000.0, 1.5, false));
    desk.write("upper.csv", driver_csv(true, 2_000.0, 0.6, true));
    let answer = desk.run("align lower.csv upper.csv --crossover 2000 --json").done().json();
    let number = |name: &str, side: &str| answer[name][side].as_f64().expect("a number");
    near("delay of the upper in ms", 1e3 * number("delay_s", "upper"), 0.9, 0.0101);
    near("delay of the lower", number("delay_s", "lower"), 0.0, 1e-12);
    near("gain", number("gain_db", "lower") + number("gain_db", "upper"), 0.0, 0.11);
    assert_eq!((&answer["invert"]["lower"], &answer["invert"]["upper"]), (&false.into(), &true.into()));
    let worst = answer["sum"]["worst_db"].as_f64().unwrap();
    near("what the two lose", worst, 0.0, 0.05);
    at_most("before", answer["sum"]["before_worst_db"].as_f64().unwrap(), worst - 3.0);
    let coarse =
        desk.run("align lower.csv upper.csv --crossover 2000 --processor graphic-31 --json").done().json();
    near("on a grid of 0.1 ms", 1e3 * coarse["delay_s"]["upper"].as_f64().unwrap(), 0.9, 1e-9);
    desk.run("align lower.csv upper.csv --crossover 2000").done().says(&["inverted"]);
}

/// Two drivers, each recorded by itself with what was played on the second channel: their responses
/// keep how long each sound was on its way.
#[test]
fn recordings_with_a_reference_channel_can_be_aligned() {
    let desk = Desk::new();
    desk.run("tracks stick --bits 24").done();
    let played = recording::read(desk.path().join("stick/sweep-mid.wav")).unwrap().channels[0].clone();
    for (name, begins, late) in [("near", 30_000, 48), ("far", 7_000, 120)] {
        let silence = |frames: usize| std::iter::repeat_n(0.0f32, frames);
        let heard: Vec<f32> = silence(begins + late).chain(played.iter().map(|x| 0.5 * x)).collect();
        let length = heard.len();
        let reference: Vec<f32> =
            silence(begins).chain(played.iter().copied()).chain(silence(late)).take(length).collect();
        write_wav(&desk.path().join(format!("{name}.wav")), RATE_HZ, &[heard, reference]);
        let line = format!(
            "analyze sweep {name}.wav --track sweep-mid --reference-channel 2 --csv {name}.csv --json"
        );
        desk.run(&line).done();
    }
    let answer = desk.run("align far.csv near.csv --crossover 1000 --json").done().json();
    near("delay in ms", 1e3 * answer["delay_s"]["upper"].as_f64().unwrap(), 1.5, 0.0101);
}

#[test]
fn what_cannot_be_aligned_is_refused() {
    let desk = Desk::new();
    desk.write("lower.csv", driver_csv(false, 2_000.0, 1.5, false));
    desk.write("plain.csv", "frequency_hz,magnitude_db\n20,0\n20000,0\n");
    desk.run("align lower.csv plain.csv --crossover 2000").refused(&["phase"]);
    desk.run("align lower.csv nowhere.csv").refused(&["nowhere.csv"]);
    desk.run("align lower.csv lower.csv --crossover 2000 --processor tone-control-3").refused(&["no delays"]);
    desk.run("timing").refused(&["NAME=RESPONSE"]);
    desk.run("timing sub").refused(&["NAME=RESPONSE"]);
    desk.run("timing --distance sub=far").refused(&["sub=far"]);
    desk.run("timing a=lower.csv b=lower.csv --distance c=1").refused(&["`c`"]);
    desk.run("timing --distance lt=1 --distance lt=2").refused(&["--distance", "`lt`", "twice"]);
    desk.run("timing --arrival lt=1 --arrival rt=2 --arrival lt=1").refused(&["--arrival", "`lt`", "twice"]);
}

/// Source: arithmetic, `(d_max − d)/c` at 343.2 m/s (ISO 9613-1, 20 °C); the rule is common
/// practice, no source. Samples at 48 kHz, centimetres, inches of 2.54 cm.
#[test]
fn distances_give_delays_in_every_unit() {
    let desk = Desk::new();
    let names = ["a", "b", "c", "d", "e", "f", "g"];
    let distances = [0.95, 1.02, 1.20, 1.45, 1.48, 1.62, 2.10];
    let wanted_ms = [3.3508, 3.1469, 2.6224, 1.8939, 1.8065, 1.3986, 0.0];
    let mut arguments = vec!["timing".to_owned(), "--json".to_owned()];
    for (name, distance) in names.iter().zip(distances) {
        arguments.extend(["--distance".to_owned(), format!("{name}={distance}")]);
    }
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let answer = desk.run_with(&arguments).done().json();
    for (index, wanted_ms) in wanted_ms.into_iter().enumerate() {
        let driver = &answer["drivers"][index];
        assert_eq!(driver["driver"], names[index]);
        let unit = |name: &str| driver["delay"][name].as_f64().expect("a number");
        // The processor takes hundredths of a millisecond.
        near("ms", unit("ms"), wanted_ms, 0.0051);
        near("samples", unit("samples"), 48.0 * unit("ms"), 1e-6);
        near("cm", unit("cm"), 34.32 * unit("ms"), 1e-6);
        near("inches", unit("inches"), 34.32 / 2.54 * unit("ms"), 1e-6);
    }
}

/// Source: arithmetic; 7 m at 343.2 m/s are 20.396 ms, and the profile holds 10 ms.
#[test]
fn a_delay_that_the_processor_has_not_is_said() {
    let desk = Desk::new();
    let line = "timing --distance a=1 --distance b=8 --processor graphic-31";
    let answer = desk.run(&format!("{line} --json")).done().json();
    near("what it can hold, in ms", 1e3 * answer["drivers"][0]["delay_s"].as_f64().unwrap(), 10.0, 1e-9);
    assert_eq!(answer["findings"][0]["code"], "delay-too-long", "{answer}");
    desk.run(line).done().says(&["20.40 ms", "10.00 ms"]);
}
