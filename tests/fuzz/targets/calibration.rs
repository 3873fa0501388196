//! Calibration files of microphones.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tuning::Calibration;

fuzz_target!(|text: &str| {
    // A file is never half understood: it is an error, or finite all over.
    let _ = Calibration::parse(text, "x");
});
