//! A third party's measurement through the whole application.

use std::cell::RefCell;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use engine::{CaptureRequest, Length, Pace, Play, Rig, RigSpec, SimulatedRig, StraightWire};
use job::{Job, Stage};
use measure::{Parameters, Reading, Start};

use super::*;
use crate::testing::Trial;
use crate::{Analysis, OpenJob, Plan, Store, Until, analyze, capture};

thread_local! {
    /// The plugin folder of the test that runs on this thread.
    static FOLDER: RefCell<Option<PathBuf>> = const { RefCell::new(None) };
}

pub(super) fn folder() -> Option<PathBuf> {
    FOLDER.with_borrow(Clone::clone)
}

fn look_in(folder: &Path) {
    FOLDER.set(Some(folder.to_path_buf()));
}

/// A plugin that counts frames. `feed` may do something before it counts.
fn counting(id: &str, feed: &str) -> Vec<u8> {
    let manifest = format!(r#"{{"id":"{id}","title":"T","version":3,"summary":"S."}}"#);
    let quoted: String = manifest.bytes().map(|byte| format!("\\{byte:02x}")).collect();
    let place = |at: usize, length: usize| (at << 32) | length;
    // The seven digits stand at 8211 to 8217; a leading one keeps them from beginning with 0.
    let told = r#"{\"values\":{\"count\":1000000}}"#;
    let (described, read) = (place(16, manifest.len()), place(8192, told.replace('\\', "").len()));
    let text = format!(
        r#"(module (memory (export "memory") 16)
        (data (i32.const 16) "{quoted}") (data (i32.const 8192) "{told}")
        (global $frames (mut i32) (i32.const 1000000)) (global $next (mut i32) (i32.const 65536))
        (func (export "abi_version") (result i32) (i32.const 1))
        (func (export "alloc") (param i32) (result i32)
          (global.get $next)
          (global.set $next (i32.and (i32.add (i32.add (global.get $next) (local.get 0)) (i32.const 7)) (i32.const -8))))
        (func (export "describe") (result i64) (i64.const {described}))
        (func (export "begin") (param i32 i32) (result i32) (i32.const 0))
        (func (export "feed") (param i32 i32 i32 i64 i32) (result i32) (local $i i32)
          {feed}
          (global.set $frames (i32.add (global.get $frames) (local.get 2)))
          (i32.const 0))
        (func $told (export "reading") (result i64) (local $i i32) (local $n i32)
          (local.set $i (i32.const 8217)) (local.set $n (global.get $frames))
          (loop $digit
            (i32.store8 (local.get $i) (i32.add (i32.const 48) (i32.rem_u (local.get $n) (i32.const 10))))
            (local.set $n (i32.div_u (local.get $n) (i32.const 10)))
            (local.set $i (i32.sub (local.get $i) (i32.const 1)))
            (br_if $digit (local.get $n)))
          (i64.const {read}))
        (func (export "finish") (result i64) (call $told)))"#
    );
    wat::parse_str(text).unwrap()
}

/// About 30 ms, more than a block of 1,024 frames lasts.
const SLOWLY: &str = "(local.set $i (i32.const 60000000)) \
    (loop $on (local.set $i (i32.sub (local.get $i) (i32.const 1))) (br_if $on (local.get $i)))";

const FOR_EVER: &str = "(loop $again (br $again))";

fn plan(id: &str, seconds: f64) -> Plan {
    let registry = Registry::built_in();
    let manifest = registry.manifest("level").unwrap();
    Plan {
        measurement: id.to_owned(),
        parameters: Parameters::default(),
        until: Until::Seconds(seconds),
        ..Plan::of(manifest, Stage::Tune, 0)
    }
}

fn taken(id: &str, seconds: f64, job: Option<&mut OpenJob>) -> Reading {
    let mut trial = Trial::car("");
    if let Some(job) = &job {
        trial.store = Store::Job(job.store().unwrap());
    }
    let captured = trial.run(|session| capture(session, &plan(id, seconds))).unwrap();
    if let Some(job) = job {
        trial.changes().for_each(|change| job.apply(change.clone()).unwrap());
    }
    captured[0].reading.clone()
}

#[test]
fn a_job_records_which_plugin_made_a_reading_and_keeps_it_without_the_plugin() {
    let folder = tempfile::tempdir().unwrap();
    look_in(folder.path());
    let file = folder.path().join("count.wasm");
    fs::write(&file, counting("shop.count", "")).unwrap();
    let hash = whole_registry().plugin("shop.count").unwrap().hash().to_owned();
    let dir = folder.path().join("job");
    let mut job = OpenJob::open_or_create(&dir).unwrap();
    let reading = taken("shop.count", 0.5, Some(&mut job));
    assert_eq!(reading.values["count"], 1_024_000.0);
    drop(job);

    fs::remove_file(&file).unwrap();
    let job = Job::open(&dir).unwrap();
    let capture = job.captures().first().unwrap();
    assert_eq!(capture.meta.plugin_hash.as_deref(), Some(hash.as_str()));
    assert_eq!((capture.meta.measurement.as_str(), capture.meta.measurement_version), ("shop.count", 3));
    assert_eq!(job.reading(capture.id).unwrap(), Some(reading));
    let recording = dir.join("captures/0001/audio.wav");
    drop(job);
    // To compute it again, the plugin is needed, and the message says where it is missed.
    let again = Analysis { id: "shop.count".to_owned(), recording, ..Analysis::default() };
    let message = analyze(&again).unwrap_err().to_string();
    assert!(message.contains(&folder.path().display().to_string()), "{message}");
}

