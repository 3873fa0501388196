//! The three files of a job: parted by lines of `---`.
#![no_main]

use std::fs;
use std::path::PathBuf;
use std::sync::LazyLock;

use job::{CaptureId, Job};
use libfuzzer_sys::fuzz_target;

/// A folder in memory, one for each process.
static JOB: LazyLock<PathBuf> =
    LazyLock::new(|| PathBuf::from(format!("/dev/shm/headrest-fuzz-job-{}", std::process::id())));

fuzz_target!(|text: &str| {
    let capture = JOB.join("captures/0001");
    fs::create_dir_all(&capture).expect("a folder in memory");
    let mut parts = text.split("\n---\n");
    for file in [JOB.join("job.json"), capture.join("capture.json"), capture.join("reading.json")] {
        match parts.next() {
            Some(part) => fs::write(file, part).expect("a file in memory"),
            None => drop(fs::remove_file(file)),
        }
    }
    if let Ok(job) = Job::open_to_read(&*JOB) {
        let _ = job.reading(CaptureId(1));
    }
    if job::check(&JOB).is_ok() {
        let again = job::check(&JOB).expect("it was checked before");
        assert!(again.lines.iter().all(|line| !line.repaired), "{:?}", again.lines);
    }
    // A check moves what was never recorded.
    let _ = fs::remove_dir_all(JOB.join("discarded"));
});
