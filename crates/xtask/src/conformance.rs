//! `cargo xtask conformance`: writes `docs/conformance.md` from what the tests themselves measured.

use std::fs;
use std::path::{Path, PathBuf};

use crate::command::{self, cargo};
use crate::workspace::target_folder;

/// The tests that note what they measured.
const TESTS: &str = "binary(iec_61260_1) + binary(iec_61672_1) + binary(ieee_1057) + binary(distortion) + \
                     binary(niosh_98_126) + binary(crossovers) + binary(audio_eq_cookbook) + \
                     test(noise_bandwidths_are_those_of_harris) + test(a_sine_survives_any_change_of_rate) + \
                     test(a_wire_reads_zero_decibels) + test(the_cubic_gives_its_harmonics) + \
                     test(recordings_left_to_chance_are_all_measured)";

/// The page.
const PAGE: &str = "docs/conformance.md";

/// The column of published checks that holds what this machine measured; in the budget it is the one before.
const MEASURED: usize = 2;

/// A row of the budget has five columns, and something before and after its bars.
const BUDGET_BARS: usize = 7;

const HEAD: &str = "\
# Conformance

Made by `cargo xtask conformance` from the tests themselves: each number below was measured by a test that fails when it is
beyond the limit beside it. Nothing here is typed by hand, and `cargo xtask test tests` fails when a check is missing here. A check against a table of a standard is no certificate: where the last column says
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
    let notes = empty_notes()?;
    command::run(
        cargo()
            .args(["nextest", "run", "-p", "dsp", "-p", "measurements", "--no-fail-fast", "-E", TESTS])
            .env(FOLDER, &notes),
    )?;
    let page = page(&read(&notes)?)?;
    let path = command::root().join(PAGE);
    fs::write(&path, page).map_err(|error| format!("{}: {error}", path.display()))
}

/// The environment variable that tells tests where to note what they measured.
pub(crate) const FOLDER: &str = "HEADREST_CONFORMANCE";

/// An empty folder for what tests note.
///
/// # Errors
/// When it cannot be made.
pub(crate) fn empty_notes() -> Result<PathBuf, String> {
    let notes = target_folder()?.join("conformance");
    let failed = |error: std::io::Error| format!("{}: {error}", notes.display());
    if notes.exists() {
        fs::remove_dir_all(&notes).map_err(failed)?;
    }
    fs::create_dir_all(&notes).map_err(failed)?;
    Ok(notes)
}

/// Holds the page against what all tests noted: each check must stand there, with its limit and its source, and
/// no other. What was measured may differ from machine to machine.
///
/// # Errors
/// The rows that are missing, and those that no test noted.
pub(crate) fn compare(notes: &Path) -> Result<(), String> {
    let path = command::root().join(PAGE);
    let written = fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
    let differs = differing(&written, &page(&read(notes)?)?);
    if differs.is_empty() {
        return Ok(());
    }
    Err(format!(
        "{PAGE} is not what the tests noted; make it anew with `cargo xtask conformance`:\n{}",
        differs.join("\n")
    ))
}

/// The rows of tables that stand in one page only, apart from what was measured.
fn differing(written: &str, noted: &str) -> Vec<String> {
    let rows = |page: &str| -> Vec<String> {
        let rows = page.lines().filter(|line| line.starts_with('|'));
        let without_figure = |line: &str| {
            let mut fields: Vec<&str> = line.split('|').map(str::trim).collect();
            // The first is what lies before the first bar.
            fields.remove(1 + if fields.len() == BUDGET_BARS { MEASURED - 1 } else { MEASURED });
            fields.join(" | ")
        };
        rows.map(without_figure).collect()
    };
    let (written, noted) = (rows(written), rows(noted));
    let missing = noted.iter().filter(|row| !written.contains(row)).map(|row| format!("missing: {row}"));
    let stale = written.iter().filter(|row| !noted.contains(row)).map(|row| format!("not noted: {row}"));
    missing.chain(stale).collect()
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
        assert!(
            differing(&page, &page.replace("| 0.1 |", "| 0.15 |").replace("| 0.001 |", "| 0.002 |"))
                .is_empty()
        );
        let other_limit = page.replace("| 0.2 |", "| 0.3 |");
        assert_eq!(differing(&page, &other_limit).len(), 2, "{:?}", differing(&page, &other_limit));
        let with_another = page.clone() + "| clock | 0.1 | 0.5 | ppm | a wire |\n";
        assert!(differing(&page, &with_another)[0].starts_with("missing: "));
    }
}
