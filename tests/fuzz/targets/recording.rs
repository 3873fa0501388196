//! Sound files of every kind, and the repair of one that was cut off.
#![no_main]

use std::path::PathBuf;
use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;
use recording::Reader;

/// A file in memory, one for each process.
static FILE: LazyLock<PathBuf> =
    LazyLock::new(|| PathBuf::from(format!("/dev/shm/headrest-fuzz-{}.wav", std::process::id())));

fuzz_target!(|bytes: &[u8]| {
    std::fs::write(&*FILE, bytes).expect("a file in memory");
    let mut rows = Vec::new();
    if let Ok(mut reader) = Reader::open(&*FILE) {
        // A few bytes of a compressed file may stand for hours of silence.
        for _ in 0..64 {
            match reader.next_block(4_096, &mut rows) {
                Ok(0) | Err(_) => break,
                Ok(frames) => {
                    assert_eq!(rows.len(), reader.channels());
                    assert!(rows.iter().all(|row| row.len() == frames && row.iter().all(|x| x.is_finite())));
                }
            }
        }
    }
    if recording::repair(&*FILE).is_ok() {
        let again = recording::repair(&*FILE).expect("what is in order stays so");
        assert!(!again.mended);
    }
});
