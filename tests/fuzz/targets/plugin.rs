//! Plugins: any bytes end in a finding or in a plugin, within their time.
#![no_main]

use std::sync::LazyLock;
use std::time::{Duration, Instant};

use libfuzzer_sys::fuzz_target;
use sandbox::Sandbox;

static SANDBOX: LazyLock<Sandbox> = LazyLock::new(|| Sandbox::new().expect("this machine runs plugins"));

fuzz_target!(|bytes: &[u8]| {
    let begun = Instant::now();
    if let Ok(plugin) = SANDBOX.load(bytes, "x") {
        let _ = plugin.trial(&plugin.trial_start());
    }
    // Far more than it may take: the build for this is several times slower than a release.
    assert!(begun.elapsed() < Duration::from_secs(20));
});
