//! From the text in which a plugin tells its reading to one that keeps the contract.

use std::collections::BTreeMap;

use measure::{Cell, Curve, Finding, Reading, Table};
use serde::Deserialize;

use crate::text::{line, name, quoted, tamed, visible};

const MOST_VALUES: usize = 200;
const MOST_LABELS: usize = 100;
const MOST_LABEL: usize = 200;
const MOST_CURVES: usize = 32;
const MOST_CURVE_COLUMNS: usize = 8;
const MOST_POINTS: usize = 65_536;
const MOST_TABLES: usize = 16;
const MOST_TABLE_COLUMNS: usize = 32;
const MOST_ROWS: usize = 10_000;
const MOST_CELL: usize = 200;
const MOST_FINDINGS: usize = 50;
const MOST_CODE: usize = 48;
const MOST_FINDING: usize = 1_000;

/// The text's form. Who measured, and at which rate, the host knows better.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Told {
    values: BTreeMap<String, f64>,
    labels: BTreeMap<String, String>,
    curves: BTreeMap<String, Curve>,
    tables: BTreeMap<String, Table>,
    findings: Vec<Finding>,
}

/// Reads a reading into an empty one, which says who measured.
///
/// # Errors
/// What is wrong with it, as a clause about the reading.
pub(crate) fn decode(text: &str, mut empty: Reading) -> Result<Reading, String> {
    let told: Told = serde_json::from_str(text).map_err(|error| {
        format!("is not of the form that is expected: {}", tamed(&error.to_string(), 200))
    })?;
    check(&told).map_err(|why| format!("cannot be used: {why}"))?;
    empty.values = told.values;
    empty.labels = told.labels.into_iter().map(|(key, word)| (key, visible(word))).collect();
    empty.curves = told.curves;
    empty.tables = told.tables;
    for cell in empty.tables.values_mut().flat_map(|table| table.rows.iter_mut().flatten()) {
        if let Cell::Text(text) = cell {
            *text = visible(std::mem::take(text));
        }
    }
    for finding in told.findings {
        empty.finding(Finding { text: visible(finding.text), ..finding });
    }
    empty.check().map_err(|why| format!("cannot be used: {why}"))?;
    Ok(empty)
}

fn check(told: &Told) -> Result<(), String> {
    at_most("values", told.values.len(), MOST_VALUES)?;
    at_most("labels", told.labels.len(), MOST_LABELS)?;
    at_most("curves", told.curves.len(), MOST_CURVES)?;
    at_most("tables", told.tables.len(), MOST_TABLES)?;
    at_most("findings", told.findings.len(), MOST_FINDINGS)?;
    told.values.keys().try_for_each(|key| name("the value", key))?;
    for (key, word) in &told.labels {
        name("the label", key)?;
        line(&format!("the label `{key}`"), word, MOST_LABEL)?;
    }
    for (key, curve) in &told.curves {
        name("the curve", key)?;
        at_most(&format!("columns in the curve `{key}`"), curve.len(), MOST_CURVE_COLUMNS)?;
        for (column, values) in curve {
            name(&format!("in the curve `{key}`, the column"), column)?;
            at_most(&format!("points in the curve `{key}`"), values.len(), MOST_POINTS)?;
        }
    }
    told.tables.iter().try_for_each(|(key, table)| check_table(key, table))?;
    told.findings.iter().try_for_each(check_finding)
}

fn check_table(key: &str, table: &Table) -> Result<(), String> {
    name("the table", key)?;
    at_most(&format!("columns in the table `{key}`"), table.columns.len(), MOST_TABLE_COLUMNS)?;
    at_most(&format!("rows in the table `{key}`"), table.rows.len(), MOST_ROWS)?;
    for column in &table.columns {
        name(&format!("in the table `{key}`, the column"), column)?;
    }
    for cell in table.rows.iter().flatten() {
        if let Cell::Text(text) = cell {
            line(&format!("a cell of the table `{key}`"), text, MOST_CELL)?;
        }
    }
    Ok(())
}

fn check_finding(finding: &Finding) -> Result<(), String> {
    let is_word =
        |word: &str| !word.is_empty() && word.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit());
    let code = &finding.code;
    if code.len() > MOST_CODE || !code.split('-').all(is_word) {
        return Err(format!(
            "the code {} of a finding is not of lower-case words joined by hyphens",
            quoted(code)
        ));
    }
    if code.starts_with("plugin-") {
        return Err(format!("the finding {} is the host's to make", quoted(code)));
    }
    line(&format!("the text of the finding `{code}`"), &finding.text, MOST_FINDING)
}

fn at_most(what: &str, count: usize, most: usize) -> Result<(), String> {
    if count <= most { Ok(()) } else { Err(format!("it has {count} {what}; at most {most} are taken")) }
}
