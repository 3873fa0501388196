//! Numbers as people write them: a decimal comma, a unit behind, `20k`.

use library::Error;
use units::quantity::parse;

/// Reads a number in one of some units, each with what it counts.
fn read(text: &str, units: &[(&str, f64)], expected: &str) -> Result<f64, String> {
    // As it is written, or else in letters of another size: `20K`, `4 OHM`.
    let factor = |unit: &str| {
        let exact = units.iter().find(|(known, _)| *known == unit);
        exact
            .or_else(|| units.iter().find(|(known, _)| known.eq_ignore_ascii_case(unit)))
            .map(|(_, factor)| factor)
    };
    parse(text)
        .and_then(|(value, unit)| Some(value * factor(&unit.split_whitespace().collect::<String>())?))
        .ok_or_else(|| format!("`{}` is not {expected}", text.trim()))
}

/// A frequency: `80`, `3.5k`, `3,5 kHz`.
pub(crate) fn hertz(text: &str) -> Result<f64, String> {
    const UNITS: &[(&str, f64)] = &[("", 1.0), ("Hz", 1.0), ("k", 1e3), ("kHz", 1e3)];
    read(text, UNITS, "a frequency, such as 80, 3.5k or 3500 Hz")
}

/// A difference of levels: `-3.5`, `−3,5 dB`.
pub(crate) fn decibels(text: &str) -> Result<f64, String> {
    read(text, &[("", 1.0), ("dB", 1.0)], "a number of decibels, such as -3.5")
}

/// A time in milliseconds: `1.94`, `1,94 ms`, `120 us`.
pub(crate) fn milliseconds(text: &str) -> Result<f64, String> {
    const UNITS: &[(&str, f64)] = &[("", 1.0), ("ms", 1.0), ("us", 1e-3), ("µs", 1e-3), ("s", 1e3)];
    read(text, UNITS, "a time in milliseconds, such as 1.94 or 120 us")
}

/// A level against digital full scale: `-12`, `−12 dBFS`.
pub(crate) fn dbfs(text: &str) -> Result<f64, String> {
    const UNITS: &[(&str, f64)] = &[("", 1.0), ("dBFS", 1.0), ("dB", 1.0)];
    read(text, UNITS, "a level in dBFS, such as -12")
}

/// A time in seconds: `5`, `2,5 s`, `500 ms`, `1 min`.
pub(crate) fn seconds(text: &str) -> Result<f64, String> {
    const UNITS: &[(&str, f64)] = &[("", 1.0), ("s", 1.0), ("ms", 1e-3), ("min", 60.0)];
    read(text, UNITS, "a time in seconds, such as 5 or 2.5 s")
}

/// A voltage: `4.1`, `4,1 V`, `850 mV`.
pub(crate) fn volts(text: &str) -> Result<f64, String> {
    const UNITS: &[(&str, f64)] = &[("", 1.0), ("V", 1.0), ("mV", 1e-3)];
    read(text, UNITS, "a voltage, such as 4.1 or 850 mV")
}

/// A part of a hundred: `1`, `0,5 %`.
pub(crate) fn percent(text: &str) -> Result<f64, String> {
    read(text, &[("", 1.0), ("%", 1.0)], "a number of percent, such as 1 or 0.5 %")
}

/// A temperature: `20`, `-5 °C`.
pub(crate) fn celsius(text: &str) -> Result<f64, String> {
    const UNITS: &[(&str, f64)] = &[("", 1.0), ("°C", 1.0), ("C", 1.0), ("°", 1.0)];
    read(text, UNITS, "a temperature in degrees Celsius, such as 20")
}

/// A speed of an engine: `850`, `850 rpm`.
pub(crate) fn rpm(text: &str) -> Result<f64, String> {
    read(text, &[("", 1.0), ("rpm", 1.0)], "an engine's speed, such as 850 or 850 rpm")
}

/// A number without a unit: `3`, `0,5`.
pub(crate) fn count(text: &str) -> Result<f64, String> {
    read(text, &[("", 1.0)], "a number")
}

/// A power: `100`, `100 W`, `1.2 kW`.
pub(crate) fn watts(text: &str) -> Result<f64, String> {
    read(text, &[("", 1.0), ("W", 1.0), ("kW", 1e3)], "a power, such as 100 or 100 W")
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
            (hertz("20K"), 20_000.0),
            (watts("100 W"), 100.0),
            (ohms("4Ω"), 4.0),
            (decibels("−3,5dB"), -3.5),
            (milliseconds("120 us"), 0.12),
            (plain("50 km/h", "km/h"), 50.0),
            (dbfs("−12 dBFS"), -12.0),
            (seconds("2,5 s"), 2.5),
            (volts("850mV"), 0.85),
            (percent("0,5 %"), 0.5),
            (celsius("-5 °C"), -5.0),
            (rpm("2000 rpm"), 2_000.0),
            (count("0,5"), 0.5),
        ] {
            let got = got.expect("a number");
            assert!((got - wanted).abs() < 1e-12, "{got} for {wanted}");
        }
        for wrong in ["", "k", "1,000.5", "1.2.3", "20 apples", "nan", "1e3"] {
            assert!(hertz(wrong).is_err(), "{wrong}");
        }
    }
}
