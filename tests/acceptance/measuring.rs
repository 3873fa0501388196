//! Measuring the simulated car from the command line.

use testkit::at_most;

use crate::program::{Desk, column, value};

#[test]
fn the_simulated_car_can_be_swept() {
    let desk = Desk::new();
    let reading = desk.run("measure sweep --simulated --json").done().reading();
    assert_eq!(reading.measurement, "sweep");
    let frequency = column(&reading, "response", "frequency_hz");
    assert!(frequency.len() > 100 && frequency.windows(2).all(|pair| pair[0] < pair[1]));
    at_most("the wanted signal-to-noise ratio", 20.0, value(&reading, "snr_db"));
}

#[test]
fn the_same_car_gives_the_same_reading() {
    let desk = Desk::new();
    let one = desk.run("measure spectrum --simulated --json").done();
    let two = desk.run("measure spectrum --simulated --json").done();
    assert_eq!(one.json(), two.json());
}

#[test]
fn nothing_to_measure_with_is_refused() {
    let desk = Desk::new();
    desk.run("measure sweep --rig missing.toml --json").refused(&["missing.toml"]);
    desk.run("measure sweap --simulated").refused(&["sweap", "sweep"]);
}

#[test]
fn a_persons_own_car_is_found_by_its_name_and_comes_first() {
    let desk = Desk::new();
    let own = desk.path().join("headrest/cars");
    std::fs::create_dir_all(&own).expect("the data folder");
    let wire = include_str!("../../presets/cars/straight-wire.toml");
    std::fs::write(own.join("own-wire.toml"), wire).expect("a car of one's own");
    std::fs::write(own.join("saloon-adapter.toml"), "nmae = 1").expect("a car with a mistake");
    desk.run("devices").done().says(&["straight-wire", "own-wire"]);
    desk.run("measure spectrum --simulated own-wire --json").done().reading();
    desk.run("measure spectrum --simulated saloon-adapter").refused(&["saloon-adapter.toml", "nmae"]);
}

/// One capture of both of the simulated car's inputs: the same samples, each input with its own numbers.
#[test]
fn several_inputs_at_once_make_a_capture_each() {
    let desk = Desk::new();
    let both = desk.run("measure level --simulated --input all --job car --json").done().json();
    let captures = both["captures"].as_array().expect("captures");
    let inputs: Vec<&str> = captures.iter().filter_map(|one| one["input"].as_str()).collect();
    assert_eq!(inputs, ["microphone", "tap"]);
    let values = |index: usize, name: &str| captures[index]["reading"]["values"][name].is_number();
    assert!(values(0, "leq_a_db") && !values(0, "rms_v"), "{both}");
    assert!(values(1, "rms_v") && !values(1, "leq_a_db"), "{both}");
    let read = |name: &str| recording::read(desk.path().join(name)).expect("a recording");
    let (first, second) = (read("car/captures/0001/audio.wav"), read("car/captures/0002/audio.wav"));
    assert_eq!(first.channels, second.channels);
    let alone = desk.run("measure level --simulated --input tap --json").done().reading();
    assert_eq!(alone.values["rms_v"], captures[1]["reading"]["values"]["rms_v"].as_f64().expect("volts"));
    desk.run("measure level --simulated --input roof").refused(&["roof", "microphone, tap"]);
    desk.run("job check car").done();
}
