//! A response as text: read in several dialects, written in one.

use std::fmt::Write as _;

use units::text::excerpt;

use crate::columns::{Separator, field_number, number, numbered_lines};
use crate::{Response, TextError};

/// The columns that a header may name, in the order in which they are written.
pub(crate) const COLUMNS: [&str; 5] = ["frequency_hz", "magnitude_db", "phase_deg", "coherence", "spread_db"];

const EXPORT_AGAIN: &str =
    "give a CSV with the header `frequency_hz,magnitude_db`, or two columns of numbers without a header";

impl Response {
    /// Reads a response.
    ///
    /// With a header: comma-separated, named columns in any order
    /// (`frequency_hz,magnitude_db[,phase_deg][,coherence][,spread_db]`). Without:
    /// two or three columns (frequency, magnitude, phase) separated by comma,
    /// semicolon, tab or spaces, with a decimal comma where the separator leaves
    /// no doubt. Empty lines and lines that start with `#` are skipped.
    ///
    /// `name` is what the message calls the text, usually the file's name.
    ///
    /// # Errors
    /// The first line that cannot be used, with its column and what to do.
    pub fn parse(text: &str, name: &str) -> Result<Self, TextError> {
        let mut lines =
            numbered_lines(text).filter(|(_, line)| !line.is_empty() && !line.starts_with('#')).peekable();
        let Some(&(first_number, first)) = lines.peek() else {
            return Err(TextError::whole(name, "there are no numbers in it", EXPORT_AGAIN));
        };
        let header = !Separator::of(first).split(first).iter().any(|field| number(field, true).is_some());
        let layout = if header {
            lines.next();
            Layout::from_header(name, first_number, first)?
        } else {
            Layout::from_numbers(name, first_number, first)?
        };
        let mut table = Table { layout, rows: Vec::new(), previous: None };
        for (line_number, line) in lines {
            table.push(name, line_number, line)?;
        }
        table.into_response(name)
    }

    /// Writes the response as CSV with a header, in the order
    /// `frequency_hz,magnitude_db[,phase_deg][,coherence][,spread_db]`.
    ///
    /// Every number is written with as many digits as it takes to read the same
    /// number back.
    #[must_use]
    pub fn to_csv(&self) -> String {
        let all = [
            Some(&self.frequency_hz),
            Some(&self.magnitude_db),
            self.phase_deg.as_ref(),
            self.coherence.as_ref(),
            self.spread_db.as_ref(),
        ];
        let present: Vec<(&str, &Vec<f64>)> =
            COLUMNS.iter().zip(all).filter_map(|(&name, values)| Some((name, values?))).collect();
        let mut text = present.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(",");
        text.push('\n');
        for row in 0..self.frequency_hz.len() {
            for (index, (_, values)) in present.iter().enumerate() {
                let comma = if index == 0 { "" } else { "," };
                // Writing to a String cannot fail.
                let _ = write!(text, "{comma}{}", values.get(row).copied().unwrap_or_default());
            }
            text.push('\n');
        }
        text
    }
}

/// Which column holds what, and how lines are cut.
struct Layout {
    separator: Separator,
    /// For each column of the text its index in [`COLUMNS`].
    columns: Vec<usize>,
}

impl Layout {
    fn from_header(name: &str, line_number: usize, line: &str) -> Result<Self, TextError> {
        let separator = match Separator::of(line) {
            // A header without a comma would be one word; anything else is read as it is cut.
            Separator::Space if !line.contains(char::is_whitespace) => Separator::Comma,
            other => other,
        };
        let mut columns = Vec::new();
        for (index, field) in separator.split(line).into_iter().enumerate() {
            let field = field.trim_matches('"');
            let Some(known) = COLUMNS.iter().position(|&c| c == field) else {
                let shown = excerpt(field, 40);
                let problem = match measure::nearest(field, COLUMNS) {
                    Some(near) => format!("the header names a column `{shown}`; did you mean `{near}`?"),
                    None => format!("the header names a column `{shown}` that a response does not have"),
                };
                let advice = format!(
                    "the columns are {}; without a header, two or three columns of numbers are read too",
                    COLUMNS.join(", ")
                );
                return Err(TextError::at(name, line_number, Some(index + 1), problem, advice));
            };
            if columns.contains(&known) {
                let problem = format!("the header names the column `{field}` twice");
                return Err(TextError::at(name, line_number, Some(index + 1), problem, "remove one of them"));
            }
            columns.push(known);
        }
        for (index, needed) in COLUMNS.iter().enumerate().take(2) {
            if !columns.contains(&index) {
                let problem = format!("the header does not name the column `{needed}`");
                return Err(TextError::at(name, line_number, None, problem, EXPORT_AGAIN));
            }
        }
        Ok(Self { separator, columns })
    }

