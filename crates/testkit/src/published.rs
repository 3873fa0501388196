//! Published checks and measured accuracies, from which `docs/conformance.md` is made.

use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::Path;

/// The environment variable that names the folder to note checks in.
const FOLDER: &str = "HEADREST_CONFORMANCE";

/// How far the source of a check was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verified {
    /// It follows from a formula that the test computes by itself.
    Analytic,
    /// The paper or page itself was read.
    Read,
    /// Public transcriptions of a text that was not at hand.
    Transcribed,
    /// Nobody looked it up.
    FromMemory,
    /// Another library computes the same.
    Computed,
}

impl Verified {
    fn word(self) -> &'static str {
        match self {
            Self::Analytic => "analytic",
            Self::Read => "read",
            Self::Transcribed => "public transcription; the standard itself was not at hand",
            Self::FromMemory => "from memory",
            Self::Computed => "computed by another library",
        }
    }
}

/// Asserts that what was measured against a published check is at most its limit, and notes both
/// for the page of all checks.
///
/// # Panics
/// When it is above, or not finite.
#[track_caller]
pub fn published(source: &str, what: &str, (figure, limit, unit): (f64, f64, &str), verified: Verified) {
    crate::at_most(&format!("{what} ({source})"), figure, limit);
    note("published", [source, what, &number(figure), &number(limit), unit, verified.word()]);
}

/// Notes a part of what a whole measurement is uncertain by, as it was measured, for the same page.
///
/// # Panics
/// When it is above the limit, or not finite.
#[track_caller]
pub fn budgeted(part: &str, (figure, limit, unit): (f64, f64, &str), how: &str) {
    crate::at_most(part, figure, limit);
    note("budget", [part, &number(figure), &number(limit), unit, how, ""]);
}

/// Three digits that count.
fn number(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let size = value.abs().log10().floor();
    if (-4.0..6.0).contains(&size) {
        format!("{value:.*}", (2.0 - size).clamp(0.0, 6.0) as usize)
    } else {
        format!("{value:.1e}")
    }
}

fn note(kind: &str, fields: [&str; 6]) {
    let Some(folder) = std::env::var_os(FOLDER) else { return };
    // Each in a file of its own: tests run side by side.
    let mut hasher = DefaultHasher::new();
    (kind, fields[0], fields[1]).hash(&mut hasher);
    let path = Path::new(&folder).join(format!("{:016x}.tsv", hasher.finish()));
    let line = format!("{kind}\t{}\n", fields.map(|field| field.replace(['\t', '\n'], " ")).join("\t"));
    fs::write(&path, line).unwrap_or_else(|error| panic!("{} cannot be written: {error}", path.display()));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_three_digits_that_count() {
        let told = [0.0, 0.012_34, -1.0, 45.686, 123_456.0, 1.2e-9].map(number);
        assert_eq!(told, ["0", "0.0123", "-1.00", "45.7", "123456", "1.2e-9"]);
    }

    #[test]
    #[should_panic(expected = "wanted at most")]
    fn what_is_above_its_limit_fails() {
        published("a formula", "two", (2.0, 1.0, ""), Verified::Analytic);
    }
}
