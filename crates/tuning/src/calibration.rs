//! The calibration of a microphone or an interface, as text.

use std::fmt::Write as _;

use units::text::excerpt;

use crate::columns::{Separator, begins_like_a_number, number, numbered_lines};
use crate::response_text::COLUMNS;
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
    /// The largest deviation that a device can have, up or down.
    pub const LARGEST_DB: f64 = 100.0;

    /// Reads a calibration: two or three columns (frequency in Hz, the device's
    /// own response in dB, phase in degrees), separated like a headerless
    /// response; units behind the numbers are read over. Lines before the first
    /// pair of numbers, and marked ones, are kept as comments; comments
    /// `dbfs_at_94: X` and `volts_per_fs: X` set the sensitivity.
    ///
    /// A line that begins like a pair of numbers and is none is an error, as nobody
    /// would notice that it is missing.
    ///
    /// # Errors
    /// When there are no two points, or they do not ascend, or a line, a column or a
    /// sensitivity cannot be understood: the line and what to do.
    pub fn parse(text: &str, name: &str) -> Result<Self, TextError> {
        let mut reader = Reader::new(name);
        for (line_number, line) in numbered_lines(text).filter(|(_, line)| !line.is_empty()) {
            reader.take(line_number, line)?;
        }
        reader.finish()
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

/// What of a calibration has been read so far.
struct Reader<'a> {
    name: &'a str,
    found: Calibration,
    phase_deg: Vec<f64>,
    /// How many columns the first row has.
    columns: Option<usize>,
    /// The last line before the first row.
    heading: Option<(usize, String)>,
    dbfs_line: Option<usize>,
    volts_line: Option<usize>,
}

impl<'a> Reader<'a> {
    fn new(name: &'a str) -> Self {
        let response = Response {
            frequency_hz: Vec::new(),
            magnitude_db: Vec::new(),
            phase_deg: None,
            coherence: None,
            spread_db: None,
        };
        let found = Calibration { response, dbfs_at_94: None, volts_per_fs: None, comments: Vec::new() };
        Self {
            name,
            found,
            phase_deg: Vec::new(),
            columns: None,
            heading: None,
            dbfs_line: None,
            volts_line: None,
        }
    }

    fn error(&self, line: usize, column: Option<usize>, problem: String, advice: &str) -> TextError {
        TextError::at(self.name, line, column, problem, advice)
    }

    fn take(&mut self, line_number: usize, line: &str) -> Result<(), TextError> {
        // A spreadsheet may put quotation marks around numbers as well as around words.
        if let Some(row) = row(&line.replace('"', "")) {
            return self.push(line_number, &row);
        }
        if line.starts_with(MARKS) && !line.starts_with('"') {
            return self.comment(line_number, line);
        }
        let plain = undecorated(line);
        if begins_like_a_number(&plain) && (self.columns.is_some() || was_meant_as_a_row(&plain)) {
            return Err(self.error(
                line_number,
                None,
                format!("`{}` begins like a point of the calibration and is none", excerpt(line, 40)),
                "write frequency in Hz, dB and perhaps degrees, such as `20; -3.2`, or put # in front of a comment",
            ));
        }
        self.comment(line_number, line)
    }

