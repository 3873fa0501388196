//! Two drivers aligned, and what was typed checked, from response files.

use std::fmt::Write as _;
use std::path::Path;

use tuning::{AlignInput, Alignment, AuditInput, AuditResult, Band};

use crate::files::read_text;
use crate::{Error, Result, library};

/// Finds delay, polarity and gain for two neighbouring drivers.
///
/// # Errors
/// When a response cannot be read, has no phase, or does not reach the
/// crossover.
pub fn align(
    lower: &Path,
    upper: &Path,
    crossover_hz: Option<f64>,
    max_delay_ms: Option<f64>,
) -> Result<Alignment> {
    let (lower, upper) = (library::response(lower)?, library::response(upper)?);
    let mut input = AlignInput::new(&lower, &upper);
    input.crossover_hz = crossover_hz;
    if let Some(max_ms) = max_delay_ms {
        input.delay.max_s = max_ms / 1e3;
    }
    tuning::align(&input).map_err(|error| Error::input(error.to_string()))
}

/// An alignment for a person.
#[must_use]
pub fn alignment_text(alignment: &Alignment) -> String {
    let mut text = format!("crossover at {:.0} Hz\n", alignment.crossover_hz);
    let pairs = [
        ("lower", alignment.delay_s.lower, alignment.gain_db.lower, alignment.invert.lower),
        ("upper", alignment.delay_s.upper, alignment.gain_db.upper, alignment.invert.upper),
    ];
    for (name, delay_s, gain_db, invert) in pairs {
        let polarity = if invert { ", turn the polarity over" } else { "" };
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{name}: delay {:.2} ms, gain {gain_db:+.1} dB{polarity}", 1e3 * delay_s);
    }
    let sum = &alignment.sum;
    let _ = writeln!(text, "worst loss {:.1} dB before, {:.1} dB after", sum.before_worst_db, sum.worst_db);
    for finding in &alignment.findings {
        let _ = writeln!(text, "{}", finding.text);
    }
    text
}

/// Checks what was typed from captures before and after.
///
/// # Errors
/// When something that was given cannot be used.
pub fn audit(before: &Path, after: &Path, bands: &Path, processor: &str) -> Result<AuditResult> {
    let (before, after) = (library::response(before)?, library::response(after)?);
    let entries = tuning::parse_bands_csv(&read_text(bands)?, &bands.display().to_string())?;
    let bands: Vec<Band> = entries.iter().map(|entry| entry.band).collect();
    let profile = library::profile(processor)?;
    let input = AuditInput { before: &before, after: &after, bands: &bands, profile: Some(&profile) };
    tuning::audit(&input).map_err(|error| Error::input(error.to_string()))
}

/// An audit for a person.
#[must_use]
pub fn audit_text(audit: &AuditResult) -> String {
    let mut text: String = audit.bands.iter().map(|band| format!("{}\n", band.text)).collect();
    // Writing to a string cannot fail.
    let _ = writeln!(text, "unexplained: {:.2} dB RMS", audit.residual_rms_db);
    for finding in &audit.findings {
        let _ = writeln!(text, "{}", finding.text);
    }
    text
}
