//! The calibration of a microphone or an interface, as text.

use std::fmt::Write as _;

use crate::columns::{Separator, number, numbered_lines};
use crate::{Response, TextError, log_axis};

/// What a microphone or an interface does to a signal, so that it can be taken
/// out of a measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// The device's own response: it is subtracted from what was measured.
    pub response: Response,
    /// The level in dBFS that 94 dB SPL (1 Pa) gives, when it is known.
    pub dbfs_at_94: Option<f64>,
    /// The peak voltage at the input that gives full scale, when it is known.
    pub volts_per_fs: Option<f64>,
    /// Lines that hold no numbers: who, when, how.
    pub comments: Vec<String>,
}

impl Calibration {
    /// Reads a calibration: two or three columns (frequency in Hz, the device's
    /// own response in dB, phase in degrees), separated like a headerless
    /// response. Lines that hold no number pair are kept as comments; comments
    /// `dbfs_at_94: X` and `volts_per_fs: X` set the sensitivity.
    ///
    /// # Errors
    /// When there are no two points, or they do not ascend, or a sensitivity
    /// cannot be read: the line and what to do.
    pub fn parse(text: &str, name: &str) -> Result<Self, TextError> {
        let mut found =
            Self { response: empty_response(), dbfs_at_94: None, volts_per_fs: None, comments: Vec::new() };
        let mut phases = Vec::new();
        for (line_number, line) in numbered_lines(text).filter(|(_, line)| !line.is_empty()) {
            if let Some(row) = number_row(line) {
                found.push(name, line_number, &row)?;
                phases.push(row.get(2).copied());
            } else {
                found.comment(name, line_number, line)?;
            }
        }
        if found.response.frequency_hz.len() < 2 {
            return Err(TextError::whole(
                name,
                format!(
                    "{} point(s) of a calibration; expected at least two",
                    found.response.frequency_hz.len()
                ),
                "give lines of frequency in Hz and the device's own response in dB",
            ));
        }
        found.response.phase_deg = phases.into_iter().collect();
        Ok(found)
    }

    fn push(&mut self, name: &str, line_number: usize, row: &[f64]) -> Result<(), TextError> {
        let frequency_hz = row[0];
        if frequency_hz <= 0.0 {
            let problem = format!("a frequency of {frequency_hz} Hz");
            return Err(TextError::at(name, line_number, Some(1), problem, "frequencies start above 0 Hz"));
        }
        if let Some(&before) = self.response.frequency_hz.last()
            && frequency_hz <= before
        {
            let problem = format!("{frequency_hz} Hz after {before} Hz");
            let advice = "sort the lines by ascending frequency, each frequency once";
            return Err(TextError::at(name, line_number, Some(1), problem, advice));
        }
        self.response.frequency_hz.push(frequency_hz);
        self.response.magnitude_db.push(row[1]);
        Ok(())
    }

    fn comment(&mut self, name: &str, line_number: usize, line: &str) -> Result<(), TextError> {
        let bare = line.trim_start_matches(['#', '*', ';', '"', ' ', '\t']).trim_end_matches('"').trim();
        let setting = bare.split_once(':').map(|(key, value)| (key.trim(), value.trim()));
        let read = |value: &str| {
            let first = value.split_whitespace().next().unwrap_or_default();
            number(first, true).ok_or_else(|| {
                let problem = format!("`{first}` is not a number");
                TextError::at(name, line_number, None, problem, "write it like `dbfs_at_94: -26.3`")
            })
        };
        match setting {
            Some(("dbfs_at_94", value)) => self.dbfs_at_94 = Some(read(value)?),
            Some(("volts_per_fs", value)) => {
                let volts = read(value)?;
                if volts <= 0.0 {
                    let problem = format!("{volts} V at full scale");
                    return Err(TextError::at(name, line_number, None, problem, "it must lie above 0 V"));
                }
                self.volts_per_fs = Some(volts);
            }
            _ => self.comments.push(bare.to_owned()),
        }
        Ok(())
    }

    /// Writes the calibration so that [`Calibration::parse`] reads it back.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut text = String::new();
        // Writing to a String cannot fail.
        for comment in &self.comments {
            let _ = writeln!(text, "# {comment}");
        }
        if let Some(level) = self.dbfs_at_94 {
            let _ = writeln!(text, "# dbfs_at_94: {level}");
        }
        if let Some(volts) = self.volts_per_fs {
            let _ = writeln!(text, "# volts_per_fs: {volts}");
        }
        let phases = self.response.phase_deg.as_ref();
        for (index, (hz, db)) in
            self.response.frequency_hz.iter().zip(&self.response.magnitude_db).enumerate()
        {
            let _ = write!(text, "{hz}\t{db}");
            if let Some(phase) = phases.and_then(|p| p.get(index)) {
                let _ = write!(text, "\t{phase}");
            }
            text.push('\n');
        }
        text
    }

    /// The device's own response at a frequency. Outside the calibrated range the
    /// nearest end holds; [`Calibration::range_hz`] says where that begins.
    #[must_use]
    pub fn db_at(&self, frequency_hz: f64) -> f64 {
        log_axis::interpolate_held(&self.response.frequency_hz, &self.response.magnitude_db, frequency_hz)
    }

    /// The calibrated range.
    #[must_use]
    pub fn range_hz(&self) -> (f64, f64) {
        self.response.range_hz()
    }

    /// A measured response with the device taken out of it: magnitude, and phase
    /// where both know it.
    #[must_use]
    pub fn corrected(&self, measured: &Response) -> Response {
        let mut corrected = measured.clone();
        for (db, &hz) in corrected.magnitude_db.iter_mut().zip(&measured.frequency_hz) {
            *db -= self.db_at(hz);
        }
        if let Some(phase) = &mut corrected.phase_deg {
            let (low, high) = self.range_hz();
            for (degrees, &hz) in phase.iter_mut().zip(&measured.frequency_hz) {
                *degrees -= self.response.phase_at(hz.clamp(low, high)).unwrap_or(0.0);
            }
        }
        corrected
    }
}