    fn push(&mut self, line_number: usize, row: &[f64]) -> Result<(), TextError> {
        match self.columns {
            None => {
                self.columns = Some(row.len());
                if let Some((line, heading)) = self.heading.take() {
                    self.check_heading(line, &heading, row.len())?;
                }
            }
            Some(columns) if columns != row.len() => {
                let problem = format!("{} columns where the lines before have {columns}", row.len());
                return Err(self.error(line_number, None, problem, "give every line the same columns"));
            }
            Some(_) => {}
        }
        let (frequency_hz, magnitude_db) = (row[0], row[1]);
        let at = |column: usize, problem: String, advice: &str| {
            Err(self.error(line_number, Some(column), problem, advice))
        };
        if frequency_hz <= 0.0 {
            return at(1, format!("a frequency of {frequency_hz} Hz"), "frequencies start above 0 Hz");
        }
        if frequency_hz > LARGEST_HZ {
            return at(1, format!("a frequency of {} Hz", shown(frequency_hz)), "it lies below 1 MHz");
        }
        if let Some(&before) = self.found.response.frequency_hz.last()
            && frequency_hz <= before
        {
            let problem = format!("{frequency_hz} Hz after {before} Hz");
            return at(1, problem, "sort the lines by ascending frequency, each frequency once");
        }
        if magnitude_db.abs() > Calibration::LARGEST_DB {
            let problem = format!("a deviation of {} dB", shown(magnitude_db));
            return at(2, problem, "it lies within ±100 dB; see that the column holds decibels");
        }
        if let Some(&phase) = row.get(2) {
            if phase.abs() > LARGEST_DEG {
                return at(3, format!("a phase of {}°", shown(phase)), "see that the column holds degrees");
            }
            self.phase_deg.push(phase);
        }
        self.found.response.frequency_hz.push(frequency_hz);
        self.found.response.magnitude_db.push(magnitude_db);
        Ok(())
    }

    /// Refuses columns that a heading calls by the name of something else.
    fn check_heading(&self, line: usize, heading: &str, columns: usize) -> Result<(), TextError> {
        let separator = Separator::of(heading);
        // A unit in brackets belongs to the name before it.
        let names: Vec<String> = separator
            .split(heading)
            .into_iter()
            .filter(|name| !name.starts_with(['(', '[']))
            .map(|name| name.trim_matches(['"', '\'']).to_lowercase())
            .collect();
        let is_frequency = |name: &str| name.contains("freq") || name.contains("hz") || name == "f";
        let is_heading = names.first().is_some_and(|first| is_frequency(first))
            || names.iter().any(|name| COLUMNS.contains(&name.as_str()));
        if !is_heading {
            return Ok(());
        }
        let meant = "a calibration has frequency, dB and perhaps phase, in this order; remove the others";
        let is_else = |name: &str| ELSE.iter().any(|word| name.contains(word));
        // Names of several words cannot be told apart where blanks separate.
        if separator == Separator::Space && names.len() > columns {
            return match names.iter().find(|name| is_else(name)) {
                Some(other) => {
                    Err(self.error(line, None, format!("a column `{}`", excerpt(other, 40)), meant))
                }
                None => Ok(()),
            };
        }
        if names.len() != columns {
            let problem = format!("{} names for {columns} columns", names.len());
            return Err(self.error(line, None, problem, meant));
        }
        let is_phase = |name: &str| ["phase", "deg", "°", "arg"].iter().any(|word| name.contains(word));
        let fits = [is_frequency(&names[0]), !is_else(&names[1]) && !is_phase(&names[1])];
        let third = names.get(2).map(|name| is_phase(name));
        match fits.into_iter().chain(third).position(|fits| !fits) {
            Some(index) => {
                let problem =
                    format!("a column `{}` where {} is expected", excerpt(&names[index], 40), WANTED[index]);
                Err(self.error(line, Some(index + 1), problem, meant))
            }
            None => Ok(()),
        }
    }

    fn comment(&mut self, line_number: usize, line: &str) -> Result<(), TextError> {
        let bare = line.trim_start_matches(MARKS).trim_start().trim_end_matches('"').trim();
        if self.columns.is_none() {
            self.heading = Some((line_number, bare.to_owned()));
        }
        let lower = bare.to_ascii_lowercase();
        if lower.starts_with("dbfs_at_94") {
            let level = self.sensitivity(line_number, bare, self.dbfs_line, DBFS_AT_94)?;
            (self.found.dbfs_at_94, self.dbfs_line) = (Some(level), Some(line_number));
        } else if lower.starts_with("volts_per_fs") {
            let volts = self.sensitivity(line_number, bare, self.volts_line, VOLTS_PER_FS)?;
            (self.found.volts_per_fs, self.volts_line) = (Some(volts), Some(line_number));
        } else {
            self.found.comments.push(bare.to_owned());
        }
        Ok(())
    }

