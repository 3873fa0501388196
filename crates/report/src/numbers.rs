//! Numbers as a person types them.

use units::quantity::spoken;

/// The speed of sound by which a delay is shown as a distance: dry air at 20 °C
/// (`331.3·√(1 + 20/273.15)` m/s).
const SPEED_OF_SOUND_M_S: f64 = 343.2;

/// At most this many decimals, without needless zeros, with a true minus sign, and never `-0`.
pub(crate) fn plain(value: f64, decimals: usize) -> String {
    let mut text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
    if text == "-0" { "0".to_owned() } else { text.replace('-', "\u{2212}") }
}

/// With a sign, so that a cut cannot be read as a boost.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    let text = plain(value, decimals);
    if value > 0.0 && text != "0" { format!("+{text}") } else { text }
}

pub(crate) fn frequency(hz: f64) -> String {
    format!("{} Hz", plain(hz, if hz < 100.0 { 2 } else { 1 }))
}

/// A frequency as it is said, with three digits: `63 Hz`, `1.25 kHz`.
pub(crate) fn frequency_in_words(hz: f64) -> String {
    spoken("hz", hz).value
}

pub(crate) fn gain(db: f64) -> String {
    format!("{} dB", signed(db, 2))
}

pub(crate) fn q(value: f64) -> String {
    plain(value, 3)
}

pub(crate) fn delay(s: f64) -> String {
    format!("{} ms", plain(s * 1e3, 3))
}

/// The way that sound goes during a delay.
pub(crate) fn distance(s: f64) -> String {
    format!("{} cm", plain(s * SPEED_OF_SOUND_M_S * 100.0, 0))
}

pub(crate) fn volts(v: f64) -> String {
    format!("{v:.2} V")
}

/// A deviation from the target.
pub(crate) fn deviation(db: f64) -> String {
    format!("{db:.1} dB")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_as_they_are_typed() {
        assert_eq!(frequency(160.0), "160 Hz");
        assert_eq!(frequency(31.5), "31.5 Hz");
        assert_eq!(frequency(1_234.56), "1234.6 Hz");
        assert_eq!(gain(-4.5), "−4.5 dB");
        assert_eq!(gain(3.0), "+3 dB");
        assert_eq!(gain(-0.001), "0 dB");
        assert_eq!(gain(100.0), "+100 dB");
        assert_eq!(q(3.2), "3.2");
        assert_eq!(delay(0.001_31), "1.31 ms");
        assert_eq!(volts(4.1), "4.10 V");
    }

    /// Source: arithmetic, 343.2 m/s in dry air at 20 °C.
    #[test]
    fn a_millisecond_is_about_34_centimetres() {
        assert_eq!(distance(0.001), "34 cm");
        assert_eq!(distance(0.01), "343 cm");
    }
}
