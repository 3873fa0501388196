//! Targets, as TOML and as responses.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tuning::Target;

fuzz_target!(|text: &str| {
    if let Ok(target) = Target::parse(text, "x") {
        let response = target.response(20.0, 20_000.0, 3.0);
        assert!(response.magnitude_db.iter().all(|db| db.is_finite()));
    }
});