    fn from_numbers(name: &str, line_number: usize, line: &str) -> Result<Self, TextError> {
        let separator = Separator::of(line);
        match separator.split(line).len() {
            count @ (2 | 3) => Ok(Self { separator, columns: (0..count).collect() }),
            4 if separator == Separator::Comma => Err(TextError::at(
                name,
                line_number,
                None,
                "the commas could be separators or decimal marks",
                "write decimal points, or separate the columns by semicolons",
            )),
            count => Err(TextError::at(
                name,
                line_number,
                None,
                format!(
                    "{count} column(s) without a header; expected two or three (frequency, magnitude, phase)"
                ),
                EXPORT_AGAIN,
            )),
        }
    }
}

/// The rows read so far.
struct Table {
    layout: Layout,
    rows: Vec<Vec<f64>>,
    /// The frequency of the last row and its line.
    previous: Option<(f64, usize)>,
}

impl Table {
    fn push(&mut self, name: &str, line_number: usize, line: &str) -> Result<(), TextError> {
        let fields = self.layout.separator.split(line);
        let wanted = self.layout.columns.len();
        if fields.len() != wanted {
            let problem = format!("{} column(s) where the lines before have {wanted}", fields.len());
            let advice =
                "give every line the same columns; decimal commas need semicolons or tabs between columns";
            return Err(TextError::at(name, line_number, None, problem, advice));
        }
        let decimal_comma = self.layout.separator.allows_decimal_comma();
        let mut row = vec![0.0; wanted];
        for (index, field) in fields.into_iter().enumerate() {
            let column = index + 1;
            let value = field_number(name, line_number, column, field, decimal_comma)?;
            let refuse = |problem: String, advice: &str| {
                Err(TextError::at(name, line_number, Some(column), problem, advice))
            };
            match COLUMNS[self.layout.columns[index]] {
                "frequency_hz" => self.check_frequency(name, line_number, column, value)?,
                "coherence" if !(0.0..=1.0).contains(&value) => {
                    return refuse(format!("a coherence of {value}"), "it lies between 0 and 1");
                }
                "magnitude_db" if value.abs() > Response::LARGEST_DB => {
                    return refuse(
                        format!("a magnitude of {value} dB"),
                        "it lies within ±1000 dB; see that the column holds decibels",
                    );
                }
                "spread_db" if !(0.0..=Response::LARGEST_DB).contains(&value) => {
                    return refuse(
                        format!("a spread of {value} dB"),
                        "it is a standard deviation: 0 or more, up to 1000 dB",
                    );
                }
                _ => {}
            }
            row[index] = value;
        }
        self.rows.push(row);
        Ok(())
    }

    fn check_frequency(
        &mut self,
        name: &str,
        line_number: usize,
        column: usize,
        value: f64,
    ) -> Result<(), TextError> {
        let refuse = |problem: String, advice: &str| {
            Err(TextError::at(name, line_number, Some(column), problem, advice))
        };
        if value <= 0.0 {
            return refuse(
                format!("a frequency of {value} Hz"),
                "frequencies start above 0 Hz; remove the line",
            );
        }
        if let Some((before, line_before)) = self.previous {
            if value == before {
                let problem = format!("the frequency {value} Hz of line {line_before} again");
                return refuse(problem, "keep one line per frequency");
            }
            if value < before {
                let problem = format!("{value} Hz after {before} Hz");
                return refuse(problem, "sort the lines by ascending frequency");
            }
        }
        self.previous = Some((value, line_number));
        Ok(())
    }

