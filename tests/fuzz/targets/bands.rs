//! Band lists: what is read can be written and is read back as it was.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tuning::{MOST_BANDS, bands_csv, parse_bands_csv};

fuzz_target!(|text: &str| {
    if let Ok(bands) = parse_bands_csv(text, "x") {
        assert!(bands.len() <= MOST_BANDS);
        assert_eq!(parse_bands_csv(&bands_csv(&bands), "x"), Ok(bands));
    }
});
