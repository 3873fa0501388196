//! Profiles of processors.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let _ = tuning::Profile::parse(text, "x");
});
