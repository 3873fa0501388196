//! The attenuator pad ahead of an interface's input: its loss from its resistors.

use crate::Quantity;

/// A pad of a series and a shunt resistor, with the input that hangs on it.
///
/// ```text
/// source o---[ series ]---+-----o input
///                         |
///                      [ shunt ]     (the input's own impedance lies beside the shunt)
///                         |
/// return o---[ series ]---+-----o     (the second series resistor when balanced)
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attenuator {
    /// The series resistor in ohms; of a balanced pad each of the two.
    pub series_ohm: f64,
    /// The shunt resistor in ohms.
    pub shunt_ohm: f64,
    /// The impedance of the interface's input; absent for one that does not load the pad.
    pub input_ohm: Option<f64>,
    /// Whether a second series resistor lies in the return wire.
    pub balanced: bool,
}

/// A pad that cannot be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{what} is {ohm} ohms; {advice}")]
pub struct AttenuatorError {
    what: &'static str,
    ohm: f64,
    advice: &'static str,
}

/// What a resistor in a pad may have.
const LEAST_OHM: f64 = 0.1;
const MOST_OHM: f64 = 100e6;

impl Attenuator {
    /// Whether the values can be those of a pad.
    ///
    /// # Errors
    /// The first value that cannot.
    pub fn check(&self) -> Result<(), AttenuatorError> {
        let values = [
            ("the series resistor", Some(self.series_ohm)),
            ("the shunt resistor", Some(self.shunt_ohm)),
            ("the input's impedance", self.input_ohm),
        ];
        for (what, ohm) in values {
            if let Some(ohm) = ohm.filter(|ohm| !(LEAST_OHM..=MOST_OHM).contains(ohm)) {
                let advice = "expected 0.1 ohm to 100 megohms, such as 470, 10k or 4k7";
                return Err(AttenuatorError { what, ohm, advice });
            }
        }
        Ok(())
    }

    /// Shunt and input side by side.
    fn lower_ohm(&self) -> f64 {
        self.input_ohm.map_or(self.shunt_ohm, |input| self.shunt_ohm * input / (self.shunt_ohm + input))
    }

    fn upper_ohm(&self) -> f64 {
        if self.balanced { 2.0 * self.series_ohm } else { self.series_ohm }
    }

    /// What is left of a voltage: `g = Rp/(Rs + Rp)`, `Rp` being shunt and input side
    /// by side, `Rs` one series resistor or both.
    ///
    /// References: the voltage divider, Ohm's law. Accuracy: exact; proven by
    /// `pads_of_the_textbook`.
    #[must_use]
    pub fn gain(&self) -> f64 {
        self.lower_ohm() / (self.upper_ohm() + self.lower_ohm())
    }

    /// What the pad takes away, in dB, above 0.
    #[must_use]
    pub fn loss_db(&self) -> f64 {
        -20.0 * self.gain().log10()
    }

    /// What the source sees.
    #[must_use]
    pub fn seen_by_source_ohm(&self) -> f64 {
        self.upper_ohm() + self.lower_ohm()
    }

    /// What one series resistor turns into heat at this voltage ahead of the pad.
    #[must_use]
    pub fn series_power_w(&self, volts_rms: f64) -> f64 {
        let current_a = volts_rms / self.seen_by_source_ohm();
        current_a * current_a * self.series_ohm
    }
}

/// Reads a resistor's value as it is written on parts and drawings: `470`, `10k`,
/// `4k7`, `4.7k`, `1M`, `0R5`, `47 kohm`.
///
/// References: IEC 60062 (the letter in the decimal point's place), from memory.
#[must_use]
pub fn parse_ohms(text: &str) -> Option<f64> {
    let bare = text.trim().trim_end_matches('Ω');
    let bare = strip_word(strip_word(bare, "ohms"), "ohm").trim();
    let (number, scale) = match bare.find(|c: char| "kKMRr".contains(c)) {
        None => (bare.replace(',', "."), 1.0),
        Some(place) => {
            let scale = match &bare[place..=place] {
                "k" | "K" => 1e3,
                "M" => 1e6,
                _ => 1.0,
            };
            let (whole, part) = (bare[..place].trim(), bare[place + 1..].trim());
            let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
            let number = match (whole.contains(['.', ',']), part.is_empty()) {
                (_, true) => whole.replace(',', "."),
                (false, false) if digits(part) && digits(whole) => format!("{whole}.{part}"),
                _ => return None,
            };
            (number, scale)
        }
    };
    if !number.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.') {
        return None;
    }
    number.parse::<f64>().ok().map(|value| value * scale).filter(|ohm| ohm.is_finite() && *ohm > 0.0)
}

fn strip_word<'a>(text: &'a str, word: &str) -> &'a str {
    let split = text.len().saturating_sub(word.len());
    match text.get(split..) {
        Some(end) if end.eq_ignore_ascii_case(word) => &text[..split],
        _ => text,
    }
}

