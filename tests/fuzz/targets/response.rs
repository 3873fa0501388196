//! Responses: ascending, finite, of one length.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tuning::Response;

fuzz_target!(|text: &str| {
    if let Ok(response) = Response::parse(text, "x") {
        assert!(response.frequency_hz.windows(2).all(|pair| pair[0] < pair[1]));
        assert_eq!(response.frequency_hz.len(), response.magnitude_db.len());
        assert!(response.magnitude_db.iter().all(|db| db.abs() <= 1_000.0));
    }
});
