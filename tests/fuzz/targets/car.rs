//! Descriptions of simulated cars.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let _ = cabin::Car::parse(text);
});