    /// The number of a sensitivity, which stands once in a file and means something.
    fn sensitivity(
        &self,
        line: usize,
        bare: &str,
        before: Option<usize>,
        kind: Sensitivity,
    ) -> Result<f64, TextError> {
        let Sensitivity { key, example, low, high, unit } = kind;
        let advice = format!("write it like `{key}: {example}`, once");
        let refuse = |problem: String| Err(self.error(line, None, problem, &advice));
        if let Some(before) = before {
            return refuse(format!("`{key}` again, which line {before} sets"));
        }
        let Some((_, value)) = bare.split_once([':', '=']) else {
            return refuse(format!("`{key}` without a value"));
        };
        let mut words = value.split_whitespace();
        let first = words.next().unwrap_or_default();
        let Some(number) = number(first, true) else {
            return refuse(format!("`{}` is not a number", excerpt(first, 40)));
        };
        if words.next().is_some_and(begins_like_a_number) {
            return refuse(format!("several numbers for `{key}`"));
        }
        if !(low..=high).contains(&number) {
            return refuse(format!("{} {unit}, which no device has ({low} to {high} {unit})", shown(number)));
        }
        Ok(number)
    }

    fn finish(mut self) -> Result<Calibration, TextError> {
        let points = self.found.response.frequency_hz.len();
        if points < 2 {
            return Err(TextError::whole(
                self.name,
                format!("{points} point(s) of a calibration; expected at least two"),
                "give lines of frequency in Hz and the device's own response in dB",
            ));
        }
        self.found.response.phase_deg = (self.columns == Some(3)).then_some(self.phase_deg);
        Ok(self.found)
    }
}

/// A sensitivity that a comment may set.
#[derive(Clone, Copy)]
struct Sensitivity {
    key: &'static str,
    example: &'static str,
    low: f64,
    high: f64,
    unit: &'static str,
}

const DBFS_AT_94: Sensitivity =
    Sensitivity { key: "dbfs_at_94", example: "-26.3", low: -150.0, high: 60.0, unit: "dBFS" };

const VOLTS_PER_FS: Sensitivity =
    Sensitivity { key: "volts_per_fs", example: "8.71", low: 1e-6, high: 1e6, unit: "V" };

/// Above every rate that sound is recorded at.
const LARGEST_HZ: f64 = 1e6;

/// Of a phase that was never wrapped.
const LARGEST_DEG: f64 = 1e6;

/// What a comment begins with.
const MARKS: [char; 5] = ['#', '*', ';', '"', '/'];

/// What the columns are.
const WANTED: [&str; 3] = ["the frequency", "the device's response in dB", "the phase"];

/// Parts of the names of columns that are no response in dB.
const ELSE: [&str; 7] = ["coher", "spread", "time", "delay", "volt", "linear", "error"];

/// A number of few signs, however large it is.
fn shown(number: f64) -> String {
    if number == 0.0 || (1e-6..1e9).contains(&number.abs()) {
        number.to_string()
    } else {
        format!("{number:e}")
    }
}

/// Two or three finite numbers on one line, with or without their units.
fn row(line: &str) -> Option<Vec<f64>> {
    number_row(line).or_else(|| number_row(&without_units(line)?))
}

/// Two or three finite numbers, and nothing else, on one line.
fn number_row(line: &str) -> Option<Vec<f64>> {
    let separator = Separator::of(line);
    let decimal_comma = separator.allows_decimal_comma();
    let row: Option<Vec<f64>> =
        separator.split(line).into_iter().map(|field| number(field, decimal_comma)).collect();
    row.filter(|row| (2..=3).contains(&row.len()))
}

/// A line without the unit behind each number, where each stands behind its own.
fn without_units(line: &str) -> Option<String> {
    let mut line = line.to_ascii_lowercase();
    if let Some((hz, rest)) = line.split_once("hz") {
        number(hz.trim(), true)?;
        line = format!("{} {rest}", hz.trim_end());
    }
    if let Some((before, rest)) = line.split_once("db") {
        number_row(before.trim()).filter(|row| row.len() == 2)?;
        line = format!("{} {rest}", before.trim_end());
    }
    let line = line.trim();
    let degrees = ["degrees", "deg", "°"].into_iter().find_map(|unit| line.strip_suffix(unit));
    Some(degrees.unwrap_or(line).trim().to_owned())
}

