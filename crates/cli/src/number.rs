//! Numbers as people write them: a decimal comma, a unit behind, `20k`.

use library::Error;

/// A number and what stands behind it, blanks left out; nothing where it is no number.
fn quantity(text: &str) -> Option<(f64, String)> {
    let text = text.trim().replace('−', "-");
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.,".contains(c))).unwrap_or(text.len());
    // A comma is a decimal sign where it stands alone; with a point or another comma it leaves a doubt.
    let number = match (text[..end].matches(',').count(), text[..end].contains('.')) {
        (0, _) => text[..end].to_owned(),
        (1, false) => text[..end].replace(',', "."),
        _ => return None,
    };
    let value = number.parse::<f64>().ok().filter(|value| value.is_finite())?;
    Some((value, text[end..].split_whitespace().collect()))
}

/// Reads a number in one of some units, each with what it counts.
fn read(text: &str, units: &[(&str, f64)], expected: &str) -> Result<f64, String> {
    let factor = |unit: &str| units.iter().find(|(known, _)| *known == unit).map(|(_, factor)| factor);
    quantity(text)
        .and_then(|(value, unit)| Some(value * factor(&unit)?))
        .ok_or_else(|| format!("`{}` is not {expected}", text.trim()))
}

/// A frequency: `80`, `3.5k`, `3,5 kHz`.
pub(crate) fn hertz(text: &str) -> Result<f64, String> {
    const UNITS: &[(&str, f64)] =
        &[("", 1.0), ("Hz", 1.0), ("hz", 1.0), ("k", 1e3), ("kHz", 1e3), ("khz", 1e3)];
    read(text, UNITS, "a frequency, such as 80, 3.5k or 3500 Hz")
}

/// A difference of levels: `-3.5`, `−3,5 dB`.
pub(crate) fn decibels(text: &str) -> Result<f64, String> {
    read(text, &[("", 1.0), ("dB", 1.0), ("db", 1.0)], "a number of decibels, such as -3.5")
}

/// A time in milliseconds: `1.94`, `1,94 ms`, `120 us`.
pub(crate) fn milliseconds(text: &str) -> Result<f64, String> {
    const UNITS: &[(&str, f64)] = &[("", 1.0), ("ms", 1.0), ("us", 1e-3), ("µs", 1e-3), ("s", 1e3)];
    read(text, UNITS, "a time in milliseconds, such as 1.94 or 120 us")
}

/// A power: `100`, `100 W`, `1.2 kW`.
pub(crate) fn watts(text: &str) -> Result<f64, String> {
    read(text, &[("", 1.0), ("W", 1.0), ("w", 1.0), ("kW", 1e3)], "a power, such as 100 or 100 W")
}

/// A load: `4`, `4 ohm`, `2Ω`.
pub(crate) fn ohms(text: &str) -> Result<f64, String> {
    read(text, &[("", 1.0), ("ohm", 1.0), ("ohms", 1.0), ("Ω", 1.0)], "a load, such as 4 or 4 ohm")
}

/// A plain number: `850`, `850 rpm`, `50 km/h`.
pub(crate) fn plain(text: &str, unit: &str) -> Result<f64, String> {
    read(text, &[("", 1.0), (unit, 1.0)], "a number")
}

/// The same for a setting that a person gave, with its name.
pub(crate) fn of<T>(name: &str, read: Result<T, String>) -> Result<T, Error> {
    read.map_err(|problem| Error::input(format!("{name}: {problem}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: arithmetic; an inch is 25.4 mm, a foot 12 of them.
    #[test]
    fn numbers_are_read_as_people_write_them() {
        for (got, wanted) in [
            (hertz("20k"), 20_000.0),
            (hertz(" 3,5 kHz"), 3_500.0),
            (hertz("80"), 80.0),
            (watts("100 W"), 100.0),
            (ohms("4Ω"), 4.0),
            (decibels("−3,5dB"), -3.5),
            (milliseconds("120 us"), 0.12),
            (plain("50 km/h", "km/h"), 50.0),
        ] {
            let got = got.expect("a number");
            assert!((got - wanted).abs() < 1e-12, "{got} for {wanted}");
        }
        for wrong in ["", "k", "1,000.5", "1.2.3", "20 apples", "nan", "1e3"] {
            assert!(hertz(wrong).is_err(), "{wrong}");
        }
    }
}
