//! `reading.json`.

use std::collections::BTreeMap;

use measure::{Cell, Curve, Finding, FindingLevel, Reading, Table};
use serde::{Deserialize, Serialize};

use super::{Number, Version, numbers, plain};
use crate::json::Document;

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ReadingFile {
    format: String,
    version: Version<1>,
    reading: ReadingV1,
}

impl Document for ReadingFile {
    const FORMAT: &'static str = "headrest-reading";
    const VERSION: u64 = 1;
    const IS_CHECKED: bool = false;
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ReadingV1 {
    measurement: String,
    version: u32,
    sample_rate_hz: Number,
    #[serde(default)]
    values: BTreeMap<String, Number>,
    #[serde(default)]
    labels: BTreeMap<String, String>,
    #[serde(default)]
    curves: BTreeMap<String, BTreeMap<String, Vec<Number>>>,
    #[serde(default)]
    tables: BTreeMap<String, TableV1>,
    #[serde(default)]
    findings: Vec<FindingV1>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TableV1 {
    columns: Vec<String>,
    rows: Vec<Vec<CellV1>>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
enum CellV1 {
    Flag(bool),
    Number(Number),
    Text(String),
    Empty,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FindingV1 {
    level: LevelV1,
    code: String,
    text: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum LevelV1 {
    Note,
    Caution,
    Stop,
}

impl From<&Reading> for ReadingFile {
    fn from(reading: &Reading) -> Self {
        let curves = reading
            .curves
            .iter()
            .map(|(name, curve)| {
                let columns =
                    curve.iter().map(|(column, values)| (column.clone(), numbers(values))).collect();
                (name.clone(), columns)
            })
            .collect();
        let reading = ReadingV1 {
            measurement: reading.measurement.clone(),
            version: reading.version,
            sample_rate_hz: reading.sample_rate_hz.into(),
            values: reading.values.iter().map(|(name, &value)| (name.clone(), value.into())).collect(),
            labels: reading.labels.clone(),
            curves,
            tables: reading.tables.iter().map(|(name, table)| (name.clone(), table.into())).collect(),
            findings: reading.findings.iter().map(Into::into).collect(),
        };
        Self { format: Self::FORMAT.to_owned(), version: Version::NEWEST, reading }
    }
}

impl From<ReadingFile> for Reading {
    fn from(file: ReadingFile) -> Self {
        let file = file.reading;
        let curves = file
            .curves
            .into_iter()
            .map(|(name, columns)| {
                let curve: Curve =
                    columns.into_iter().map(|(column, values)| (column, plain(values))).collect();
                (name, curve)
            })
            .collect();
        Self {
            measurement: file.measurement,
            version: file.version,
            sample_rate_hz: file.sample_rate_hz.into(),
            values: file.values.into_iter().map(|(name, value)| (name, value.into())).collect(),
            labels: file.labels,
            curves,
            tables: file.tables.into_iter().map(|(name, table)| (name, table.into())).collect(),
            findings: file.findings.into_iter().map(Into::into).collect(),
        }
    }
}

impl From<&Table> for TableV1 {
    fn from(table: &Table) -> Self {
        let cell = |cell: &Cell| match cell {
            Cell::Flag(flag) => CellV1::Flag(*flag),
            Cell::Number(number) => CellV1::Number((*number).into()),
            Cell::Text(text) => CellV1::Text(text.clone()),
            Cell::Empty => CellV1::Empty,
        };
        Self {
            columns: table.columns.clone(),
            rows: table.rows.iter().map(|row| row.iter().map(cell).collect()).collect(),
        }
    }
}

impl From<TableV1> for Table {
    fn from(file: TableV1) -> Self {
        let cell = |cell: CellV1| match cell {
            CellV1::Flag(flag) => Cell::Flag(flag),
            CellV1::Number(number) => Cell::Number(number.into()),
            CellV1::Text(text) => Cell::Text(text),
            CellV1::Empty => Cell::Empty,
        };
        Self {
            columns: file.columns,
            rows: file.rows.into_iter().map(|row| row.into_iter().map(cell).collect()).collect(),
        }
    }
}

impl From<&Finding> for FindingV1 {
    fn from(finding: &Finding) -> Self {
        let level = match finding.level {
            FindingLevel::Note => LevelV1::Note,
            FindingLevel::Caution => LevelV1::Caution,
            FindingLevel::Stop => LevelV1::Stop,
        };
        Self { level, code: finding.code.clone(), text: finding.text.clone() }
    }
}

impl From<FindingV1> for Finding {
    fn from(file: FindingV1) -> Self {
        let level = match file.level {
            LevelV1::Note => FindingLevel::Note,
            LevelV1::Caution => FindingLevel::Caution,
            LevelV1::Stop => FindingLevel::Stop,
        };
        Self { level, code: file.code, text: file.text }
    }
}
