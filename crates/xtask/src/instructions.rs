//! `cargo xtask instructions`: how many instructions the hot kernels take, against what they took.
//!
//! How many instructions a piece of work takes does not depend on what else the machine does, so that a loss of speed
//! shows here without a clock. They are counted by valgrind in the development build, whose numeric crates are
//! optimised. Valgrind shows the program a processor of its own, one with vectors of 256 bits, wherever the real one
//! has them too: so the count is the same on all of these, and the ways through 512 bits are counted nowhere.

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use crate::command::{self, cargo, on_path, output, program};
use crate::workspace::target_folder;

/// By how much a count may lie above its bar: common practice, no source. Another version of the compiler or of libc
/// moves it a little (how far was not measured); what a person would feel moves it by tens of percent.
const ALLOWED: f64 = 0.10;
/// How far a count may lie below its bar before somebody is asked to lower the bar.
const BETTER: f64 = 0.15;
/// glibc fills and copies large blocks by an instruction that repeats itself, which counts once a byte, from a size on that
/// depends on the processor. With these it never does.
const PLAIN_COPIES: &str = "glibc.cpu.x86_rep_stosb_threshold=1000000000:glibc.cpu.x86_rep_movsb_threshold=1000000000:\
     glibc.cpu.x86_non_temporal_threshold=1000000000";

/// What is counted: what runs on every capture, as far as valgrind does it in seconds.
const WORK: &[&str] = &[
    "transform",
    "smoothing",
    "third-octaves",
    "deconvolution",
    "correlation-single",
    "resampling",
    "minimum-phase",
    "sine-fit",
    "cascade",
    "sweep-short",
];

/// Where the bars stand.
const BARS: &str = "tests/loads/instructions.txt";
const HEAD: &str = "\
# Millions of instructions of one run, counted by valgrind in the development build on x86-64 with AVX2.
# Written by `cargo xtask instructions --accept`.
";

/// Counts and compares, or with `--accept` writes down what is counted.
///
/// # Errors
/// When a count lies too far above its bar, or cannot be made.
pub(crate) fn run(arguments: &[String]) -> Result<(), String> {
    match arguments {
        [] => compare(),
        [only] if only == "--accept" => accept(),
        other => Err(format!("`instructions` takes `--accept` or nothing, not `{}`", other.join(" "))),
    }
}

/// Counts and compares.
///
/// # Errors
/// As [`run`].
pub(crate) fn compare() -> Result<(), String> {
    if !can_be_counted() {
        println!("Instructions are counted on Linux, on a processor of x86-64 with AVX2: not here.");
        return Ok(());
    }
    let path = bars();
    let bars = fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
    build()?;
    let mut worse = Vec::new();
    for work in WORK {
        let bar = bar_of(&bars, work).ok_or_else(|| {
            format!("{BARS} has no bar for `{work}`; `cargo xtask instructions --accept` writes it")
        })?;
        let counted = count(work)?;
        let change = counted / bar - 1.0;
        let better = if change < -BETTER { ": better, the bar can be lowered" } else { "" };
        println!("{work:<20} {counted:>9.2} million, {:+.1} %{better}", 100.0 * change);
        if change > ALLOWED {
            worse.push(format!("`{work}` takes {:.1} % more", 100.0 * change));
        }
    }
    if worse.is_empty() {
        Ok(())
    } else {
        Err(format!(
            "{}. Find out why; if it has to be, `cargo xtask instructions --accept` makes it the new bar",
            worse.join("; ")
        ))
    }
}

/// Whether the bars hold on this machine.
fn can_be_counted() -> bool {
    #[cfg(all(target_os = "linux", target_arch = "x86_64"))]
    let can = is_x86_feature_detected!("avx2");
    #[cfg(not(all(target_os = "linux", target_arch = "x86_64")))]
    let can = false;
    can
}

fn accept() -> Result<(), String> {
    if !can_be_counted() {
        return Err(
            "the bars hold for Linux on a processor of x86-64 with AVX2, which this is not".to_owned()
        );
    }
    build()?;
    let mut text = String::from(HEAD);
    for work in WORK {
        let counted = count(work)?;
        println!("{work:<20} {counted:>9.2} million");
        let _ = writeln!(text, "{work} {counted:.2}");
    }
    fs::write(bars(), text).map_err(|error| format!("{}: {error}", bars().display()))
}

/// Builds the program that does the work.
fn build() -> Result<(), String> {
    if !on_path("valgrind") {
        return Err(
            "valgrind is not installed; `apt-get install valgrind` or `dnf install valgrind` brings it"
                .to_owned(),
        );
    }
    // With the store for the next build a crate is compiled in smaller parts, and counts differ by up to 15 %.
    command::run(cargo().args(["build", "--quiet", "--package", "loads"]).env("CARGO_INCREMENTAL", "0"))
}

/// Millions of instructions of one run of a piece of work, the second: what is planned once does not count.
fn count(work: &str) -> Result<f64, String> {
    let folder = target_folder()?;
    let file = folder.join("instructions.out");
    let mut valgrind = program("valgrind");
    valgrind.args(["--tool=callgrind", "--quiet", "--toggle-collect=*one_counted_run*"]);
    valgrind.arg(format!("--callgrind-out-file={}", file.display())).env("GLIBC_TUNABLES", PLAIN_COPIES);
    output(valgrind.arg(folder.join("debug/loads")).args([work, "1"]))?;
    let text = fs::read_to_string(&file).map_err(|error| format!("{}: {error}", file.display()))?;
    match total(&text) {
        Some(count) if count > 0.0 => Ok(1e-6 * count),
        _ => Err(format!("valgrind counted nothing of `{work}`: see {}", file.display())),
    }
}

/// The instructions that were counted, from what callgrind writes.
fn total(written: &str) -> Option<f64> {
    let line = written.lines().find_map(|line| line.strip_prefix("totals:"))?;
    line.split_whitespace().next()?.parse().ok()
}

/// The bar of a piece of work.
fn bar_of(bars: &str, work: &str) -> Option<f64> {
    bars.lines().find_map(|line| {
        let (name, count) = line.split_once(' ')?;
        (name == work).then(|| count.trim().parse().ok()).flatten()
    })
}

fn bars() -> PathBuf {
    command::root().join(BARS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn totals_and_bars_are_read() {
        assert_eq!(total("version: 1\nevents: Ir\nfn=(1) x\n12 4\ntotals: 1234567\n"), Some(1_234_567.0));
        assert_eq!(total("version: 1\n"), None);
        let bars = "# words\nsmoothing 1.25\nsmoothing-more 7\n";
        assert_eq!((bar_of(bars, "smoothing"), bar_of(bars, "more")), (Some(1.25), None));
    }

    #[test]
    fn every_piece_of_work_has_a_bar_and_every_bar_its_work() {
        let bars = fs::read_to_string(bars()).unwrap();
        for work in WORK {
            assert!(bar_of(&bars, work).is_some_and(|bar| bar > 0.0), "{work}");
        }
        let lines = bars.lines().filter(|line| !line.starts_with('#'));
        assert_eq!(lines.count(), WORK.len());
    }
}
