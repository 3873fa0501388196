//! The entry sheet as plain text.

use std::fmt::Write as _;

use crate::numbers::{deviation, frequency};
use crate::{Sheet, SheetChannel, TECHNICIAN_CAUTIONS, words};

/// No line that can be broken is longer.
const WIDTH: usize = 100;

impl Sheet {
    /// The entry sheet as plain text, to be typed from.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut text = format!("ENTRY SHEET: {}\nJob begun {} (UTC)\n\n", one_line(&self.name), self.date);
        let particulars: Vec<Vec<String>> = words::particulars(self)
            .into_iter()
            .map(|(label, value)| vec![label.to_owned(), one_line(&value)])
            .collect();
        text += &table(&particulars, &[Side::Left, Side::Left], "");
        self.write_source(&mut text);
        if self.is_measured {
            text.push_str("\nWHAT STOOD IN THE PROCESSOR WHEN IT WAS MEASURED AFTER\n");
        }
        for channel in &self.channels {
            write_channel(&mut text, channel, &self.reasons(&channel.name), words::without_bands(self));
        }
        if self.channels.is_empty() {
            text += "\nNo bands, delays or crossovers have been chosen yet.\n";
        }
        self.write_outcome(&mut text);
        if !self.notes.trim().is_empty() {
            let _ = write!(text, "\nNOTES\n{}\n", self.notes.trim_end());
        }
        list(&mut text, "CAUTIONS", TECHNICIAN_CAUTIONS.iter().copied());
        list(&mut text, "NOT SHOWN", self.remarks.iter().map(String::as_str));
        text
    }

    fn write_source(&self, text: &mut String) {
        match self.source.clean_step {
            None => text.push_str("\nThe highest clean volume step has not been found yet.\n"),
            Some(step) => {
                let _ = write!(text, "\nNEVER ABOVE VOLUME STEP {step}");
                if !self.source.limited_by.is_empty() {
                    let _ = write!(text, " (limited by {})", one_line(&self.source.limited_by));
                }
                text.push('\n');
            }
        }
        if !self.source.outputs.is_empty() {
            let mut rows = vec![["output", "clean to step", "volts there (RMS)"].map(str::to_owned).to_vec()];
            rows.extend(self.source.outputs.iter().map(|output| words::output(output).to_vec()));
            *text += &table(&rows, &[Side::Left, Side::Right, Side::Right], "  ");
        }
    }

    fn write_outcome(&self, text: &mut String) {
        if let Some(outcome) = &self.outcome {
            let after = |db: Option<f64>| db.map_or_else(|| "not measured".to_owned(), deviation);
            let (from, to) = (frequency(outcome.from_hz), frequency(outcome.to_hz));
            let _ = writeln!(text, "\nBEFORE AND AFTER (deviation from the target, {from} to {to})");
            let rows = [
                ["", "before", "after"].map(str::to_owned),
                ["average (RMS)".to_owned(), deviation(outcome.before_rms_db), after(outcome.after_rms_db)],
                ["maximum".to_owned(), deviation(outcome.before_max_db), after(outcome.after_max_db)],
            ];
            *text += &table(&rows.map(|row| row.to_vec()), &[Side::Left, Side::Right, Side::Right], "  ");
        }
        list(text, "PREDICTED", self.predicted().iter().map(String::as_str));
        let alone = words::left_alone_together(self.left_alone())
            .into_iter()
            .map(|(why, at)| format!("{at}: {}", words::why(why)));
        list(text, "LEFT ALONE", alone.collect::<Vec<_>>().iter().map(String::as_str));
        list(text, "CHECK OF WHAT WAS ENTERED", self.checked().iter().map(String::as_str));
    }
}

fn write_channel(text: &mut String, channel: &SheetChannel, reasons: &[(&str, String)], without_bands: &str) {
    let _ = writeln!(text, "\n{}", one_line(channel.title()).to_uppercase());
    if let Some(setting) = &channel.setting {
        let rows: Vec<Vec<String>> = words::setting(setting, channel.was.as_ref())
            .into_iter()
            .map(|(label, value)| {
                let why = reasons.iter().find(|(of, _)| *of == label).map_or("", |(_, why)| why.as_str());
                vec!["[ ]".to_owned(), label.to_owned(), one_line(&value), one_line(why)]
            })
            .collect();
        *text += &table(&rows, &[Side::Left; 4], "  ");
    }
    if channel.bands.is_empty() {
        let _ = writeln!(text, "  {without_bands}");
        return;
    }
    let mut rows = vec![["", "band", "type", "frequency", "gain", "Q", "why"].map(str::to_owned).to_vec()];
    for band in &channel.bands {
        let [frequency, gain, q] = words::typed(band);
        let number = band.number.to_string();
        let kind = words::kind(band.kind).to_owned();
        rows.push(vec!["[ ]".to_owned(), number, kind, frequency, gain, q, one_line(&band.reason)]);
    }
    let sides = [Side::Left, Side::Right, Side::Left, Side::Right, Side::Right, Side::Right, Side::Left];
    *text += &table(&rows, &sides, "  ");
}

/// On which side the text of a column stands.
#[derive(Clone, Copy)]
enum Side {
    Left,
    Right,
}

/// Rows with their columns under each other.
fn table(rows: &[Vec<String>], sides: &[Side], indent: &str) -> String {
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..sides.len()).map(width).collect();
    let mut text = String::new();
    for row in rows {
        let mut line = indent.to_owned();
        for ((cell, side), width) in row.iter().zip(sides).zip(&widths) {
            let _ = match side {
                Side::Left => write!(line, "{cell:<width$}  "),
                Side::Right => write!(line, "{cell:>width$}  "),
            };
        }
        text += line.trim_end();
        text.push('\n');
    }
    text
}

/// A heading with one item to a line, or nothing without items.
fn list<'a>(text: &mut String, heading: &str, items: impl IntoIterator<Item = &'a str>) {
    let mut begun = false;
    for item in items {
        if !begun {
            let _ = writeln!(text, "\n{heading}");
            begun = true;
        }
        *text += &wrapped(&one_line(item));
    }
}

/// An item that goes on under itself.
fn wrapped(item: &str) -> String {
    let mut text = String::new();
    let mut line = "-".to_owned();
    for word in item.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > WIDTH && line.trim() != "-" {
            text += &line;
            text.push('\n');
            line = " ".to_owned();
        }
        line.push(' ');
        line += word;
    }
    text + &line + "\n"
}

/// A person's words in a place where a line break would break the table.
fn one_line(text: &str) -> String {
    text.split(|c: char| c.is_control()).collect::<Vec<_>>().join(" ").trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_stand_under_each_other() {
        let rows = [["a", "1"], ["long", "200"]].map(|row| row.map(str::to_owned).to_vec());
        assert_eq!(table(&rows, &[Side::Left, Side::Right], "  "), "  a       1\n  long  200\n");
    }

    #[test]
    fn long_items_go_on_under_themselves() {
        let text = wrapped(&"word ".repeat(60));
        assert!(text.lines().count() > 2);
        for line in text.lines() {
            assert!(
                line.len() <= WIDTH && (line.starts_with("- word") || line.starts_with("  word")),
                "{line}"
            );
        }
    }
}
