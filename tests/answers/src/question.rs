//! One question: a JSON object with named numbers, words and rows of numbers.

use num_complex::Complex64;
use serde_json::{Value, json};

/// What was asked.
pub(crate) struct Question(Value);

impl Question {
    /// Reads one line.
    pub(crate) fn parse(line: &str) -> Result<Self, String> {
        serde_json::from_str(line).map(Self).map_err(|error| error.to_string())
    }

    /// Which question it is.
    pub(crate) fn kind(&self) -> Result<&str, String> {
        self.word("ask")
    }

    pub(crate) fn word(&self, name: &str) -> Result<&str, String> {
        self.0[name].as_str().ok_or_else(|| format!("`{name}` is not a word"))
    }

    pub(crate) fn number(&self, name: &str) -> Result<f64, String> {
        self.0[name].as_f64().ok_or_else(|| format!("`{name}` is not a number"))
    }

    pub(crate) fn count(&self, name: &str) -> Result<usize, String> {
        let count = self.0[name].as_u64().and_then(|count| usize::try_from(count).ok());
        count.ok_or_else(|| format!("`{name}` is not a whole number"))
    }

    pub(crate) fn flag(&self, name: &str) -> Result<bool, String> {
        self.0[name].as_bool().ok_or_else(|| format!("`{name}` is not true or false"))
    }

    pub(crate) fn list(&self, name: &str) -> Result<&[Value], String> {
        self.0[name].as_array().map(Vec::as_slice).ok_or_else(|| format!("`{name}` is not a list"))
    }

    pub(crate) fn row(&self, name: &str) -> Result<Vec<f64>, String> {
        self.0[name]
            .as_array()
            .and_then(|row| row.iter().map(Value::as_f64).collect())
            .ok_or_else(|| format!("`{name}` is not a row of numbers"))
    }
}

/// Complex numbers as two rows.
pub(crate) fn complex_rows(values: &[Complex64]) -> Value {
    json!({
        "re": values.iter().map(|value| value.re).collect::<Vec<f64>>(),
        "im": values.iter().map(|value| value.im).collect::<Vec<f64>>(),
    })
}
