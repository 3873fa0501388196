//! How results are printed: one JSON document, or lines for a person.
//!
//! What is printed may come from a job, a plugin or a file of somebody else, so none of it reaches a
//! terminal as it stands: see [`units::text`].

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, Seek, Write};
use std::sync::atomic::{AtomicBool, Ordering};

use measure::{Cell, Curve, Finding, FindingLevel, Reading, Table};
use serde::Serialize;
use units::quantity::{counted, sentence, spoken};
use units::text::{is_hidden, lines, one_line};

/// Prints one JSON document on standard output.
///
/// # Errors
/// When standard output cannot be written, for example because the reader of
/// a pipe has gone.
pub(crate) fn json(document: &impl Serialize) -> io::Result<()> {
    let text = serde_json::to_string_pretty(document)?;
    writeln!(io::stdout().lock(), "{}", without_raw_characters(&text))
}

/// A JSON document of one list that grows for hours. What it holds waits in a file without a name, since memory would
/// grow with it, and a document that was begun could not become the one that says why there is no result.
pub(crate) struct Growing {
    file: File,
    entries: usize,
}

impl Growing {
    /// A document with an empty list of this name.
    ///
    /// # Errors
    /// When no temporary file can be made.
    pub(crate) fn new(list: &str) -> io::Result<Self> {
        let mut file = tempfile::tempfile()?;
        write!(file, "{{\n  \"{list}\": [")?;
        Ok(Self { file, entries: 0 })
    }

    /// Appends to the list.
    ///
    /// # Errors
    /// When the temporary file cannot be written.
    pub(crate) fn push(&mut self, entry: &impl Serialize) -> io::Result<()> {
        let text = serde_json::to_string_pretty(entry)?.replace('\n', "\n    ");
        let comma = if self.entries == 0 { "" } else { "," };
        self.entries += 1;
        write!(self.file, "{comma}\n    {}", without_raw_characters(&text))
    }

    /// Prints the document, with findings beside the list where there are any.
    ///
    /// # Errors
    /// As for [`json`], and when the temporary file cannot be read.
    pub(crate) fn print(mut self, findings: &[Finding]) -> io::Result<()> {
        if self.entries > 0 {
            self.file.write_all(b"\n  ")?;
        }
        self.file.write_all(b"]")?;
        if !findings.is_empty() {
            let text = serde_json::to_string_pretty(findings)?.replace('\n', "\n  ");
            write!(self.file, ",\n  \"findings\": {}", without_raw_characters(&text))?;
        }
        self.file.write_all(b"\n}\n")?;
        self.file.rewind()?;
        io::copy(&mut self.file, &mut io::stdout().lock()).map(drop)
    }
}

/// A JSON document in which every character that a terminal would obey, or that cannot be
/// seen, is written as an escape of JSON: its values stay what they are.
fn without_raw_characters(json: &str) -> Cow<'_, str> {
    let raw = |c: char| (c.is_control() && c != '\n') || is_hidden(c);
    if !json.contains(raw) {
        return Cow::Borrowed(json);
    }
    let mut safe = String::with_capacity(json.len() + 64);
    let mut units = [0_u16; 2];
    for c in json.chars() {
        if raw(c) {
            c.encode_utf16(&mut units).iter().for_each(|unit| safe.push_str(&format!("\\u{unit:04x}")));
        } else {
            safe.push(c);
        }
    }
    Cow::Owned(safe)
}

/// Prints lines on standard output, without what cannot be seen in them.
///
/// # Errors
/// As for [`json`].
pub(crate) fn text(text: &str) -> io::Result<()> {
    io::stdout().lock().write_all(lines(text).as_bytes())
}

/// Says something to the person on standard error, as one line. When standard error is
/// gone, nobody listens.
pub(crate) fn say(line: &str) {
    let _ = writeln!(io::stderr().lock(), "{}", one_line(line));
}

/// Prints on standard output the one document that says why there is no result.
pub(crate) fn error_document(kind: &str, text: &str, file: Option<&str>, line: Option<usize>) {
    let document = serde_json::json!({
        "error": { "kind": kind, "text": text, "file": file, "line": line }
    });
    // A reader that closed the pipe wants no document.
    let _ = json(&document);
}

/// The longest message. One that repeats what it was given can be as long as a file.
const LONGEST_MESSAGE: usize = 4_000;

/// Says on standard error why something could not be done, cut where it is endless.
pub(crate) fn refusal(message: &str) {
    let mut shown = lines(&message.chars().take(LONGEST_MESSAGE).collect::<String>()).into_owned();
    if message.chars().nth(LONGEST_MESSAGE).is_some() {
        shown.push_str(" …");
    }
    let _ = writeln!(io::stderr().lock(), "{shown}");
}

/// Prints a whole file, whatever is in it.
///
/// # Errors
/// As for [`json`].
pub(crate) fn bytes(bytes: &[u8]) -> io::Result<()> {
    io::stdout().lock().write_all(bytes)
}

