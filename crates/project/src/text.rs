//! How numbers are written for people, where no form of a paper decides it.

/// A frequency as it is written on a chart: `63 Hz`, `2 kHz`, `21.5 kHz`.
#[must_use]
pub fn hertz(frequency_hz: f64) -> String {
    if frequency_hz < 1000.0 {
        format!("{frequency_hz:.0} Hz")
    } else {
        format!("{} kHz", (frequency_hz / 100.0).round() / 10.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frequencies_are_written_as_on_a_chart() {
        assert_eq!([15.0, 250.0, 2_000.0, 21_500.0].map(hertz), ["15 Hz", "250 Hz", "2 kHz", "21.5 kHz"]);
    }
}
