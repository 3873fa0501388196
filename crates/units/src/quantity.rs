//! Values as a person reads them: a label, as many digits as mean something, a unit that fits.
//!
//! Everywhere in the program a value's name ends with its unit (`rms_dbfs`, `arrival_s`), so the
//! name alone says how it is to be written. Files keep the name and all digits.

/// A value for a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spoken {
    /// What it is, such as `Noise floor`; empty where the name is the unit alone.
    pub label: String,
    /// The number with its unit.
    pub value: String,
}

/// How the end of a name says the unit.
const ENDINGS: [(&str, Unit); 19] = [
    ("_dbfs", Unit::Decibel("dBFS")),
    ("_dbu", Unit::Decibel("dBu")),
    ("_dbv", Unit::Decibel("dBV")),
    ("_db", Unit::Decibel("dB")),
    ("_khz", Unit::Plain("kHz")),
    ("_hz", Unit::Hertz),
    ("_ms", Unit::Plain("ms")),
    ("_s", Unit::Seconds),
    ("_v", Unit::Volts),
    ("_percent", Unit::Plain("%")),
    ("_ppm", Unit::PartsPerMillion),
    ("_deg", Unit::Plain("°")),
    ("_rpm", Unit::Plain("rpm")),
    ("_ohm", Unit::Ohms),
    ("_w", Unit::Plain("W")),
    ("_m", Unit::Plain("m")),
    ("_octaves", Unit::Plain("octaves")),
    ("_step", Unit::Step),
    ("_frames", Unit::Plain("frames")),
];

