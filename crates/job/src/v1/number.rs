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

/// `"version": 1` and no other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct VersionOne;

impl Serialize for VersionOne {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_u64(1)
    }
}

impl<'de> Deserialize<'de> for VersionOne {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match u64::deserialize(deserializer)? {
            1 => Ok(Self),
            other => Err(D::Error::custom(format_args!("there is no version {other}; expected 1"))),
        }
    }
}
