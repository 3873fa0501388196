//! The example plugins of `crates/guest`: the copies that come with the program
//! measure what they say, and answer as their sources do.

use std::path::{Path, PathBuf};
use std::process::Command;

use host::{Plugin, Registry, Run, check_plugin};
use measure::{Block, ParameterValue, Reading, Start};
use testkit::near;

const RATE_HZ: f64 = 48_000.0;

fn guest() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../guest")
}

fn shipped(name: &str) -> Plugin {
    check_plugin(&guest().join(format!("plugins/{name}.wasm"))).unwrap()
}

/// What a plugin makes of samples that come in blocks of uneven length.
fn measured(plugin: &Plugin, channels: &[Vec<f32>], settings: &[(&str, f64)]) -> Reading {
    let mut start = Start { sample_rate_hz: RATE_HZ, channels: channels.len(), ..Start::default() };
    for (name, value) in settings {
        start.parameters.set(name, ParameterValue::Number(*value));
    }
    feed(Run::start(plugin.measurement(), &start), channels)
}

fn feed(mut run: Run, channels: &[Vec<f32>]) -> Reading {
    let (mut first, mut turn) = (0, 0);
    while first < channels[0].len() {
        let end = channels[0].len().min(first + [1_024, 7, 5_000, 480][turn % 4]);
        let block: Vec<&[f32]> = channels.iter().map(|channel| &channel[first..end]).collect();
        run.feed(&Block { first_frame: first as u64, channels: &block, gap: false });
        (first, turn) = (end, turn + 1);
    }
    run.finish()
}

/// White noise within ±0.25 (the multiplier is that of Knuth's MMIX).
fn noise(frames: usize) -> Vec<f32> {
    let mut state = 7_u64;
    (0..frames)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1_u32 << 24) as f32 * 0.5 - 0.25
        })
        .collect()
}

/// A whine that rises and falls once between two frequencies, over a little noise.
fn whine(low_hz: f64, high_hz: f64, seconds: f64) -> Vec<f32> {
    let mut phase = 0.0;
    noise((seconds * RATE_HZ) as usize)
        .iter()
        .enumerate()
        .map(|(i, noise)| {
            let turn = i as f64 / (seconds * RATE_HZ);
            let hz = low_hz + (high_hz - low_hz) * (0.5 - 0.5 * (std::f64::consts::TAU * turn).cos());
            phase += std::f64::consts::TAU * hz / RATE_HZ;
            (0.01 * phase.sin()) as f32 + 1e-3 * noise
        })
        .collect()
}

/// Source: the built-in `level`, whose own tests are against AES17 and IEC 61672.
#[test]
fn a_measurement_in_the_sandbox_agrees_with_the_built_in_one() {
    let level = Registry::built_in().measurement("level").unwrap();
    let start = Start { sample_rate_hz: RATE_HZ, channels: 1, ..Start::default() };
    let samples = vec![noise(30_000)];
    let native = feed(Run::start(level, &start), &samples);
    let sandboxed = measured(&shipped("loudness"), &samples, &[]);
    for name in ["rms_dbfs", "peak_dbfs", "crest_db"] {
        near(name, sandboxed.values[name], native.values[name], 1e-9);
    }
}

/// Source: analytic. The mean of two neighbouring samples has the magnitude
/// cos(π·f/fs); half of the level is 6.02 dB.
#[test]
fn the_match_of_left_and_right_is_what_was_done_to_them() {
    let left = noise(480_000);
    let half: Vec<f32> = left.iter().map(|x| x / 2.0).collect();
    let plugin = shipped("match");
    let same = measured(&plugin, &[left.clone(), half], &[]);
    near("balance", same.values["balance_db"], 20.0 * 2_f64.log10(), 1e-6);
    near("difference", same.values["rms_db"], 0.0, 1e-6);
    near("score", same.values["score_percent"], 100.0, 1e-6);

    let dull: Vec<f32> = (0..left.len()).map(|i| (left[i] + left[i.saturating_sub(1)]) / 2.0).collect();
    let differ = measured(&plugin, &[left, dull], &[("to", 16_000.0)]);
    let curve = &differ.curves["difference"];
    let balance = differ.values["balance_db"];
    for (&hz, &db) in curve["frequency_hz"].iter().zip(&curve["magnitude_db"]) {
        let expected = -20.0 * (std::f64::consts::PI * hz / RATE_HZ).cos().log10();
        // A third of an octave is wide: at 16 kHz the loss changes by 2.5 dB across it.
        near(&format!("at {hz:.0} Hz"), db + balance, expected, 0.02 + 0.06 * expected);
    }
    assert_eq!(differ.values["worst_hz"].round(), 15_849.0);
}

#[test]
fn a_plugin_that_cannot_measure_says_why() {
    let silent = measured(&shipped("match"), &[vec![0.0; 48_000], vec![0.0; 48_000]], &[]);
    assert_eq!(silent.stopped().unwrap().code, "nothing-to-compare");
    let refused =
        measured(&shipped("match"), &[vec![0.0; 10], vec![0.0; 10]], &[("from", 2_000.0), ("to", 1_000.0)]);
    assert_eq!(refused.stopped().unwrap().code, "no-range");
    let one = measured(&shipped("match"), &[vec![0.0; 10]], &[]);
    assert_eq!(one.stopped().unwrap().code, "too-few-channels");
}

