//! Reading a car's description: what is refused, and how it is said.

use cabin::{Band, BandKind, Cabin, Car, Setup};
use proptest::prelude::*;

fn hatch() -> &'static str {
    Car::presets()[0].1
}

fn refusal(from: &str, to: &str) -> String {
    let text = hatch().replacen(from, to, 1);
    assert_ne!(text, hatch(), "`{from}` is not in the text");
    Car::parse(&text).unwrap_err().to_string()
}

#[test]
fn every_preset_is_read_and_runs_at_every_rate() {
    for (name, text) in Car::presets() {
        let car = Car::parse(text).unwrap_or_else(|error| panic!("{name}: {error}"));
        for rate in [8_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            let mut cabin = Cabin::new(&car, rate).unwrap();
            let mut output = vec![0.0; 2_000];
            cabin.process(&vec![0.1; 2_000], &mut output);
            assert!(output.iter().all(|x| x.is_finite()));
            assert!(output.iter().any(|&x| x != 0.0), "{name} at {rate}");
        }
        assert!(*name == "straight-wire" || car.position_names().count() >= 6);
        assert!(*name == "straight-wire" || car.drivers.len() >= 8);
    }
}

#[test]
fn an_unknown_key_is_named_with_the_nearest_and_its_line() {
    let line = hatch().lines().position(|line| line.starts_with("usual_step")).unwrap() + 1;
    let text = refusal("usual_step", "usual_steps");
    assert_eq!(text, format!("line {line}, column 1: unknown key `usual_steps`; did you mean `usual_step`?"));
    assert!(
        refusal("sensitivity_db = 81.0", "sensitivty_db = 81.0").contains("did you mean `sensitivity_db`?")
    );
    assert!(
        refusal("kind = \"hard\"", "kind = \"hart\"").contains("unknown word `hart`; did you mean `hard`?")
    );
    assert!(refusal("temperature_c", "colour").contains("unknown key `colour`; valid are `size_m`"));
}

#[test]
fn names_that_do_not_exist_are_refused_with_the_nearest() {
    let text = refusal("inputs = [\"front-left\"]", "inputs = [\"front-lefft\"]");
    assert_eq!(
        text,
        "driver `left-tweeter`: `inputs`: there is no radio output `front-lefft`; did you mean `front-left`?"
    );
    assert!(
        refusal("driver = \"left-woofer\"", "driver = \"left-wofer\"")
            .contains("did you mean `left-woofer`?")
    );
    assert!(Car::preset("compact").unwrap_err().to_string().contains("did you mean `compact-hatch`?"));
}

#[test]
fn numbers_out_of_range_are_refused_with_the_range() {
    assert!(refusal("usual_step = 20", "usual_step = 41").contains("this radio has steps 0 to 40"));
    assert!(refusal("-66.0, -61.0", "-61.0, -61.0").contains("every step must be louder"));
    assert!(
        refusal("frequency_hz = 1300.0, order = 2", "frequency_hz = 1300.0, order = 9")
            .contains("expected 1 to 8")
    );
    assert!(refusal("at_m = [0.36, 0.12, 0.78]", "at_m = [0.36, 0.12, 1.78]").contains("outside the cabin"));
    assert!(refusal("at_m = [0.36, 0.12, 0.78]", "at_m = [1.15, 0.42, 0.80]").contains("at least 0.2 m"));
    assert!(refusal("dbfs_at_94 = -28.0", "dbfs_at_94 = nan").contains("expected -120 to 40"));
}

#[test]
fn a_setup_that_does_not_fit_changes_nothing() {
    let car = Car::preset("compact-hatch").unwrap();
    let mut cabin = Cabin::new(&car, 48_000.0).unwrap();
    let before = cabin.setup().clone();
    let bands = vec![Band { kind: BandKind::Peak, frequency_hz: 100.0, gain_db: 1.0, q: 1.0 }; 32];
    let input = |name: &str| [(name.to_owned(), bands.clone())].into();
    for (setup, part) in [
        (Setup { volume_step: 99, ..before.clone() }, "steps 0 to 40"),
        (Setup { mic_position: "drivers".to_owned(), ..before.clone() }, "did you mean `driver`?"),
        (Setup { tap_output: "front".to_owned(), ..before.clone() }, "there is no radio output `front`"),
        (Setup { active: Some(vec!["left-tweter".to_owned()]), ..before.clone() }, "`left-tweeter`"),
        (Setup { bass_knob_db: f64::NAN, ..before.clone() }, "bass knob"),
        (Setup { engine_rpm: -1.0, ..before.clone() }, "engine's speed"),
        (Setup { processor_inputs: input("front"), ..before.clone() }, "there is no radio output `front`"),
        (
            Setup { processor_inputs: input("front-left"), ..before.clone() },
            "processor input `front-left`: 32",
        ),
    ] {
        let text = cabin.apply(&setup).unwrap_err().to_string();
        assert!(text.contains(part), "{text}");
        assert_eq!(*cabin.setup(), before);
    }
    assert!(Cabin::new(&car, 4_000.0).is_err() && Cabin::new(&car, f64::NAN).is_err());
}

#[test]
fn a_description_survives_being_written_and_read() {
    for (name, text) in Car::presets() {
        let car = Car::parse(text).unwrap();
        let again = Car::parse(&toml::to_string(&car).unwrap()).unwrap();
        assert_eq!(car, again, "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn damaged_text_is_refused_and_never_panics(
        at in 0usize..10_000,
        insert in "[ -~\n]{0,6}",
        remove in 0usize..12,
    ) {
        let mut text: Vec<char> = hatch().chars().collect();
        let at = at % text.len();
        let end = (at + remove).min(text.len());
        text.splice(at..end, insert.chars());
        let text: String = text.into_iter().collect();
        if let Ok(car) = Car::parse(&text) {
            // What is accepted must run.
            let mut cabin = Cabin::new(&car, 48_000.0).unwrap();
            let mut output = [0.0; 512];
            cabin.process(&[0.3; 512], &mut output);
            prop_assert!(output.iter().all(|x| x.is_finite()));
        }
    }

    #[test]
    fn any_text_at_all_is_answered(text in "\\PC{0,200}") {
        let _ = Car::parse(&text);
    }
}