/// Reads RMS volts as a meter shows them or a person types them: `2.05`, `2,05 V`,
/// `850 mV`, `1.2 kV`. A sign, a `dB` or a `Vpp` is refused: it is another quantity.
#[must_use]
pub fn parse_volts(text: &str) -> Option<f64> {
    let Quantity { value, unit } = Quantity::parse(text)?;
    let scale = match unit {
        "" | "V" | "v" | "Vrms" | "volt" | "volts" | "V AC" | "VAC" => 1.0,
        "mV" | "mv" | "mVrms" => 1e-3,
        "kV" => 1e3,
        _ => return None,
    };
    Some(value * scale).filter(|volts| *volts > 0.0)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use testkit::near;

    use super::*;

    fn pad(series_ohm: f64, shunt_ohm: f64, input_ohm: Option<f64>) -> Attenuator {
        Attenuator { series_ohm, shunt_ohm, input_ohm, balanced: false }
    }

    /// Source: the voltage divider by Ohm's law, computed by an independent script.
    #[test]
    fn pads_of_the_textbook() {
        let cases = [
            (10e3, 1e3, None, -20.827_853_703_164_5, 33.057_851_239_669_41),
            (10e3, 1e3, Some(100e3), -20.906_459_575_733_15, 33.117_441_766_090_415),
            (10e3, 1e3, Some(47e3), -20.994_255_145_536_584, 33.183_427_007_782_91),
            (10e3, 1e3, Some(20e3), -21.213_956_807_072_236, 33.345_935_727_788_27),
            (10e3, 1e3, Some(10e3), -21.583_624_920_952_5, 33.611_111_111_111_11),
            (4.7e3, 1e3, None, -15.117_497_113_449_83, 57.863_958_140_966_446),
            (4.7e3, 1e3, Some(10e3), -15.805_703_280_664_833, 59.754_812_983_826_73),
        ];
        for (series, shunt, input, gain_db, milliwatts) in cases {
            let pad = pad(series, shunt, input);
            near("loss", pad.loss_db(), -gain_db, 1e-9);
            near("heat at 20 V", 1e3 * pad.series_power_w(20.0), milliwatts, 1e-6);
        }
        let balanced = Attenuator { balanced: true, ..pad(5e3, 1e3, None) };
        near("two halves make one", balanced.loss_db(), pad(10e3, 1e3, None).loss_db(), 1e-12);
        near("seen", balanced.seen_by_source_ohm(), 11e3, 1e-9);
    }

    /// Source: IEC 60062, from memory.
    #[test]
    fn resistors_as_they_are_written() {
        for (text, ohm) in [
            ("470", 470.0),
            ("10k", 10e3),
            ("4k7", 4.7e3),
            ("4.7k", 4.7e3),
            ("4,7 k", 4.7e3),
            ("1M", 1e6),
            ("0R5", 0.5),
            ("47R", 47.0),
            ("10 kohm", 10e3),
            ("10kΩ", 10e3),
        ] {
            assert!(parse_ohms(text).is_some_and(|value| (value - ohm).abs() < 1e-9 * ohm), "{text}");
        }
        for text in ["", "k", "-10k", "10k7k", "4.7k2", "ten", "1e9", "inf", "NaN", "0"] {
            assert_eq!(parse_ohms(text), None, "{text}");
        }
    }

    #[test]
    fn volts_as_a_meter_shows_them() {
        for (text, volts) in [("2.05", 2.05), ("2,05 V", 2.05), ("850 mV", 0.85), (" 4.3V ", 4.3)] {
            assert!(parse_volts(text).is_some_and(|value| (value - volts).abs() < 1e-12), "{text}");
        }
        for text in ["", "0", "-2", "2 dB", "3 Vpp", "V", "nan", "inf", "1e400", "2.0.5"] {
            assert_eq!(parse_volts(text), None, "{text}");
        }
    }

    #[test]
    fn impossible_pads_are_named() {
        assert_eq!(pad(10e3, 1e3, Some(20e3)).check(), Ok(()));
        let message = pad(10e3, 0.0, None).check().unwrap_err().to_string();
        assert!(message.contains("shunt") && message.contains("expected"), "{message}");
        assert!(pad(f64::NAN, 1e3, None).check().is_err());
    }

    proptest! {
        #[test]
        fn parsing_never_panics(text in ".{0,12}") {
            let _ = parse_ohms(&text);
            let _ = parse_volts(&text);
        }

        #[test]
        fn what_is_written_is_read(ohm in 1.0f64..1e7) {
            let read = parse_ohms(&format!("{ohm}")).unwrap();
            prop_assert!((read - ohm).abs() <= 1e-9 * ohm);
        }
    }
}
