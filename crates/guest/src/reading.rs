//! What a plugin has found.

use alloc::string::String;

use crate::write::{comma, key, number, numbers, text};

/// What was found: values, labels, curves, tables and findings. The unit is part
/// of each name, such as `level_db`. What could not be determined is left out, and
/// a finding says why.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Reading {
    values: String,
    labels: String,
    curves: String,
    tables: String,
    findings: String,
}

/// One cell of a table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cell<'a> {
    /// Yes or no.
    Flag(bool),
    /// A number; one that is not finite leaves the cell empty.
    Number(f64),
    /// A word or text.
    Text(&'a str),
    /// Nothing could be determined.
    Empty,
}

impl Reading {
    pub(crate) const EMPTY: Self = Self {
        values: String::new(),
        labels: String::new(),
        curves: String::new(),
        tables: String::new(),
        findings: String::new(),
    };

    /// An empty reading.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Notes a value; a number that is not finite is left out.
    pub fn value(&mut self, name: &str, value: f64) -> &mut Self {
        if value.is_finite() {
            key(&mut self.values, name);
            number(&mut self.values, value);
        }
        self
    }

    /// Notes a word.
    pub fn label(&mut self, name: &str, word: &str) -> &mut Self {
        key(&mut self.labels, name);
        text(&mut self.labels, word);
        self
    }

    /// Notes a curve from its columns, which have one length. A point at which any
    /// column is not finite is left out.
    pub fn curve(&mut self, name: &str, columns: &[(&str, &[f64])]) -> &mut Self {
        let length = columns.iter().map(|(_, values)| values.len()).min().unwrap_or(0);
        let whole = |point: usize| columns.iter().all(|(_, values)| values[point].is_finite());
        key(&mut self.curves, name);
        self.curves.push('{');
        for (column, values) in columns {
            key(&mut self.curves, column);
            let kept: alloc::vec::Vec<f64> =
                (0..length).filter(|&point| whole(point)).map(|point| values[point]).collect();
            numbers(&mut self.curves, &kept);
        }
        self.curves.push('}');
        self
    }

    /// Notes a table; a row that is shorter than the header ends in empty cells.
    pub fn table<'a>(
        &mut self,
        name: &str,
        columns: &[&str],
        rows: impl IntoIterator<Item = &'a [Cell<'a>]>,
    ) -> &mut Self {
        let out = &mut self.tables;
        key(out, name);
        out.push_str("{\"columns\":[");
        for column in columns {
            comma(out);
            text(out, column);
        }
        out.push_str("],\"rows\":[");
        for row in rows {
            comma(out);
            out.push('[');
            for index in 0..columns.len() {
                comma(out);
                match row.get(index) {
                    Some(Cell::Flag(flag)) => out.push_str(if *flag { "true" } else { "false" }),
                    Some(Cell::Number(value)) if value.is_finite() => number(out, *value),
                    Some(Cell::Text(word)) => text(out, word),
                    _ => out.push_str("null"),
                }
            }
            out.push(']');
        }
        out.push_str("]}");
        self
    }

    /// Notes something worth knowing.
    pub fn note(&mut self, code: &str, words: &str) -> &mut Self {
        self.finding("note", code, words)
    }

    /// Notes a reason to doubt the result.
    pub fn caution(&mut self, code: &str, words: &str) -> &mut Self {
        self.finding("caution", code, words)
    }

    /// Notes the reason why there is no result.
    pub fn stop(&mut self, code: &str, words: &str) -> &mut Self {
        self.finding("stop", code, words)
    }

    fn finding(&mut self, level: &str, code: &str, words: &str) -> &mut Self {
        comma(&mut self.findings);
        self.findings.push('{');
        for (name, value) in [("level", level), ("code", code), ("text", words)] {
            key(&mut self.findings, name);
            text(&mut self.findings, value);
        }
        self.findings.push('}');
        self
    }

    /// Its text for the host.
    #[must_use]
    pub fn to_json(&self) -> String {
        let Self { values, labels, curves, tables, findings } = self;
        alloc::format!(
            "{{\"values\":{{{values}}},\"labels\":{{{labels}}},\"curves\":{{{curves}}},\
             \"tables\":{{{tables}}},\"findings\":[{findings}]}}"
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_finite_does_not_reach_the_host() {
        let mut reading = Reading::new();
        reading
            .value("a_db", f64::NAN)
            .value("b_db", -3.0)
            .label("polarity", "normal")
            .curve("c", &[("time_s", &[0.0, 1.0, 2.0]), ("level_db", &[1.0, f64::INFINITY, 3.0])])
            .table("t", &["step", "clean"], [&[Cell::Number(f64::NAN), Cell::Flag(true)][..], &[]])
            .note("all-well", "It is \"well\".");
        assert_eq!(
            reading.to_json(),
            "{\"values\":{\"b_db\":-3},\"labels\":{\"polarity\":\"normal\"},\
             \"curves\":{\"c\":{\"time_s\":[0,2],\"level_db\":[1,3]}},\
             \"tables\":{\"t\":{\"columns\":[\"step\",\"clean\"],\"rows\":[[null,true],[null,null]]}},\
             \"findings\":[{\"level\":\"note\",\"code\":\"all-well\",\"text\":\"It is \\\"well\\\".\"}]}"
        );
    }
}