    fn into_response(self, name: &str) -> Result<Response, TextError> {
        if self.rows.len() < 2 {
            let problem = format!("{} line(s) of numbers; a response needs at least two", self.rows.len());
            return Err(TextError::whole(name, problem, EXPORT_AGAIN));
        }
        let column = |known: usize| -> Option<Vec<f64>> {
            let index = self.layout.columns.iter().position(|&c| c == known)?;
            Some(self.rows.iter().map(|row| row[index]).collect())
        };
        Ok(Response {
            frequency_hz: column(0).unwrap_or_default(),
            magnitude_db: column(1).unwrap_or_default(),
            phase_deg: column(2),
            coherence: column(3),
            spread_db: column(4),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use testkit::all_near;

    fn message(text: &str) -> String {
        Response::parse(text, "left.csv").unwrap_err().to_string()
    }

    #[test]
    fn the_documented_csv_is_read() {
        let text = "# made by hand\nfrequency_hz,magnitude_db,phase_deg,coherence,spread_db\n20,-3.5,10,0.9,1\n\n# pause\n40,-2,11,1,0\n";
        let response = Response::parse(text, "x").unwrap();
        assert_eq!(response.frequency_hz, [20.0, 40.0]);
        assert_eq!(response.magnitude_db, [-3.5, -2.0]);
        assert_eq!(response.phase_deg.unwrap(), [10.0, 11.0]);
        assert_eq!(response.coherence.unwrap(), [0.9, 1.0]);
        assert_eq!(response.spread_db.unwrap(), [1.0, 0.0]);
    }

    #[test]
    fn headerless_text_is_read_with_every_separator() {
        for text in [
            "20,-3.5\n40,-2",
            "20;-3,5\r\n40;-2,0\r\n",
            "20\t-3,5\n40\t-2",
            "  20   -3.5\n  40   -2",
            "20 -3,5\n40 -2,0",
            "\u{feff}20, -3.5\n40, -2\n",
        ] {
            let response = Response::parse(text, "x").unwrap_or_else(|e| panic!("{text:?}: {e}"));
            all_near("frequency", &response.frequency_hz, &[20.0, 40.0], 0.0);
            all_near("magnitude", &response.magnitude_db, &[-3.5, -2.0], 0.0);
        }
        let response = Response::parse("20;-3,5;14\n40;-2;15", "x").unwrap();
        assert_eq!(response.phase_deg.unwrap(), [14.0, 15.0]);
    }

    #[test]
    fn each_mistake_is_named_with_its_place_and_a_remedy() {
        for (text, wanted) in [
            ("", "no numbers"),
            ("# only a comment\n", "no numbers"),
            ("frequency_hz,magnitude_db\n", "0 line(s)"),
            ("20,1", "at least two"),
            ("frequency_hz,magnitude_db\n20,abc\n40,1", "line 2, column 2: `abc` is not a number"),
            ("20,1\n40,nan", "line 2, column 2: `nan` is not a finite number"),
            ("20,1\n40,", "line 2: 1 column(s)"),
            ("20;1\n40;;", "line 2, column 2: the field is empty"),
            ("20,1\n20,2", "line 2, column 1: the frequency 20 Hz of line 1 again"),
            ("20,1\n10,2", "line 2, column 1: 10 Hz after 20 Hz"),
            ("-20,1\n10,2", "line 1, column 1: a frequency of -20 Hz"),
            ("0,1\n10,2", "start above 0 Hz"),
            ("20,5,-3,5\n40,5,-2,5", "separators or decimal marks"),
            ("frequency_hz,magnitude\n20,1", "did you mean `magnitude_db`?"),
            ("frequency_hz,phase_deg\n20,1", "does not name the column `magnitude_db`"),
            ("frequency_hz,magnitude_db,frequency_hz\n20,1,2", "twice"),
            ("frequency_hz,magnitude_db,coherence\n20,1,1.5", "between 0 and 1"),
            ("frequency_hz,magnitude_db,spread_db\n20,1,-1", "0 or more"),
            ("frequency_hz,magnitude_db,spread_db\n20,1,1e9", "up to 1000 dB"),
            ("20,1\n40,1e300", "line 2, column 2: a magnitude of 1"),
            ("20,1\n40,-5000", "line 2, column 2: a magnitude of -5000 dB; it lies within ±1000 dB"),
            ("hello world\n", "column 1: the header names a column `hello`"),
            ("20\n30", "1 column(s) without a header"),
            ("20 1 2 3 4\n", "5 column(s) without a header"),
        ] {
            let got = message(text);
            assert!(got.starts_with("left.csv") && got.contains(wanted), "{text:?} gave {got:?}");
        }
    }

    proptest! {
        #[test]
        fn reading_never_panics(text in "(?s).{0,200}") {
            let _ = Response::parse(&text, "x");
        }

        #[test]
        fn reading_number_like_text_never_panics(text in "[0-9.,;\t\n #+e-]{0,120}") {
            if let Ok(response) = Response::parse(&text, "x") {
                prop_assert!(response.check().is_ok());
            }
        }

        #[test]
        fn what_is_written_is_read_back_to_the_bit(
            rows in proptest::collection::vec((0.001f64..1e3, -200.0f64..200.0, 0.0f64..=1.0), 2..40),
            optional in any::<bool>(),
        ) {
            let mut hz = 0.0;
            let frequency_hz: Vec<f64> = rows.iter().map(|row| { hz += row.0; hz }).collect();
            let response = Response {
                frequency_hz,
                magnitude_db: rows.iter().map(|row| row.1).collect(),
                phase_deg: optional.then(|| rows.iter().map(|row| -row.1).collect()),
                coherence: Some(rows.iter().map(|row| row.2).collect()),
                spread_db: optional.then(|| rows.iter().map(|row| row.2).collect()),
            };
            prop_assert_eq!(Response::parse(&response.to_csv(), "x").unwrap(), response);
        }
    }
}
