//! What can be set on a measurement, with unit, default and range.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};

/// One thing that can be set.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Parameter {
    /// Its key on the command line.
    pub name: String,
    /// What it does, in a few words.
    pub help: String,
    /// Its kind, default and range.
    #[serde(flatten)]
    pub kind: ParameterKind,
}

/// The kinds of values that a parameter takes.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum ParameterKind {
    /// A number within a range.
    Number {
        /// Its unit as it is written, empty for a bare number.
        unit: String,
        /// The value when nothing is set.
        default: f64,
        /// The least allowed value.
        min: f64,
        /// The greatest allowed value.
        max: f64,
    },
    /// A whole number within a range.
    Integer {
        /// Its unit as it is written, empty for a bare number.
        unit: String,
        /// The value when nothing is set.
        default: i64,
        /// The least allowed value.
        min: i64,
        /// The greatest allowed value.
        max: i64,
    },
    /// One word of several.
    Choice {
        /// The word when nothing is set.
        default: String,
        /// The words allowed.
        options: Vec<String>,
    },
    /// Free text, such as a list.
    Text {
        /// The text when nothing is set.
        default: String,
    },
}

/// A value that was set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ParameterValue {
    /// A number, whole or not.
    Number(f64),
    /// A word or text.
    Text(String),
}

/// Why a setting was refused.
#[derive(Debug, Clone, PartialEq)]
pub enum ParameterError {
    /// There is no such parameter.
    Unknown {
        /// What was typed.
        key: String,
        /// Of which measurement.
        measurement: String,
        /// What was probably meant.
        nearest: Option<String>,
    },
    /// The value is not one that the parameter takes.
    Value {
        /// Of which parameter.
        key: String,
        /// What was typed.
        text: String,
        /// What was expected.
        expected: String,
    },
}

impl fmt::Display for ParameterError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unknown { key, measurement, nearest } => {
                write!(f, "the measurement `{measurement}` has no parameter `{key}`")?;
                match nearest {
                    Some(name) => write!(f, "; did you mean `{name}`?"),
                    None => write!(f, "; `headrest plugins show {measurement}` lists them"),
                }
            }
            Self::Value { key, text, expected } => {
                write!(f, "parameter `{key}` is `{text}`; expected {expected}")
            }
        }
    }
}

impl std::error::Error for ParameterError {}

impl Parameter {
    /// A number within a range.
    #[must_use]
    pub fn number(name: &str, unit: &str, default: f64, range: (f64, f64), help: &str) -> Self {
        let kind = ParameterKind::Number { unit: unit.to_owned(), default, min: range.0, max: range.1 };
        Self { name: name.to_owned(), help: help.to_owned(), kind }
    }

    /// A whole number within a range.
    #[must_use]
    pub fn integer(name: &str, unit: &str, default: i64, range: (i64, i64), help: &str) -> Self {
        let kind = ParameterKind::Integer { unit: unit.to_owned(), default, min: range.0, max: range.1 };
        Self { name: name.to_owned(), help: help.to_owned(), kind }
    }

    /// One word of several, the first being the default.
    #[must_use]
    pub fn choice(name: &str, options: &[&str], help: &str) -> Self {
        let options: Vec<String> = options.iter().map(|&o| o.to_owned()).collect();
        let kind = ParameterKind::Choice { default: options.first().cloned().unwrap_or_default(), options };
        Self { name: name.to_owned(), help: help.to_owned(), kind }
    }

    /// Free text.
    #[must_use]
    pub fn text(name: &str, default: &str, help: &str) -> Self {
        let kind = ParameterKind::Text { default: default.to_owned() };
        Self { name: name.to_owned(), help: help.to_owned(), kind }
    }

    /// The value when nothing is set.
    #[must_use]
    pub fn default_value(&self) -> ParameterValue {
        match &self.kind {
            ParameterKind::Number { default, .. } => ParameterValue::Number(*default),
            #[expect(clippy::cast_precision_loss, reason = "defaults are small whole numbers")]
            ParameterKind::Integer { default, .. } => ParameterValue::Number(*default as f64),
            ParameterKind::Choice { default, .. } | ParameterKind::Text { default } => {
                ParameterValue::Text(default.clone())
            }
        }
    }