#[derive(Clone, Copy)]
enum Unit {
    /// One decimal place.
    Decibel(&'static str),
    Hertz,
    Seconds,
    Volts,
    /// One decimal place: clocks are not known better.
    PartsPerMillion,
    Ohms,
    /// A volume step, which is a whole number and keeps its word.
    Step,
    /// Three significant digits.
    Plain(&'static str),
}

/// The trade's words for names that do not read as such.
const LABELS: [(&str, &str); 29] = [
    ("rms", "RMS level"),
    ("rms_a", "RMS level (A-weighted)"),
    ("peak", "Peak level"),
    ("peak_to_peak", "Peak to peak"),
    ("peak_c", "Peak level (C-weighted)"),
    ("crest", "Crest factor"),
    ("leq_a", "Average level (A-weighted)"),
    ("leq_c", "Average level (C-weighted)"),
    ("leq_z", "Average level (unweighted)"),
    ("max_fast_a", "Maximum level (A-weighted, fast)"),
    ("thd", "THD"),
    ("thd_n", "THD+N"),
    ("snr", "Signal to noise"),
    ("snr_a", "Signal to noise (A-weighted)"),
    ("clock", "Clock difference"),
    ("repeat_error", "Repeatability"),
    ("random_error", "Random error"),
    ("valid_from", "Valid from"),
    ("valid_to", "Valid up to"),
    ("clean", "Highest clean step"),
    ("clean_level", "Level at the clean step"),
    ("first_clipped", "First clipped step"),
    ("mains", "Mains hum"),
    ("broadband", "Broadband level"),
    ("dc_offset", "DC offset"),
    ("dose", "Dose so far"),
    ("dose_8h", "Dose over 8 hours"),
    ("max_slow_a", "Maximum level (A-weighted, slow)"),
    ("fast_a", "Level (A-weighted, fast)"),
];

/// A value under its name.
///
/// Decibels have one decimal place; everything else has three significant digits. Frequencies
/// from 1 kHz on are in kHz, times below a second in ms, volts below one in mV. The minus sign is
/// a true one (U+2212), and there is no negative zero.
#[must_use]
pub fn spoken(name: &str, value: f64) -> Spoken {
    let whole = format!("_{name}");
    let ending = ENDINGS.iter().find(|(ending, _)| whole.ends_with(ending));
    let (stem, unit) = match ending {
        Some((ending, unit)) => (whole[..whole.len() - ending.len()].trim_start_matches('_'), *unit),
        None => (name, Unit::Plain("")),
    };
    Spoken { label: label(stem, unit), value: written(value, unit) }
}

/// The words of a name: `left_arm` is `Left arm`, `h3` the third harmonic.
fn label(stem: &str, unit: Unit) -> String {
    if let Some((_, label)) = LABELS.iter().find(|(name, _)| *name == stem) {
        return (*label).to_owned();
    }
    if let Some(order) = stem.strip_prefix('h').filter(|order| !order.is_empty())
        && order.chars().all(|c| c.is_ascii_digit())
    {
        return format!("Harmonic {order}");
    }
    let step = if matches!(unit, Unit::Step) { " step" } else { "" };
    sentence(&format!("{}{step}", stem.replace('_', " ")))
}

/// Words that begin with a capital.
#[must_use]
pub fn sentence(words: &str) -> String {
    let words = words.trim();
    let mut rest = words.chars();
    rest.next().map_or_else(String::new, |first| first.to_uppercase().chain(rest).collect())
}

fn written(value: f64, unit: Unit) -> String {
    match unit {
        Unit::Decibel(unit) => format!("{} {unit}", decimals(value, 1)),
        Unit::Hertz if value.abs() >= 999.5 => format!("{} kHz", significant(value / 1e3)),
        Unit::Hertz => format!("{} Hz", significant(value)),
        Unit::Seconds if value != 0.0 && value.abs() < 9.995e-5 => format!("{} µs", significant(value * 1e6)),
        Unit::Seconds if value.abs() < 0.999_5 => format!("{} ms", significant(value * 1e3)),
        Unit::Seconds => format!("{} s", significant(value)),
        Unit::Volts if value != 0.0 && value.abs() < 0.999_5 => format!("{} mV", significant(value * 1e3)),
        Unit::Volts => format!("{} V", significant(value)),
        Unit::PartsPerMillion => format!("{} ppm", decimals(value, 1)),
        Unit::Ohms if value.abs() >= 999.5 => format!("{} kΩ", significant(value / 1e3)),
        Unit::Ohms => format!("{} Ω", significant(value)),
        // Less says nothing of a radio, and few interfaces distort less themselves (our choice, no published source).
        Unit::Plain("%") if value > 0.0 && value < 0.01 => "<\u{a0}0.01\u{a0}%".to_owned(),
        Unit::Step => decimals(value, 0),
        Unit::Plain("") => significant(value),
        Unit::Plain("%") => format!("{}\u{a0}%", significant(value)),
        Unit::Plain("°") => format!("{}°", decimals(value, 0)),
        Unit::Plain(unit) => format!("{} {unit}", significant(value)),
    }
}

/// Three significant digits, without needless zeros; whole numbers stay whole.
fn significant(value: f64) -> String {
    if !value.is_finite() || value == 0.0 {
        return decimals(value, 0);
    }
    let places = (2.0 - value.abs().log10().floor()).clamp(0.0, 6.0);
    let mut text = decimals(value, places as usize);
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
    if text == "\u{2212}0" { "0".to_owned() } else { text }
}

/// So many decimal places, with a true minus sign and no negative zero.
#[must_use]
pub fn decimals(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    if text.starts_with('-') && !text.contains(|c: char| ('1'..='9').contains(&c)) && value.is_finite() {
        return text[1..].to_owned();
    }
    text.replace('-', "\u{2212}")
}

/// The same with a plus before what is above zero.
#[must_use]
pub fn signed(value: f64, places: usize) -> String {
    let text = decimals(value, places);
    let is_above = !text.starts_with('\u{2212}') && text.contains(|c: char| ('1'..='9').contains(&c));
    if is_above { format!("+{text}") } else { text }
}

/// A difference of levels, such as `−3.0 dB`.
#[must_use]
pub fn decibels(value: f64) -> String {
    format!("{} dB", decimals(value, 1))
}

/// The same with its sign in any case, such as `+3.0 dB`.
#[must_use]
pub fn signed_decibels(value: f64) -> String {
    format!("{} dB", signed(value, 1))
}

/// A frequency to three digits, such as `63 Hz` or `12.3 kHz`.
#[must_use]
pub fn hertz(value: f64) -> String {
    written(value, Unit::Hertz)
}

/// A voltage that is set with a meter: two decimal places from a volt on, whole millivolts below.
#[must_use]
pub fn meter_volts(value: f64) -> String {
    if value.abs() < 0.999_5 {
        format!("{} mV", decimals(value * 1e3, 0))
    } else {
        format!("{} V", decimals(value, 2))
    }
}

/// A number of a processor's grid as it is typed there: all its digits, a true minus sign.
#[must_use]
pub fn typed(value: f64) -> String {
    // Nothing is minus zero.
    format!("{}", value + 0.0).replace('-', "\u{2212}")
}

/// The same with its sign in any case.
#[must_use]
pub fn typed_signed(value: f64) -> String {
    if value > 0.0 { format!("+{}", typed(value)) } else { typed(value) }
}

/// Reads a number as people write it, and what stands behind it: `2,5 V`, `−3dB`, `20k`.
///
/// A decimal point or one comma; both, or two of one, leave a doubt and are refused, and so are exponents: no one types
/// them, and `1e3` may be a slip.
#[must_use]
pub fn parse(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.,−".contains(c))).unwrap_or(text.len());
    let number = text[..end].replace('−', "-");
    let number = match (number.matches(',').count(), number.contains('.')) {
        (0, _) => number,
        (1, false) => number.replace(',', "."),
        _ => return None,
    };
    let value = number.parse::<f64>().ok().filter(|value| value.is_finite())?;
    Some((value, text[end..].trim()))
}

/// A count with its noun: `1 band`, `2 bands`.
#[must_use]
pub fn counted(count: usize, one: &str, many: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {many}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the expectations follow from the rules above, by hand.
    #[test]
    fn a_name_says_how_its_value_is_written() {
        for (name, value, label, text) in [
            ("rms_dbfs", -93.728, "RMS level", "−93.7 dBFS"),
            ("rms_v", 0.000_1, "RMS level", "0.1 mV"),
            ("rms_v", 4.123, "RMS level", "4.12 V"),
            ("worst_hz", 90.023, "Worst", "90 Hz"),
            ("valid_to_hz", 12_345.0, "Valid up to", "12.3 kHz"),
            ("valid_to_hz", 999.6, "Valid up to", "1 kHz"),
            ("arrival_s", 0.003_123_4, "Arrival", "3.12 ms"),
            ("arrival_s", 3.217_004, "Arrival", "3.22 s"),
            ("random_error_s", 0.0, "Random error", "0 ms"),
            ("random_error_s", 1.5e-7, "Random error", "0.15 µs"),
            ("load_ohm", 10_952.0, "Load", "11 kΩ"),
            ("dc_offset", 0.5, "DC offset", "0.5"),
            ("thd_n_percent", 0.012_34, "THD+N", "0.0123\u{a0}%"),
            ("thd_percent", 0.000_36, "THD", "<\u{a0}0.01\u{a0}%"),
            ("h10_db", -100.04, "Harmonic 10", "−100.0 dB"),
            ("clock_ppm", -80.13, "Clock difference", "−80.1 ppm"),
            ("clean_step", 31.0, "Highest clean step", "31"),
            ("first_loud_step", 31.0, "First loud step", "31"),
            ("score", 56.25, "Score", "56.2"),
            ("mean_coherence", 0.999_9, "Mean coherence", "1"),
            ("db", -0.04, "", "0.0 dB"),
            ("phase_deg", -179.6, "Phase", "−180°"),
        ] {
            let spoken = spoken(name, value);
            assert_eq!((spoken.label.as_str(), spoken.value.as_str()), (label, text), "{name} {value}");
        }
    }

    #[test]
    fn nothing_is_minus_zero_and_nothing_panics() {
        for value in [-0.0, -1e-12, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN_POSITIVE] {
            for (ending, _) in ENDINGS {
                let text = spoken(&format!("x{ending}"), value).value;
                assert!(!text.starts_with("−0 ") && !text.starts_with("−0.0 "), "{text}");
            }
        }
    }

    #[test]
    fn a_difference_has_its_sign() {
        for (value, text) in [(1.25, "+1.2"), (-0.04, "0.0"), (0.04, "0.0"), (-3.0, "−3.0")] {
            assert_eq!(signed(value, 1), text);
        }
        assert_eq!((decibels(-3.04), signed_decibels(3.0)), ("−3.0 dB".to_owned(), "+3.0 dB".to_owned()));
        assert_eq!(
            (typed(-4.25), typed(-0.0), typed_signed(1.5)),
            ("−4.25".into(), "0".into(), "+1.5".into())
        );
        assert_eq!((meter_volts(11.246), meter_volts(0.850_4)), ("11.25 V".into(), "850 mV".into()));
        assert_eq!((hertz(63.04), hertz(12_345.0)), ("63 Hz".into(), "12.3 kHz".into()));
    }

    #[test]
    fn numbers_are_read_as_people_write_them() {
        for (text, wanted) in
            [("2,5 V", (2.5, "V")), ("−3dB", (-3.0, "dB")), (" 7", (7.0, "")), ("20k", (20.0, "k"))]
        {
            assert_eq!(parse(text), Some(wanted), "{text}");
        }
        for text in ["", "V", "1,000.5 V", "--3", "nan", "1,2,3", "1.2.3"] {
            assert_eq!(parse(text), None, "{text}");
        }
        assert_eq!(parse("1e3"), Some((1.0, "e3")));
    }

    #[test]
    fn a_value_of_a_grid_keeps_its_digits() {
        for (value, text) in [(0.05, "0.05"), (-12.0, "−12"), (100.5, "100.5")] {
            assert_eq!(typed(value), text);
        }
    }

    #[test]
    fn one_of_a_kind_is_one() {
        assert_eq!(counted(1, "band", "bands"), "1 band");
        assert_eq!(counted(0, "band", "bands"), "0 bands");
    }
}