#[test]
fn what_is_too_slow_gets_the_recording_afterwards() {
    let folder = tempfile::tempdir().unwrap();
    look_in(folder.path());
    fs::write(folder.path().join("slow.wasm"), counting("shop.slow", SLOWLY)).unwrap();
    let reading = taken("shop.slow", 0.25, None);
    assert_eq!(reading.findings.len(), 1, "{reading:?}");
    assert_eq!(reading.findings[0].code, "plugin-afterwards");
    // Every frame of the recording was seen.
    assert_eq!(reading.values["count"], 1_012_000.0);
}

#[test]
fn a_plugin_that_never_returns_ends_its_measurement_and_keeps_the_recording() {
    let folder = tempfile::tempdir().unwrap();
    look_in(folder.path());
    fs::write(folder.path().join("stuck.wasm"), counting("shop.stuck", FOR_EVER)).unwrap();
    let dir = folder.path().join("job");
    let mut job = OpenJob::open_or_create(&dir).unwrap();
    let reading = taken("shop.stuck", 0.5, Some(&mut job));
    assert_eq!(reading.stopped().unwrap().code, "plugin-time");
    assert!(recording::read(dir.join("captures/0001/audio.wav")).unwrap().frames() > 0);
}

/// Bar: audio goes on without a lost sample while plugins misbehave.
#[test]
fn sound_is_recorded_without_a_gap_while_plugins_misbehave() {
    let folder = tempfile::tempdir().unwrap();
    look_in(folder.path());
    let greedy = "(drop (memory.grow (i32.const 900))) (memory.fill (i32.const 0) (i32.const 1) (i32.const 50000000)) (unreachable)";
    for (name, feed) in [("loop", FOR_EVER), ("trap", "(unreachable)"), ("greedy", greedy)] {
        fs::write(folder.path().join(format!("{name}.wasm")), counting(&format!("bad.{name}"), feed))
            .unwrap();
    }
    let registry = whole_registry();
    let spec = RigSpec::system_default();
    let channels = spec.outputs.len().max(spec.inputs.len());
    let plant = Arc::new(Mutex::new(StraightWire { channels }));
    let mut rig = SimulatedRig::new(plant, spec, Pace::RealTime).unwrap();
    let tone: Vec<f32> = (0..96_000).map(|i| (i as f32 * 0.05).sin() * 0.5).collect();
    let mut capture = rig
        .capture(CaptureRequest {
            play: Play::Endless(vec![tone; channels]),
            length: Length::Seconds(2.0),
            record_to: Some(folder.path().join("sound.wav")),
            run: None,
        })
        .unwrap();
    let misbehaving = std::thread::Builder::new()
        .name("plugins".to_owned())
        .spawn(move || {
            let begun = Instant::now();
            let mut ended = Vec::new();
            while begun.elapsed() < Duration::from_millis(1_800) {
                for id in ["bad.trap", "bad.greedy", "bad.loop"] {
                    let start = Start { sample_rate_hz: 48_000.0, channels: 1, ..Start::default() };
                    let mut run = host::Run::start(registry.measurement(id).unwrap(), &start);
                    run.feed(&measure::Block { first_frame: 0, channels: &[&[0.5; 512]], gap: false });
                    ended.push(run.finish().stopped().unwrap().code.clone());
                }
            }
            ended
        })
        .unwrap();
    while !matches!(capture.next_within(Duration::from_millis(200)), engine::Next::Over) {}
    let ended = misbehaving.join().unwrap();
    let end = capture.finish();
    assert!(ended.iter().any(|code| code == "plugin-time") && ended.iter().any(|code| code == "plugin-trap"));
    assert!(end.findings.is_empty(), "{:?}", end.findings);
    assert_eq!(recording::read(folder.path().join("sound.wav")).unwrap().frames(), 96_000);
}

#[test]
fn a_check_tells_of_what_goes_wrong_in_the_dry_run() {
    let folder = tempfile::tempdir().unwrap();
    let good = folder.path().join("good.wasm");
    fs::write(&good, counting("shop.count", "")).unwrap();
    let check = check_plugin(&good).unwrap();
    assert!(!check.failed() && check.live && check.dry_run.len() == 5, "{check:?}");
    let text = check.to_string();
    assert!(text.contains("SHA-256") && text.contains("while it is recorded"), "{text}");

    let bad = folder.path().join("bad.wasm");
    fs::write(&bad, counting("shop.bad", "(unreachable)")).unwrap();
    let check = check_plugin(&bad).unwrap();
    assert!(check.failed());
    assert_eq!(check.findings()[0].code, "plugin-trap");

    let none = folder.path().join("none.wasm");
    assert!(check_plugin(&none).unwrap_err().to_string().contains("no such file"));
    fs::write(&none, "once upon a time").unwrap();
    assert!(check_plugin(&none).unwrap_err().to_string().contains("not a WebAssembly module"));
}