    /// Reads what a person typed.
    ///
    /// # Errors
    /// When it is not of the parameter's kind or outside its range.
    pub fn parse(&self, text: &str) -> Result<ParameterValue, ParameterError> {
        let refuse = |expected: String| ParameterError::Value {
            key: self.name.clone(),
            text: text.to_owned(),
            expected,
        };
        let trimmed = text.trim();
        match &self.kind {
            ParameterKind::Number { unit, min, max, .. } => number(trimmed, unit)
                .filter(|value| (*min..=*max).contains(value))
                .map(ParameterValue::Number)
                .ok_or_else(|| refuse(format!("a number from {min} to {max} {unit}").trim_end().to_owned())),
            ParameterKind::Integer { unit, min, max, .. } => trimmed
                .parse::<i64>()
                .ok()
                .filter(|value| (*min..=*max).contains(value))
                .map(|value| {
                    #[expect(clippy::cast_precision_loss, reason = "ranges of whole numbers are small")]
                    ParameterValue::Number(value as f64)
                })
                .ok_or_else(|| {
                    refuse(format!("a whole number from {min} to {max} {unit}").trim_end().to_owned())
                }),
            ParameterKind::Choice { options, .. } => options
                .iter()
                .find(|option| option.as_str() == trimmed)
                .map(|option| ParameterValue::Text(option.clone()))
                .ok_or_else(|| refuse(format!("one of {}", options.join(", ")))),
            ParameterKind::Text { .. } => Ok(ParameterValue::Text(trimmed.to_owned())),
        }
    }
}

/// A number as people write it, perhaps with the parameter's unit: `3.5`, `3,5 dB`, `20k` for hertz.
fn number(text: &str, unit: &str) -> Option<f64> {
    if let Ok(plain) = text.parse::<f64>() {
        return Some(plain).filter(|value| value.is_finite());
    }
    let (value, behind) = units::quantity::parse(text)?;
    let factor = match (behind.to_lowercase().as_str(), unit) {
        ("", _) => 1.0,
        (behind, unit) if behind == unit.to_lowercase() => 1.0,
        ("k" | "khz", "hz") => 1e3,
        ("ms", "s") => 1e-3,
        ("%", "percent") => 1.0,
        _ => return None,
    };
    Some(value * factor)
}

/// The values of all of a measurement's parameters.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Parameters(BTreeMap<String, ParameterValue>);

impl Parameters {
    /// Every parameter at its default.
    #[must_use]
    pub fn from_defaults(parameters: &[Parameter]) -> Self {
        Self(parameters.iter().map(|p| (p.name.clone(), p.default_value())).collect())
    }

    /// Sets one value; checking it is the caller's part (see [`Parameter::parse`]).
    pub fn set(&mut self, name: &str, value: ParameterValue) {
        self.0.insert(name.to_owned(), value);
    }

    /// A numeric parameter; `None` when it is absent or a text.
    #[must_use]
    pub fn number(&self, name: &str) -> Option<f64> {
        match self.0.get(name) {
            Some(ParameterValue::Number(value)) => Some(*value),
            _ => None,
        }
    }

    /// A word or text; `None` when it is absent or a number.
    #[must_use]
    pub fn text(&self, name: &str) -> Option<&str> {
        match self.0.get(name) {
            Some(ParameterValue::Text(text)) => Some(text),
            _ => None,
        }
    }

    /// All values in the order of their names.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &ParameterValue)> {
        self.0.iter().map(|(name, value)| (name.as_str(), value))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_outside_the_range_are_refused_with_the_range() {
        let limit = Parameter::number("thd_limit", "percent", 1.0, (0.01, 30.0), "clean below this");
        assert_eq!(limit.parse("0.5"), Ok(ParameterValue::Number(0.5)));
        assert_eq!(limit.parse("0,5 %"), Ok(ParameterValue::Number(0.5)));
        let from = Parameter::number("from", "hz", 20.0, (1.0, 96_000.0), "");
        assert_eq!(from.parse("20k"), Ok(ParameterValue::Number(20_000.0)));
        assert_eq!(from.parse("63,5 Hz"), Ok(ParameterValue::Number(63.5)));
        assert!(from.parse("20 apples").is_err());
        for bad in ["31", "nan", "inf", "-1", "one", ""] {
            let message = limit.parse(bad).unwrap_err().to_string();
            assert!(message.contains("from 0.01 to 30 percent"), "{message}");
        }
    }

    proptest::proptest! {
        #[test]
        fn parsing_never_panics(text in ".{0,40}") {
            let _ = Parameter::number("a", "hz", 1.0, (0.0, 2.0), "").parse(&text);
            let _ = Parameter::integer("a", "", 1, (0, 2), "").parse(&text);
            let _ = Parameter::choice("a", &["x", "y"], "").parse(&text);
        }
    }
}
