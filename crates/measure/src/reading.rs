//! What a measurement found.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{Finding, FindingLevel};

/// The columns of one curve, all of one length, such as `frequency_hz` and
/// `magnitude_db`.
pub type Curve = BTreeMap<String, Vec<f64>>;

/// Rows under named columns. A cell holds a finite number, a text or a yes/no.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Table {
    /// The name of each column, with its unit.
    pub columns: Vec<String>,
    /// The rows, each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
}

/// One cell of a [`Table`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Cell {
    /// Yes or no.
    Flag(bool),
    /// A finite number.
    Number(f64),
    /// A word or text.
    Text(String),
    /// Nothing could be determined.
    Empty,
}

/// What a measurement found: values, labels, curves, tables and findings.
///
/// A value that could not be determined is absent, and a finding says why.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Reading {
    /// The measurement's id.
    pub measurement: String,
    /// The measurement's version.
    pub version: u32,
    /// The rate of the stream that was measured.
    pub sample_rate_hz: f64,
    /// Finite numbers; the unit is part of the name.
    pub values: BTreeMap<String, f64>,
    /// Words.
    pub labels: BTreeMap<String, String>,
    /// Curves by name.
    pub curves: BTreeMap<String, Curve>,
    /// Tables by name.
    pub tables: BTreeMap<String, Table>,
    /// Remarks, in the order in which they were made.
    pub findings: Vec<Finding>,
}

impl Reading {
    /// An empty reading of this measurement.
    #[must_use]
    pub fn new(measurement: &str, version: u32, sample_rate_hz: f64) -> Self {
        Self { measurement: measurement.to_owned(), version, sample_rate_hz, ..Self::default() }
    }

    /// Notes a value. A number that is not finite is left out, as the contract
    /// asks; the measurement says why in a finding.
    pub fn value(&mut self, name: &str, value: f64) -> &mut Self {
        if value.is_finite() {
            self.values.insert(name.to_owned(), value);
        }
        self
    }

    /// Notes a word.
    pub fn label(&mut self, name: &str, word: &str) -> &mut Self {
        self.labels.insert(name.to_owned(), word.to_owned());
        self
    }

    /// Notes a curve from its columns.
    pub fn curve<'a>(
        &mut self,
        name: &str,
        columns: impl IntoIterator<Item = (&'a str, Vec<f64>)>,
    ) -> &mut Self {
        let curve = columns.into_iter().map(|(column, values)| (column.to_owned(), values)).collect();
        self.curves.insert(name.to_owned(), curve);
        self
    }

    /// Notes a remark, once.
    pub fn finding(&mut self, finding: Finding) -> &mut Self {
        if !self.findings.contains(&finding) {
            self.findings.push(finding);
        }
        self
    }

    /// The remark that says why there is no result, if there is one.
    #[must_use]
    pub fn stopped(&self) -> Option<&Finding> {
        self.findings.iter().find(|finding| finding.level == FindingLevel::Stop)
    }

    /// Checks the contract: finite numbers, columns of one length, rows as
    /// long as their header.
    ///
    /// # Errors
    /// A description of the first breach.
    pub fn check(&self) -> Result<(), String> {
        for (name, value) in &self.values {
            if !value.is_finite() {
                return Err(format!("value `{name}` is {value}"));
            }
        }
        for (name, curve) in &self.curves {
            let mut lengths = curve.values().map(Vec::len);
            let first = lengths.next().unwrap_or(0);
            if lengths.any(|length| length != first) {
                return Err(format!("the columns of curve `{name}` differ in length"));
            }
            if curve.values().flatten().any(|value| !value.is_finite()) {
                return Err(format!("curve `{name}` holds a number that is not finite"));
            }
        }
        for (name, table) in &self.tables {
            for row in &table.rows {
                if row.len() != table.columns.len() {
                    return Err(format!("a row of table `{name}` is not as long as its header"));
                }
                if row.iter().any(|cell| matches!(cell, Cell::Number(number) if !number.is_finite())) {
                    return Err(format!("table `{name}` holds a number that is not finite"));
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_has_the_shape_of_the_contract() {
        let mut reading = Reading::new("sweep", 1, 48_000.0);
        reading
            .value("snr_db", 61.8)
            .value("arrival_s", f64::NAN)
            .label("polarity", "normal")
            .curve("response", [("frequency_hz", vec![20.0]), ("magnitude_db", vec![0.0])])
            .finding(Finding::caution("low-snr", "Turn up the level."));
        reading.tables.insert(
            "steps".to_owned(),
            Table {
                columns: vec!["step".to_owned(), "clean".to_owned(), "level_v".to_owned()],
                rows: vec![vec![Cell::Number(1.0), Cell::Flag(true), Cell::Empty]],
            },
        );
        let json = serde_json::to_value(&reading).unwrap();
        assert_eq!(json["values"], serde_json::json!({ "snr_db": 61.8 }));
        assert_eq!(json["findings"][0]["level"], "caution");
        assert_eq!(json["tables"]["steps"]["rows"][0], serde_json::json!([1.0, true, null]));
        assert_eq!(serde_json::from_value::<Reading>(json).unwrap(), reading);
        assert_eq!(reading.check(), Ok(()));
    }

    #[test]
    fn uneven_columns_are_a_breach() {
        let mut reading = Reading::new("sweep", 1, 48_000.0);
        reading.curve("response", [("frequency_hz", vec![20.0, 30.0]), ("magnitude_db", vec![0.0])]);
        assert!(reading.check().unwrap_err().contains("response"));
    }
}
