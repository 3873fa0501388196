//! Two drivers aligned, what was typed checked, and what a processor means by Q, from
//! response files.

use std::fmt::Write as _;
use std::path::Path;

use tuning::{AlignInput, Alignment, AuditInput, AuditResult, Band, MeaningOfQ};
use units::quantity::{decibels, hertz, signed_decibels};

use library::files::read_text;
use library::{Error, Result};

/// Finds delay, polarity and gain for two neighbouring drivers.
///
/// # Errors
/// When a response cannot be read, has no phase, or does not reach the
/// crossover.
pub(crate) fn align(
    lower: &Path,
    upper: &Path,
    crossover_hz: Option<f64>,
    max_delay_ms: Option<f64>,
    processor: Option<&str>,
) -> Result<Alignment> {
    let (lower, upper) = (library::response(lower)?, library::response(upper)?);
    let mut input = AlignInput::new(&lower, &upper);
    input.crossover_hz = crossover_hz;
    if let Some(processor) = processor {
        let profile = library::profile(processor)?;
        input.delay = profile.delay.ok_or_else(|| {
            Error::input(format!("{processor}: this processor has no delays; give one that has, or none"))
        })?;
    }
    if let Some(max_ms) = max_delay_ms {
        input.delay.max_s = max_ms / 1e3;
    }
    tuning::align(&input).map_err(|error| Error::input(error.to_string()))
}

/// An alignment for a person.
#[must_use]
pub(crate) fn alignment_text(alignment: &Alignment) -> String {
    let mut text = format!("Crossover at {}\n", hertz(alignment.crossover_hz));
    let pairs = [
        ("Lower", alignment.delay_s.lower, alignment.gain_db.lower, alignment.invert.lower),
        ("Upper", alignment.delay_s.upper, alignment.gain_db.upper, alignment.invert.upper),
    ];
    for (name, delay_s, gain_db, invert) in pairs {
        let polarity = if invert { ", inverted" } else { "" };
        // Writing to a string cannot fail.
        let (delay_ms, gain) = (1e3 * delay_s, signed_decibels(gain_db));
        let _ = writeln!(text, "{name}: delay {delay_ms:.2} ms, gain {gain}{polarity}");
    }
    let sum = &alignment.sum;
    let (before, after) = (decibels(sum.before_worst_db.abs()), decibels(sum.worst_db.abs()));
    let _ = writeln!(text, "Summation loss {before} before, {after} after");
    for finding in &alignment.findings {
        let _ = writeln!(text, "{}", finding.text);
    }
    text
}

/// Checks what was typed from captures before and after.
///
/// # Errors
/// When something that was given cannot be used.
pub(crate) fn audit(before: &Path, after: &Path, bands: &Path, processor: &str) -> Result<AuditResult> {
    let (before, after) = (library::response(before)?, library::response(after)?);
    let entries = tuning::parse_bands_csv(&read_text(bands)?, &bands.display().to_string())?;
    let bands: Vec<Band> = entries.iter().map(|entry| entry.band).collect();
    let profile = library::profile(processor)?;
    let input = AuditInput { before: &before, after: &after, bands: &bands, profile: Some(&profile) };
    tuning::audit(&input).map_err(|error| Error::input(error.to_string()))
}

/// An audit for a person.
#[must_use]
pub(crate) fn audit_text(audit: &AuditResult) -> String {
    let mut text: String = audit.bands.iter().map(|band| format!("{}\n", band.text)).collect();
    // Writing to a string cannot fail.
    let _ = writeln!(text, "Leftover: {} RMS", decibels(audit.residual_rms_db));
    for finding in &audit.findings {
        let _ = writeln!(text, "{}", finding.text);
    }
    text
}

/// Finds what a processor means by Q from two captures and the one band that was entered.
///
/// # Errors
/// When something that was given cannot be used.
pub(crate) fn meaning_of_q(
    flat: &Path,
    with_band: &Path,
    bands: &Path,
    sample_rate_hz: f64,
) -> Result<MeaningOfQ> {
    let (flat, with_band) = (library::response(flat)?, library::response(with_band)?);
    let name = bands.display().to_string();
    let entries = tuning::parse_bands_csv(&read_text(bands)?, &name)?;
    let [entry] = &entries[..] else {
        return Err(Error::input(format!(
            "{name}: {} bands; enter exactly one band for this, so that nothing else is heard",
            entries.len()
        )));
    };
    tuning::meaning_of_q(&flat, &with_band, &entry.band, sample_rate_hz)
        .map_err(|error| Error::input(error.to_string()))
}

/// What a processor means by Q, for a person.
#[must_use]
pub(crate) fn meaning_of_q_text(meaning: &MeaningOfQ) -> String {
    let mut text = match meaning.definition {
        Some(definition) => format!(
            "This processor defines Q as `{0}`. Write into its profile:\n  q_definition = \"{0}\"\n",
            definition.word()
        ),
        None => "How this processor defines Q could not be told.\n".to_owned(),
    };
    for trial in &meaning.tried {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{:11} leaves {:.2} dB RMS", trial.definition.word(), trial.rms_db);
    }
    for finding in &meaning.findings {
        let _ = writeln!(text, "{}", finding.text);
    }
    text
}
