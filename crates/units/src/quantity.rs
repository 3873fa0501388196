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
    ("_ppm", Unit::Plain("ppm")),
    ("_deg", Unit::Plain("°")),
    ("_rpm", Unit::Plain("rpm")),
    ("_ohm", Unit::Plain("Ω")),
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
    /// A volume step, which is a whole number and keeps its word.
    Step,
    /// Three significant digits.
    Plain(&'static str),
}

/// The trade's words for names that do not read as such.
const LABELS: [(&str, &str); 24] = [
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
        Unit::Seconds if value.abs() < 0.999_5 => format!("{} ms", significant(value * 1e3)),
        Unit::Seconds => format!("{} s", significant(value)),
        Unit::Volts if value != 0.0 && value.abs() < 0.999_5 => format!("{} mV", significant(value * 1e3)),
        Unit::Volts => format!("{} V", significant(value)),
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
            ("thd_n_percent", 0.012_34, "THD+N", "0.0123\u{a0}%"),
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
    fn one_of_a_kind_is_one() {
        assert_eq!(counted(1, "band", "bands"), "1 band");
        assert_eq!(counted(0, "band", "bands"), "0 bands");
    }
}
