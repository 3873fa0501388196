//! `cargo xtask conformance`: writes `docs/conformance.md` from what the tests themselves measured.

use std::fs;
use std::path::Path;

use crate::command::{self, cargo};
use crate::workspace::target_folder;

/// The tests that note what they measured.
const TESTS: &str = "binary(iec_61260_1) + binary(iec_61672_1) + binary(ieee_1057) + binary(distortion) + \
                     binary(niosh_98_126) + binary(crossovers) + binary(audio_eq_cookbook) + \
                     test(noise_bandwidths_are_those_of_harris)";

const HEAD: &str = "\
# Conformance

Made by `cargo xtask conformance` from the tests themselves: each number below was measured by a test that fails when it is
beyond the limit beside it. Nothing here is typed by hand. A check against a table of a standard is no certificate: where the last column says
*public transcription*, the standard's own text was not at hand, and where it says *from memory*, nobody looked the value up.

## Published checks

| source | what | measured | at most | unit | how far the source was seen |
| --- | --- | ---: | ---: | --- | --- |
";

const BUDGET: &str = "
## Accuracy budget

What a response from a sweep track is uncertain by, part by part, as it was measured on recordings whose truth is known. The parts are independent;
what a microphone, a moved head and a car add is larger than all of them together, and only a capture's own numbers (`repeat_error_db`, the noise
floor, the spread over positions) tell it.

| part | measured | at most | unit | how |
| --- | ---: | ---: | --- | --- |
";

/// Runs the tests that note what they measured, and writes the page.
///
/// # Errors
/// When a test fails, or nothing was noted.
pub(crate) fn run() -> Result<(), String> {
    let notes = target_folder()?.join("conformance");
    let failed = |error: std::io::Error| format!("{}: {error}", notes.display());
    if notes.exists() {
        fs::remove_dir_all(&notes).map_err(failed)?;
    }
    fs::create_dir_all(&notes).map_err(failed)?;
    command::run(
        cargo()
            .args(["nextest", "run", "-p", "dsp", "-p", "measurements", "--no-fail-fast", "-E", TESTS])
            .env("HEADREST_CONFORMANCE", &notes),
    )?;
    let page = page(&read(&notes)?)?;
    let path = command::root().join("docs/conformance.md");
    fs::write(&path, page).map_err(|error| format!("{}: {error}", path.display()))
}

fn read(notes: &Path) -> Result<Vec<String>, String> {
    let failed = |error: std::io::Error| format!("{}: {error}", notes.display());
    let mut lines = Vec::new();
    for entry in fs::read_dir(notes).map_err(failed)? {
        lines.push(fs::read_to_string(entry.map_err(failed)?.path()).map_err(failed)?.trim_end().to_owned());
    }
    lines.sort();
    Ok(lines)
}

/// The page from what was noted, in the order of sources.
fn page(lines: &[String]) -> Result<String, String> {
    let of = |kind: &str| -> Vec<Vec<&str>> {
        let fields = lines.iter().map(|line| line.split('\t').collect::<Vec<_>>());
        fields.filter(|fields| fields[0] == kind).map(|fields| fields[1..].to_vec()).collect()
    };
    let (published, budget) = (of("published"), of("budget"));
    if published.is_empty() {
        return Err("no test noted a published check".to_owned());
    }
    let row = |fields: &Vec<&str>, columns: usize| format!("| {} |\n", fields[..columns].join(" | "));
    let mut page = HEAD.to_owned();
    published.iter().for_each(|fields| page += &row(fields, 6));
    if !budget.is_empty() {
        page += BUDGET;
        budget.iter().for_each(|fields| page += &row(fields, 5));
    }
    Ok(page)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_holds_what_was_noted() {
        let lines = [
            "budget\tresampling\t0.001\t0.01\tdB\ta wire\t".to_owned(),
            "published\tA standard\ta table\t0.1\t0.2\tdB\tread".to_owned(),
        ];
        let page = page(&lines).unwrap();
        assert!(page.contains("| A standard | a table | 0.1 | 0.2 | dB | read |"), "{page}");
        assert!(page.contains("| resampling | 0.001 | 0.01 | dB | a wire |"), "{page}");
        assert!(super::page(&[]).is_err());
    }
}
