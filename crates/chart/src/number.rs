//! How values are written on an axis and at the cross-hair.

/// A number as it is written on an axis: thousands as `k`, no needless zeros,
/// a true minus sign.
#[must_use]
pub fn number(value: f64) -> String {
    let (value, suffix) = if value.abs() >= 1000.0 { (value / 1000.0, "k") } else { (value, "") };
    let mut text = format!("{value:.4}");
    while text.ends_with('0') {
        text.pop();
    }
    if text.ends_with('.') {
        text.pop();
    }
    if text == "-0" {
        text = "0".to_owned();
    }
    text.replace('-', "\u{2212}") + suffix
}

/// A value with its unit as it is read at the cross-hair: frequencies with three
/// significant digits, everything else with one decimal place.
#[must_use]
pub fn with_unit(value: f64, unit: &str) -> String {
    if unit == "Hz" {
        return match value.abs() {
            v if v >= 10_000.0 => format!("{:.1} kHz", value / 1000.0),
            v if v >= 1000.0 => format!("{:.2} kHz", value / 1000.0),
            v if v >= 100.0 => format!("{value:.0} Hz"),
            _ => format!("{value:.1} Hz"),
        };
    }
    let value = if value.abs() < 0.05 { 0.0 } else { value };
    let text = format!("{value:.1}").replace('-', "\u{2212}");
    if unit.is_empty() { text } else { format!("{text} {unit}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_with_sensible_digits() {
        assert_eq!(with_unit(63.04, "Hz"), "63.0 Hz");
        assert_eq!(with_unit(632.4, "Hz"), "632 Hz");
        assert_eq!(with_unit(1254.0, "Hz"), "1.25 kHz");
        assert_eq!(with_unit(12_540.0, "Hz"), "12.5 kHz");
        assert_eq!(with_unit(-3.26, "dB"), "−3.3 dB");
        assert_eq!(with_unit(-0.01, "dB"), "0.0 dB");
        assert_eq!(number(-2500.0), "−2.5k");
        assert_eq!(number(-0.0), "0");
    }
}