/// A line without what may stand around numbers (brackets, quotation marks, bars, what cannot be seen), and with
/// zeros for the digits of other scripts: it is not read so, only looked at.
fn undecorated(line: &str) -> String {
    let seen: String = line
        .chars()
        .filter(|c| !c.is_control() || c.is_whitespace())
        .filter(|c| !units::text::is_hidden(*c))
        .map(|c| match c {
            '"' | '\'' | '`' | '(' | ')' | '[' | ']' | '{' | '}' | '<' | '>' | '=' | '~' | '≈' | '|' => ' ',
            c if c.is_numeric() && !c.is_ascii() => '0',
            c => c,
        })
        .collect();
    seen.trim().to_owned()
}

/// Whether a line before the first row, which begins like a number, has the form of a
/// row: a number and a separator, or a number and another number. A date or a time is none.
fn was_meant_as_a_row(line: &str) -> bool {
    let separator = Separator::of(line);
    let fields: Vec<&str> = separator.split(line).into_iter().filter(|field| !field.is_empty()).collect();
    let [first, second, ..] = fields.as_slice() else { return false };
    let first_is = number(first, true).is_some()
        || without_units(first).is_some_and(|f| number(&f, true).is_some())
        || is_written_otherwise(first.trim_end_matches(':'));
    let nothing =
        |field: &str| ["-", "--", "---", "n/a", "na", "∞"].contains(&field.to_ascii_lowercase().as_str());
    first_is && (separator != Separator::Space || begins_like_a_number(second) || nothing(second))
}

