//! How results are printed: one JSON document, or lines for a person.

use std::io::{self, Write};

use serde::Serialize;
use session::{Cell, Curve, Finding, FindingLevel, Reading, Table};

/// Prints one JSON document on standard output.
///
/// # Errors
/// When standard output cannot be written, for example because the reader of
/// a pipe has gone.
pub(crate) fn json(document: &impl Serialize) -> io::Result<()> {
    let text = serde_json::to_string_pretty(document)?;
    writeln!(io::stdout().lock(), "{text}")
}

/// Prints text on standard output as it stands.
///
/// # Errors
/// As for [`json`].
pub(crate) fn text(text: &str) -> io::Result<()> {
    io::stdout().lock().write_all(text.as_bytes())
}

/// Prints a reading for a person: values, labels, tables, the extent of each
/// curve; findings go to standard error.
///
/// # Errors
/// As for [`json`].
pub(crate) fn reading(reading: &Reading) -> io::Result<()> {
    let mut lines = String::new();
    let width = reading.values.keys().chain(reading.labels.keys()).map(String::len).max().unwrap_or(0);
    for (name, value) in &reading.values {
        lines.push_str(&format!("{name:width$}  {}\n", number(name, *value)));
    }
    for (name, word) in &reading.labels {
        lines.push_str(&format!("{name:width$}  {word}\n"));
    }
    for (name, table) in &reading.tables {
        lines.push_str(&format!("\n{name}\n{}", columns(table)));
    }
    for (name, curve) in &reading.curves {
        lines.push_str(&extent(name, curve));
    }
    text(&lines)?;
    findings(reading)
}

/// Prints a reading's findings on standard error.
///
/// # Errors
/// When standard error cannot be written.
pub(crate) fn findings(reading: &Reading) -> io::Result<()> {
    remarks(&reading.findings)
}

/// Prints findings on standard error.
///
/// # Errors
/// When standard error cannot be written.
pub(crate) fn remarks(findings: &[Finding]) -> io::Result<()> {
    let mut err = io::stderr().lock();
    for finding in findings {
        let level = match finding.level {
            FindingLevel::Note => "note",
            FindingLevel::Caution => "caution",
            FindingLevel::Stop => "stop",
        };
        writeln!(err, "{level}: {}", finding.text)?;
    }
    Ok(())
}

/// A value with as many decimals as its unit deserves.
fn number(name: &str, value: f64) -> String {
    let decimals = match name.rsplit('_').next() {
        Some("s") => 6,
        Some("v" | "percent") => 4,
        Some("step") => 0,
        Some("ppm" | "db" | "dbfs" | "dbu" | "dbv") => 2,
        _ => 3,
    };
    format!("{value:.decimals$}")
}

fn columns(table: &Table) -> String {
    let cell_text = |cell: &Cell, column: &str| match cell {
        Cell::Flag(true) => "yes".to_owned(),
        Cell::Flag(false) => "no".to_owned(),
        Cell::Number(value) => number(column, *value),
        Cell::Text(text) => text.clone(),
        Cell::Empty => "–".to_owned(),
    };
    let rows: Vec<Vec<String>> = table
        .rows
        .iter()
        .map(|row| row.iter().zip(&table.columns).map(|(cell, column)| cell_text(cell, column)).collect())
        .collect();
    let widths: Vec<usize> = table
        .columns
        .iter()
        .enumerate()
        .map(|(i, name)| rows.iter().map(|row| row[i].chars().count()).chain([name.len()]).max().unwrap_or(0))
        .collect();
    let mut lines = String::new();
    for row in std::iter::once(&table.columns).chain(&rows) {
        for (cell, width) in row.iter().zip(&widths) {
            lines.push_str(&format!("  {cell:>width$}"));
        }
        lines.push('\n');
    }
    lines
}

fn extent(name: &str, curve: &Curve) -> String {
    let axis = ["frequency_hz", "time_s"].into_iter().find_map(|axis| Some((axis, curve.get(axis)?)));
    match axis {
        Some((axis, values)) if !values.is_empty() => format!(
            "curve {name}: {} points, {axis} {:.1} to {:.1} (all of it with --json)\n",
            values.len(),
            values[0],
            values[values.len() - 1]
        ),
        _ => format!("curve {name}: empty\n"),
    }
}