/// Whether notes and progress are said. A person says so once, for the whole run.
static NOTES: AtomicBool = AtomicBool::new(true);

/// Says notes and progress, or not.
pub(crate) fn say_notes(said: bool) {
    NOTES.store(said, Ordering::Relaxed);
}

/// Whether notes and progress are said.
pub(crate) fn notes_are_said() -> bool {
    NOTES.load(Ordering::Relaxed)
}

/// Prints a reading for a person: values, labels, tables, the extent of each
/// curve; findings go to standard error.
///
/// # Errors
/// As for [`json`].
pub(crate) fn reading(reading: &Reading) -> io::Result<()> {
    let mut report = String::new();
    let mut lines: Vec<(String, String)> = reading
        .values
        .iter()
        .map(|(name, value)| {
            let said = spoken(name, *value);
            (if said.label.is_empty() { sentence(&reading.measurement) } else { said.label }, said.value)
        })
        .collect();
    lines.sort_by_key(|(label, _)| harmonic(label));
    lines.extend(
        reading
            .labels
            .iter()
            .map(|(name, word)| (sentence(&name.replace('_', " ")), one_line(word).into_owned())),
    );
    let width = lines.iter().map(|(label, _)| label.chars().count()).max().unwrap_or(0);
    for (label, value) in lines {
        report.push_str(&format!("{label:width$}  {value}\n"));
    }
    for (name, table) in &reading.tables {
        report.push_str(&format!("\n{}\n{}", sentence(&name.replace('_', " ")), columns(table)));
    }
    if !reading.curves.is_empty() {
        report.push_str("\nCurves (all points with --json)\n");
        let title = |name: &str| sentence(&name.replace('_', " "));
        let width = reading.curves.keys().map(|name| title(name).chars().count()).max().unwrap_or(0);
        for (name, curve) in &reading.curves {
            report.push_str(&format!("  {:width$}  {}\n", title(name), extent(curve)));
        }
    }
    text(&report)?;
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
    for finding in findings.iter().filter(|finding| finding.level != FindingLevel::Note || notes_are_said()) {
        let level = match finding.level {
            FindingLevel::Note => "note",
            FindingLevel::Caution => "caution",
            FindingLevel::Stop => "stop",
        };
        writeln!(err, "{level}: {}", one_line(&finding.text))?;
    }
    Ok(())
}

/// The order of a harmonic, so that the tenth stands after the second; 0 for everything else.
fn harmonic(label: &str) -> u32 {
    label.strip_prefix("Harmonic ").and_then(|order| order.parse().ok()).unwrap_or(0)
}

fn columns(table: &Table) -> String {
    let cell_text = |cell: &Cell, column: &str| match cell {
        Cell::Flag(true) => "yes".to_owned(),
        Cell::Flag(false) => "no".to_owned(),
        Cell::Number(value) => spoken(column, *value).value,
        Cell::Text(text) => one_line(text).into_owned(),
        Cell::Empty => "–".to_owned(),
    };
    let rows: Vec<Vec<String>> = table
        .rows
        .iter()
        .map(|row| row.iter().zip(&table.columns).map(|(cell, column)| cell_text(cell, column)).collect())
        .collect();
    let titles: Vec<String> = table
        .columns
        .iter()
        .map(|name| {
            let label = spoken(name, 0.0).label;
            if label.is_empty() { sentence(name) } else { label }
        })
        .collect();
    let widths: Vec<usize> = titles
        .iter()
        .enumerate()
        .map(|(i, name)| {
            rows.iter().map(|row| row[i].chars().count()).chain([name.chars().count()]).max().unwrap_or(0)
        })
        .collect();
    let mut lines = String::new();
    for row in std::iter::once(&titles).chain(&rows) {
        for (cell, width) in row.iter().zip(&widths) {
            lines.push_str(&format!("  {cell:>width$}"));
        }
        lines.push('\n');
    }
    lines
}

/// What a curve covers.
fn extent(curve: &Curve) -> String {
    let axis = ["frequency_hz", "time_s"].into_iter().find_map(|axis| Some((axis, curve.get(axis)?)));
    match axis {
        Some((axis, values)) if !values.is_empty() => {
            let at = |value: f64| spoken(axis, value).value;
            let (from, to) = (at(values[0]), at(values[values.len() - 1]));
            format!("{from} to {to}, {}", counted(values.len(), "point", "points"))
        }
        _ => "empty".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_json_document_holds_nothing_raw_and_means_the_same() {
        let value = serde_json::json!({"name": "a\u{9b}31m\u{202e}b\u{e0041}\u{7f}\u{1b}[2J\nü"});
        let text = serde_json::to_string_pretty(&value).unwrap();
        let safe = without_raw_characters(&text);
        assert!(!safe.contains(|c: char| (c.is_control() && c != '\n') || is_hidden(c)), "{safe:?}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&safe).unwrap(), value);
        assert!(matches!(without_raw_characters("{}"), Cow::Borrowed(_)));
    }
}
