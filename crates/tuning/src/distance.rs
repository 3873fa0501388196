//! Distances as they are read off a tape.

use crate::Quantity;

const METRES_PER_INCH: f64 = 0.0254;
const METRES_PER_FOOT: f64 = 0.3048;
/// No driver is so far from the one who listens, not even in a bus: what is farther has lost its
/// unit (our choice, no source).
const FARTHEST_M: f64 = 15.0;

/// A distance in metres from what a person typed: `0.95`, `0,95 m`, `95cm`, `950 mm`, `37.5 in`,
/// `37.5"`, `3 ft`, `3' 1.5"`. A number alone is in metres. `None` for what is no distance inside
/// a car, such as `95` without its unit.
#[must_use]
pub fn parse_metres(text: &str) -> Option<f64> {
    let text = text.trim().to_lowercase();
    let metres = match text.split_once(['\'', '′']) {
        Some((feet, inches)) => {
            let inches = inches.trim();
            METRES_PER_FOOT * plain(feet)? + if inches.is_empty() { 0.0 } else { in_one_unit(inches)? }
        }
        None => in_one_unit(&text)?,
    };
    (0.0..=FARTHEST_M).contains(&metres).then_some(metres)
}

/// A number without a unit.
fn plain(text: &str) -> Option<f64> {
    Quantity::parse(text).filter(|quantity| quantity.unit.is_empty()).map(|quantity| quantity.value)
}

fn in_one_unit(text: &str) -> Option<f64> {
    let Quantity { value, unit } = Quantity::parse(text)?;
    let metres = match unit {
        "" | "m" | "metre" | "metres" | "meter" | "meters" => 1.0,
        "cm" => 0.01,
        "mm" => 0.001,
        "in" | "inch" | "inches" | "\"" | "″" => METRES_PER_INCH,
        "ft" | "foot" | "feet" => METRES_PER_FOOT,
        _ => return None,
    };
    Some(value * metres)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_as_they_stand_on_a_tape() {
        for (text, metres) in [
            ("0.95", 0.95),
            ("0,95 m", 0.95),
            ("95cm", 0.95),
            ("95 CM", 0.95),
            ("950 mm", 0.95),
            ("37.5 in", 0.9525),
            ("37,5\"", 0.9525),
            ("3ft", 0.9144),
            ("3'", 0.9144),
            ("3' 1.5\"", 0.9525),
            ("3′1.5″", 0.9525),
            ("0", 0.0),
        ] {
            assert!(parse_metres(text).is_some_and(|value| (value - metres).abs() < 1e-9), "{text}");
        }
        for text in
            ["", "cm", "95", "-1", "-5 cm", "far", "nan", "inf", "1e1", "3'x", "'", "1 km", "2 ms", "20 m"]
        {
            assert_eq!(parse_metres(text), None, "{text}");
        }
    }
}
