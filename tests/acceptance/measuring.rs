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