fn empty_response() -> Response {
    Response {
        frequency_hz: Vec::new(),
        magnitude_db: Vec::new(),
        phase_deg: None,
        coherence: None,
        spread_db: None,
    }
}

/// Two or three finite numbers, and nothing else, on one line.
fn number_row(line: &str) -> Option<Vec<f64>> {
    let separator = Separator::of(line);
    let decimal_comma = separator.allows_decimal_comma();
    let row: Option<Vec<f64>> =
        separator.split(line).into_iter().map(|field| number(field, decimal_comma)).collect();
    row.filter(|row| (2..=3).contains(&row.len()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use testkit::all_near;

    #[test]
    fn numbers_comments_and_sensitivity_are_told_apart() {
        let text = "\"Invented capsule 7\"\n* dbfs_at_94: -26.5\nFreq dB\n20 1,5\n1000 0\n20000 -2,25\n";
        let calibration = Calibration::parse(text, "mic.txt").unwrap();
        assert_eq!(calibration.dbfs_at_94, Some(-26.5));
        assert_eq!(calibration.comments, ["Invented capsule 7", "Freq dB"]);
        all_near("response", &calibration.response.magnitude_db, &[1.5, 0.0, -2.25], 0.0);
        assert_eq!(calibration.db_at(10.0), 1.5);
        assert_eq!(calibration.db_at(30_000.0), -2.25);
    }

    #[test]
    fn the_devices_own_response_is_subtracted() {
        let calibration = Calibration::parse("20 1 10\n20000 1 10\n", "m").unwrap();
        let mut measured = Response::new(vec![100.0, 200.0], vec![3.0, 4.0]).unwrap();
        measured.phase_deg = Some(vec![0.0, 5.0]);
        let corrected = calibration.corrected(&measured);
        assert_eq!(corrected.magnitude_db, [2.0, 3.0]);
        assert_eq!(corrected.phase_deg.unwrap(), [-10.0, -5.0]);
    }

    #[test]
    fn mistakes_are_named() {
        for (text, wanted) in [
            ("", "0 point(s)"),
            ("no numbers here\n", "0 point(s)"),
            ("100 1\n50 1\n", "line 2, column 1: 50 Hz after 100 Hz"),
            ("0 1\n50 1\n", "line 1, column 1: a frequency of 0 Hz"),
            ("dbfs_at_94: loud\n20 1\n50 1\n", "line 1: `loud` is not a number"),
            ("volts_per_fs: 0\n20 1\n50 1\n", "line 1: 0 V at full scale"),
        ] {
            let got = Calibration::parse(text, "m.txt").unwrap_err().to_string();
            assert!(got.contains(wanted), "{text:?} gave {got:?}");
        }
    }

    #[test]
    fn the_examples_that_come_with_the_program_are_read() {
        let read = |text: &str| Calibration::parse(text, "example").unwrap();
        let microphone = read(include_str!("../../../calibration/microphone-example.txt"));
        assert_eq!((microphone.dbfs_at_94, microphone.response.frequency_hz.len()), (Some(-26.3), 31));
        let spreadsheet = read(include_str!("../../../calibration/microphone-decimal-comma.txt"));
        assert_eq!((spreadsheet.dbfs_at_94, spreadsheet.response.frequency_hz.len()), (Some(-31.5), 8));
        let interface = read(include_str!("../../../calibration/interface-example.txt"));
        assert_eq!(interface.volts_per_fs, Some(8.71));
    }

    proptest! {
        #[test]
        fn reading_never_panics(text in "(?s).{0,200}", near in "[0-9.,;\t\n :#a-f-]{0,100}") {
            let _ = Calibration::parse(&text, "x");
            let _ = Calibration::parse(&near, "x");
        }

        #[test]
        fn what_is_written_is_read_back(
            rows in proptest::collection::vec((0.01f64..1e3, -30.0f64..30.0), 2..20), level in -80.0f64..0.0,
        ) {
            let mut hz = 0.0;
            let frequency_hz: Vec<f64> = rows.iter().map(|row| { hz += row.0; hz }).collect();
            let calibration = Calibration {
                response: Response::new(frequency_hz, rows.iter().map(|row| row.1).collect()).unwrap(),
                dbfs_at_94: Some(level),
                volts_per_fs: None,
                comments: vec!["invented".to_owned()],
            };
            prop_assert_eq!(Calibration::parse(&calibration.to_text(), "x").unwrap(), calibration);
        }
    }
}
