//! `cargo xtask test`: everything that must hold before a change lands.

use crate::command::{self, cargo, succeeds};
use crate::steps::Steps;
use crate::system::{self, For};
use crate::{conformance, instructions, reference, tidy};

type Action = fn() -> Result<(), String>;

/// The steps in the order in which they are taken: quick ones first.
const STEPS: &[(&str, &str, Action)] = &[
    ("system", "what the system must offer", || system::prepare(For::Testing)),
    ("format", "every file is formatted", || command::run(cargo().args(["fmt", "--all", "--check"]))),
    ("tidy", "the rules of the workspace", tidy::run),
    ("clippy", "no warning anywhere", clippy),
    ("tests", "all tests, those through a sound server and a display among them", tests),
    ("examples", "the examples in the documentation", || {
        command::run(cargo().args(["test", "--workspace", "--doc", "--quiet"]))
    }),
    ("docs", "the documentation, without warnings", documentation),
    ("reference", "our numbers against numpy's and scipy's", reference::compare),
    ("instructions", "no hot kernel takes more instructions than it did", instructions::compare),
];

/// Steps that are taken only when they are named: they take long, and try more of the same.
const ON_REQUEST: &[(&str, &str, Action)] =
    &[("full", "the batteries of random cases at full size (an hour of a processor or more)", full)];

/// Takes all steps, or those named.
///
/// # Errors
/// When a named step is unknown, or any step fails.
pub(crate) fn run(wanted: &[String]) -> Result<(), String> {
    let names: Vec<&str> = STEPS.iter().chain(ON_REQUEST).map(|(name, ..)| *name).collect();
    if let Some(unknown) = wanted.iter().find(|name| !names.contains(&name.as_str())) {
        return Err(format!("there is no step `{unknown}`; the steps are {}", names.join(", ")));
    }
    let mut steps = Steps::default();
    let usual = STEPS.iter().map(|step| (step, wanted.is_empty()));
    for ((name, what, action), by_itself) in usual.chain(ON_REQUEST.iter().map(|step| (step, false))) {
        if !by_itself && !wanted.iter().any(|one| one == name) {
            continue;
        }
        let went_well = steps.take(&format!("{name}: {what}"), action);
        if *name == "system" && !went_well {
            break;
        }
    }
    steps.finish()
}

fn clippy() -> Result<(), String> {
    command::run(cargo().args(["clippy", "--workspace", "--all-targets", "--quiet", "--", "-D", "warnings"]))
}

/// By nextest where it is installed (it runs each test in its own process and
/// stops one that hangs), else by cargo alone. What the tests noted must be what the page of checks says.
fn tests() -> Result<(), String> {
    let notes = conformance::empty_notes()?;
    let mut tests = cargo();
    if succeeds(cargo().args(["nextest", "--version"])) {
        tests.args(["nextest", "run", "--workspace", "--no-fail-fast"]);
    } else {
        println!("cargo-nextest is not installed; cargo's own runner does it too, a little slower.");
        tests.args(["test", "--workspace", "--lib", "--bins", "--tests", "--no-fail-fast"]);
    }
    command::run(tests.env(conformance::FOLDER, &notes))?;
    conformance::compare(&notes)
}

/// The tests that draw their own cases, as many as the documents quote.
fn full() -> Result<(), String> {
    let batteries = "binary(unsynchronised) + binary(lost_samples) + binary(wrong_track) + binary(placed) + binary(headroom_at_random) + \
                     (package(measurements) & binary(cars)) + \
                     test(arrivals_scatter_as_is_said_and_theory_allows) + (package(tuning) & (test(audit) + test(whole_car::cars) + test(fit::)))";
    // The window worked through from stage to stage, on every simulated car.
    let work_order = ["nextest", "run", "--profile", "full", "-p", "headrest", "--test", "work_order"];
    command::run(cargo().args(work_order).arg("--no-fail-fast").env("HEADREST_THOROUGH", "1"))?;
    command::run(
        cargo()
            .args([
                "nextest",
                "run",
                "--profile",
                "full",
                "-p",
                "measurements",
                "-p",
                "tuning",
                "--no-fail-fast",
            ])
            .args(["-E", batteries])
            .env("HEADREST_THOROUGH", "1")
            .env("HEADREST_AUDITS", "200")
            .env("HEADREST_CARS", "60")
            .env("HEADREST_FITS", "200")
            .env("HEADROOM_SOURCES", "400"),
    )
}

fn documentation() -> Result<(), String> {
    command::run(
        cargo().args(["doc", "--workspace", "--no-deps", "--quiet"]).env("RUSTDOCFLAGS", "-D warnings"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unknown_step_is_refused_with_the_list_of_steps() {
        let message = run(&["clipy".to_owned()]).unwrap_err();
        assert!(message.contains("no step `clipy`") && message.contains("clippy"), "{message}");
    }
}
