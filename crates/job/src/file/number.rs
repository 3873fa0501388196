//! Numbers that JSON can hold, and the number of the version.

use serde::de::{Deserializer, Error as _};
use serde::ser::{Error as _, Serializer};
use serde::{Deserialize, Serialize};

/// A finite number. JSON has no other, and `serde_json` would write `null` for
/// one, which could not be read back: refusing it keeps the old file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Number(pub(crate) f64);

impl From<f64> for Number {
    fn from(value: f64) -> Self {
        Self(value)
    }
}

impl From<Number> for f64 {
    fn from(number: Number) -> Self {
        number.0
    }
}

impl Serialize for Number {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if self.0.is_finite() {
            serializer.serialize_f64(self.0)
        } else {
            Err(S::Error::custom(format_args!("it holds {}, which JSON cannot", self.0)))
        }
    }
}

impl<'de> Deserialize<'de> for Number {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let value = f64::deserialize(deserializer)?;
        if value.is_finite() { Ok(Self(value)) } else { Err(D::Error::custom("the number is too large")) }
    }
}

pub(crate) fn numbers(values: &[f64]) -> Vec<Number> {
    values.iter().copied().map(Number).collect()
}

pub(crate) fn plain(numbers: Vec<Number>) -> Vec<f64> {
    numbers.into_iter().map(f64::from).collect()
}

/// The version of a file: any up to the newest is read, the newest is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Version<const NEWEST: u64>(u64);

impl<const NEWEST: u64> Version<NEWEST> {
    /// What is written.
    pub(crate) const NEWEST: Self = Self(NEWEST);

    /// What was read.
    pub(crate) fn number(self) -> u64 {
        self.0
    }
}

impl<const NEWEST: u64> Serialize for Version<NEWEST> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_u64(NEWEST)
    }
}

impl<'de, const NEWEST: u64> Deserialize<'de> for Version<NEWEST> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match u64::deserialize(deserializer)? {
            known if (1..=NEWEST).contains(&known) => Ok(Self(known)),
            other => {
                Err(D::Error::custom(format_args!("there is no version {other}; expected 1 to {NEWEST}")))
            }
        }
    }
}
