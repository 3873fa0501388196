//! A number with its unit, as a person types it.

/// A number and what stands behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Quantity<'a> {
    /// The number.
    pub(crate) value: f64,
    /// The unit as it was typed; empty without one.
    pub(crate) unit: &'a str,
}

impl<'a> Quantity<'a> {
    /// Reads a plain decimal number, with a point or one comma, and what follows it.
    /// Exponents are refused: no one types them, and `1e3` may be a slip.
    #[must_use]
    pub(crate) fn parse(text: &'a str) -> Option<Self> {
        let (value, unit) = units::quantity::parse(text)?;
        Some(Self { value, unit })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_with_and_without_a_unit() {
        assert_eq!(Quantity::parse("2,5 V"), Some(Quantity { value: 2.5, unit: "V" }));
        assert_eq!(Quantity::parse("−3dB"), Some(Quantity { value: -3.0, unit: "dB" }));
        assert_eq!(Quantity::parse("7"), Some(Quantity { value: 7.0, unit: "" }));
        for text in ["", "V", "1,000.5 V", "--3", "nan"] {
            assert_eq!(Quantity::parse(text), None, "{text}");
        }
    }
}