/// Whether a field may be a number as other programs write it, such as `2.0D1` or `0x14`.
fn is_written_otherwise(field: &str) -> bool {
    let words = field.split(|c: char| !c.is_alphabetic());
    begins_like_a_number(field)
        && words.map(|word| word.chars().count()).max().is_none_or(|longest| longest <= 1)
        && field.matches('.').count() <= 1
        && !field.contains([':', '/'])
        && !field.trim_start_matches(['+', '-']).contains('-')
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
            ("volts_per_fs: 0\n20 1\n50 1\n", "line 1: 0 V, which no device has"),
            ("# dbfs_at_94: 1e300\n20 1\n50 1\n", "line 1: 1e300 dBFS, which no device has"),
            ("# dbfs_at_94\n20 1\n50 1\n", "line 1: `dbfs_at_94` without a value"),
            ("# dbfs_at_94: -20 -26\n20 1\n50 1\n", "line 1: several numbers"),
            (
                "# dbfs_at_94: -20\n20 1\n50 1\n# dbfs_at_94: -26\n",
                "line 4: `dbfs_at_94` again, which line 1",
            ),
            ("20 1\n50 1e308\n", "line 2, column 2: a deviation of 1e308 dB"),
            ("20 1\n1e300 1\n", "line 2, column 1: a frequency of 1e300 Hz"),
            ("20 1 0\n50 1 1e300\n", "line 2, column 3: a phase of 1e300°"),
            ("20 1 5\n50 1\n", "line 2: 2 columns where the lines before have 3"),
            ("20 1\n50 abc\n90 1\n", "line 2: `50 abc` begins like a point"),
            ("20;abc\n50;1\n90;1\n", "line 1: `20;abc` begins like a point"),
            ("20 1\n50,5,3,1\n90 1\n", "line 2: `50,5,3,1` begins like a point"),
            ("20 1\n1 kHz 1\n", "line 2: `1 kHz 1` begins like a point"),
            ("20 n/a\n50 1\n90 1\n", "line 1: `20 n/a` begins like a point"),
            ("20 1\nnan 1\n90 1\n", "line 2: `nan 1` begins like a point"),
            ("\u{ff12}\u{ff10} -30\n50 1\n90 1\n", "line 1: `\u{ff12}\u{ff10} -30` begins like a point"),
            ("\u{662}\u{660} -30\n50 1\n90 1\n", "line 1: "),
            ("\u{200b}20 -30\n50 1\n90 1\n", "line 1: `20 -30` begins like a point"),
            ("20\0 -30\n50 1\n90 1\n", "line 1: "),
            ("2.0D1 -30\n50 1\n90 1\n", "line 1: `2.0D1 -30` begins like a point"),
            ("0x14 -30\n50 1\n90 1\n", "line 1: `0x14 -30` begins like a point"),
            ("(20, -30)\n50 1\n90 1\n", "line 1: `(20, -30)` begins like a point"),
            ("| 20 | -30 |\n50 1\n90 1\n", "line 1: `| 20 | -30 |` begins like a point"),
            ("20: -30\n50 1\n90 1\n", "line 1: `20: -30` begins like a point"),
            ("20' -30\n50 1\n90 1\n", "line 1: `20' -30` begins like a point"),
            ("20 1\n~50 1\n90 1\n", "line 2: `~50 1` begins like a point"),
            ("20 1\n\"50 1 x\n90 1\n", "line 2: `\"50 1 x` begins like a point"),
            ("20 1\n−5 dB\n90 1\n", "line 2: `−5 dB` begins like a point"),
            (
                "frequency_hz,magnitude_db,coherence\n20,1,0.9\n50,1,0.9\n",
                "line 1, column 3: a column `coherence` where the phase is expected",
            ),
            (
                "frequency_hz,phase_deg\n20,1\n50,1\n",
                "line 1, column 2: a column `phase_deg` where the device's response in dB is expected",
            ),
            ("magnitude_db,frequency_hz\n1,20\n1,50\n", "line 1, column 1: a column `magnitude_db`"),
            ("Freq dB\n20 1 5\n50 1 5\n", "line 1: 2 names for 3 columns"),
            (
                "frequency_hz,magnitude_db,phase_deg,coherence\n20,1,5,1\n50,1,5,1\n",
                "line 2: `20,1,5,1` begins like a point",
            ),
        ] {
            let got = Calibration::parse(text, "m.txt").unwrap_err().to_string();
            assert!(got.contains(wanted), "{text:?} gave {got:?}");
        }
    }

    #[test]
    fn another_minus_sign_and_units_are_read() {
        for text in [
            "20;\u{2212}30\n1000;0\n20000;1\n",
            "20 -30 dB\n1000 0 dB\n20000 1 dB\n",
            "Freq. (Hz)  SPL\n20 Hz; -30 dB\n1000 Hz; 0 dB\n20000 Hz; 1 dB\n",
            "20Hz\t–30dB\n1000Hz\t0dB\n20000Hz\t1dB\n",
            "20,-30\n1000,0\n20000,1\nend of the table\n",
            "\"20\",\"-30\"\n\"1000\",\"0\"\n\"20000\",\"1\"\n",
            "\"Hz\";\"dB\"\n\"20,0\";\"-30,0\"\n\"1000\";\"0\"\n20000;1\n",
            "12.05.2024 10:30\n10:30 5\n7 windows\n20 -30\n1000 0\n20000 1\n",
        ] {
            let calibration =
                Calibration::parse(text, "m").unwrap_or_else(|error| panic!("{text:?}: {error}"));
            assert_eq!(calibration.response.frequency_hz, [20.0, 1000.0, 20000.0], "{text:?}");
            assert_eq!(calibration.response.magnitude_db, [-30.0, 0.0, 1.0], "{text:?}");
            assert_eq!(calibration.response.phase_deg, None);
        }
        let text = "2024-05-12 by nobody\n94 dB at 1 kHz\nHz dB deg\n20 1 dB 3°\n50 1 dB 4°\n";
        let calibration = Calibration::parse(text, "m").unwrap();
        assert_eq!(calibration.comments, ["2024-05-12 by nobody", "94 dB at 1 kHz", "Hz dB deg"]);
        assert_eq!(calibration.response.phase_deg, Some(vec![3.0, 4.0]));
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