/// Source: analytic, the whine as it was made.
#[test]
fn the_whine_is_followed_through_its_range() {
    let reading = measured(&shipped("whine"), &[whine(400.0, 1_600.0, 8.0)], &[("per_turn", 20.0)]);
    near("lowest", reading.values["lowest_hz"], 400.0, 12.0);
    near("highest", reading.values["highest_hz"], 1_600.0, 12.0);
    near("speed", reading.values["highest_rpm"], reading.values["highest_hz"] * 3.0, 1e-6);
    // 0.01 of full scale is -40 dBFS; a Hann window loses up to 1.42 dB between two
    // bins, and some more to a line that moves.
    near("level", reading.values["worst_dbfs"], -40.0, 1.0);
    assert_eq!(reading.labels["follows"], "yes");
    let steady = measured(&shipped("whine"), &[whine(1_000.0, 1_000.0, 3.0)], &[]);
    assert_eq!(steady.labels["follows"], "no");
    near("steady line", steady.values["worst_hz"], 1_000.0, 0.5);
    let quiet = measured(&shipped("whine"), &[noise(96_000)], &[]);
    assert_eq!(quiet.findings[0].code, "no-line");
}

/// The two plugins give the same readings.
fn answer_alike(shipped: &Plugin, built: &Plugin) {
    assert_eq!(shipped.manifest(), built.manifest());
    let left = whine(300.0, 900.0, 3.0);
    let right = noise(left.len());
    let [one, other] = [shipped, built].map(|plugin| measured(plugin, &[left.clone(), right.clone()], &[]));
    assert!(!one.values.is_empty());
    assert_eq!(one.values.keys().collect::<Vec<_>>(), other.values.keys().collect::<Vec<_>>());
    for (name, value) in &one.values {
        near(name, other.values[name], *value, 1e-7 * value.abs().max(1.0));
    }
    assert_eq!(one.findings, other.findings);
}

#[expect(clippy::print_stderr, reason = "a test that is skipped says so")]
fn skipped(why: &str) {
    eprintln!("SKIPPED: {why}");
}

fn there_is(program: &str, arguments: &[&str]) -> bool {
    Command::new(program).args(arguments).output().is_ok_and(|output| output.status.success())
}

#[test]
fn the_plugin_in_c_answers_as_its_source_does() {
    if !there_is("clang", &["--version"]) || !there_is("wasm-ld", &["--version"]) {
        skipped("clang or wasm-ld is missing, so the plugin in C was not built (`cargo xtask test system`)");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("whine.wasm");
    let output = Command::new("clang")
        .args(["--target=wasm32", "-O3", "-nostdlib", "-Wall", "-Wextra", "-Werror", "-Wl,--no-entry"])
        .arg(format!("-I{}", guest().join("include").display()))
        .arg("-o")
        .args([&file, &guest().join("examples/whine.c")])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    answer_alike(&shipped("whine"), &check_plugin(&file).unwrap());
}

/// The plugin in C that the page for authors shows, built by the command that stands below it.
///
/// Source: analytic, a peak of a half.
#[test]
fn the_plugin_in_c_of_the_page_for_authors_measures() {
    if !there_is("clang", &["--version"]) || !there_is("wasm-ld", &["--version"]) {
        skipped(
            "clang or wasm-ld is missing, so the page's plugin was not built (`cargo xtask test system`)",
        );
        return;
    }
    let page = std::fs::read_to_string(guest().join("../../docs/measurements.md")).unwrap();
    let (_, rest) = page.split_once("```c\n").expect("the plugin");
    let (source, rest) = rest.split_once("```").expect("its end");
    let command = rest.lines().find(|line| line.starts_with("clang ")).expect("the command");
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("peak.c"), source).unwrap();
    // The page is read in the folder of the sources.
    let include = format!("-I{}", guest().join("include").display());
    let words = command.split_whitespace().skip(1);
    let words = words.map(|word| if word == "-Icrates/guest/include" { include.as_str() } else { word });
    let output = Command::new("clang").args(words).current_dir(folder.path()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let plugin = check_plugin(&folder.path().join("peak.wasm")).unwrap();
    let reading = measured(&plugin, &[vec![0.25, -0.5, 0.125]], &[]);
    near("peak", reading.values["peak_dbfs"], -20.0 * 2_f64.log10(), 1e-9);
    assert_eq!(measured(&plugin, &[vec![0.0; 100]], &[]).stopped().unwrap().code, "no-signal");
}

#[test]
fn the_plugins_in_rust_answer_as_their_sources_do() {
    const TARGET: &str = "wasm32-unknown-unknown";
    let sysroot = Command::new("rustc").args(["--print", "sysroot"]).output().map(|output| output.stdout);
    let sysroot = PathBuf::from(String::from_utf8(sysroot.unwrap_or_default()).unwrap_or_default().trim());
    if !sysroot.join("lib/rustlib").join(TARGET).is_dir() {
        skipped("rustup's target wasm32-unknown-unknown is missing, so the plugins in Rust were not built");
        return;
    }
    // Without a network and beside whatever else cargo does at the moment.
    let built = Path::new(env!("CARGO_TARGET_TMPDIR")).join("plugins");
    let output = Command::new(env!("CARGO"))
        .args(["build", "--offline", "--package", "guest", "--examples", "--target", TARGET, "--target-dir"])
        .arg(&built)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    for name in ["loudness", "match"] {
        let file = built.join(TARGET).join(format!("debug/examples/{name}.wasm"));
        // The debug information of a development build is larger than a plugin may be.
        answer_alike(&shipped(name), &check_plugin(&file).unwrap());
    }
}
