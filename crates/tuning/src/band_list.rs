//! The list of bands as it is typed into a processor, as CSV.

use std::fmt::Write as _;

use units::text::{csv_cell, excerpt, from_csv_cell, one_line};

use crate::columns::{field_number, numbered_lines};
use crate::{Band, BandKind, TextError};

/// The header of the list.
const HEADER: &str = "channel,band,type,frequency_hz,gain_db,q";

/// The most bands of one list: more than thirty channels of thirty bands. What computes with bands takes longer than in
/// proportion to their number.
pub const MOST_BANDS: usize = 1_000;

/// One line of a band list: a band as it is typed, so `q` is the processor's own.
#[derive(Debug, Clone, PartialEq)]
pub struct BandEntry {
    /// Which channel of the processor; empty when there is only one or all share it.
    pub channel: String,
    /// The number of the band within its channel, from 1.
    pub number: u32,
    /// What is typed.
    pub band: Band,
}

/// Numbers the bands of one channel from 1.
#[must_use]
pub fn band_entries(channel: &str, bands: &[Band]) -> Vec<BandEntry> {
    (1..).zip(bands).map(|(number, &band)| BandEntry { channel: channel.to_owned(), number, band }).collect()
}

/// Writes a band list.
///
/// A channel's name is written as [`csv_cell`] has it: one line, quoted where it must be, and never a
/// spreadsheet's formula.
#[must_use]
pub fn bands_csv(entries: &[BandEntry]) -> String {
    let mut text = format!("{HEADER}\n");
    for BandEntry { channel, number, band } in entries {
        let channel = csv_cell(channel);
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "{channel},{number},{},{},{},{}",
            band.kind, band.frequency_hz, band.gain_db, band.q
        );
    }
    text
}

/// Reads a band list with the header `channel,band,type,frequency_hz,gain_db,q`.
///
/// Lines that start with `#` and empty lines are skipped.
///
/// # Errors
/// The first line that cannot be used, with its column and what to do.
pub fn parse_bands_csv(text: &str, name: &str) -> Result<Vec<BandEntry>, TextError> {
    let mut header_seen = false;
    let mut entries: Vec<BandEntry> = Vec::new();
    for (line_number, line) in
        numbered_lines(text).filter(|(_, line)| !line.is_empty() && !line.starts_with('#'))
    {
        if !header_seen {
            if line.split(',').map(str::trim).ne(HEADER.split(',')) {
                let problem = format!("the first line is not the header `{HEADER}`");
                return Err(TextError::at(name, line_number, None, problem, "put that line on top"));
            }
            header_seen = true;
            continue;
        }
        let entry = parse_entry(name, line_number, line)?;
        if entries.iter().any(|e| e.channel == entry.channel && e.number == entry.number) {
            let problem = format!("band {} of this channel again", entry.number);
            return Err(TextError::at(name, line_number, Some(2), problem, "give each band its own number"));
        }
        if entries.len() == MOST_BANDS {
            let problem = format!("more than {MOST_BANDS} bands");
            let advice = "no processor holds so many; give the list of one car's processor";
            return Err(TextError::at(name, line_number, None, problem, advice));
        }
        entries.push(entry);
    }
    if header_seen {
        Ok(entries)
    } else {
        let advice = format!("start it with the header `{HEADER}`");
        Err(TextError::whole(name, "there is no band list in it", advice))
    }
}

fn parse_entry(name: &str, line_number: usize, line: &str) -> Result<BandEntry, TextError> {
    let fields = fields(line).ok_or_else(|| {
        TextError::at(name, line_number, None, "a quotation mark is not closed", "close it with a second one")
    })?;
    let [channel, number, kind, frequency, gain, q] = fields.as_slice() else {
        let problem = format!("{} columns; a band list has six", fields.len());
        return Err(TextError::at(name, line_number, None, problem, format!("write them as {HEADER}")));
    };
    let refuse = |column: usize, problem: String, advice: &str| {
        TextError::at(name, line_number, Some(column), problem, advice)
    };
    let number = number.parse::<u32>().ok().filter(|&n| n > 0).ok_or_else(|| {
        refuse(2, format!("`{}` is not a band number", excerpt(number, 40)), "count the bands from 1")
    })?;
    let kind = BandKind::from_word(kind).ok_or_else(|| {
        let kind = &excerpt(kind, 40);
        let near = measure::nearest(kind, BandKind::ALL.map(BandKind::word));
        let problem = match near {
            Some(near) => format!("there is no band type `{kind}`; did you mean `{near}`?"),
            None => format!("there is no band type `{kind}`"),
        };
        refuse(3, problem, "the types are peak, low-shelf and high-shelf")
    })?;
    let frequency_hz = field_number(name, line_number, 4, frequency, false)?;
    let gain_db = field_number(name, line_number, 5, gain, false)?;
    let q = field_number(name, line_number, 6, q, false)?;
    if frequency_hz <= 0.0 {
        return Err(refuse(4, format!("a frequency of {frequency_hz} Hz"), "it must lie above 0 Hz"));
    }
    if q <= 0.0 {
        return Err(refuse(6, format!("a Q of {q}"), "it must lie above 0"));
    }
    Ok(BandEntry {
        // A name of which a part cannot be seen could not be written as it was read.
        channel: one_line(from_csv_cell(channel)).into_owned(),
        number,
        band: Band { kind, frequency_hz, gain_db, q },
    })
}

/// The fields of one line, the first of which may be quoted (RFC 4180); `None`
/// when a quotation is not closed.
fn fields(line: &str) -> Option<Vec<String>> {
    let Some(quoted) = line.strip_prefix('"') else {
        return Some(line.split(',').map(|field| field.trim().to_owned()).collect());
    };
    let mut first = String::new();
    let mut rest = quoted;
    loop {
        let (before, after) = rest.split_once('"')?;
        first.push_str(before);
        match after.strip_prefix('"') {
            Some(after) => {
                first.push('"');
                rest = after;
            }
            None => {
                let tail = after.strip_prefix(',')?;
                let mut all = vec![first];
                all.extend(tail.split(',').map(|field| field.trim().to_owned()));
                return Some(all);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Found by `cargo xtask fuzz`.
    #[test]
    fn what_cannot_be_seen_in_a_channels_name_is_left_out_when_it_is_read() {
        let text = format!("{HEADER}\nfront l\0\0eft,2,peak,1600,3,0.7\n\u{200b}=sub,1,peak,40,-3,1\n");
        let bands = parse_bands_csv(&text, "x").expect("a list");
        let channels: Vec<&str> = bands.iter().map(|entry| entry.channel.as_str()).collect();
        assert_eq!(channels, ["front left", "=sub"]);
        assert_eq!(parse_bands_csv(&bands_csv(&bands), "x"), Ok(bands));
    }

    #[test]
    fn the_documented_form_is_written_and_read() {
        let bands = [Band::peak(160.0, -4.5, 3.2), Band::low_shelf(80.0, 3.0, 0.7)];
        let entries = band_entries("front left", &bands);
        let text = bands_csv(&entries);
        assert_eq!(
            text,
            "channel,band,type,frequency_hz,gain_db,q\n\
             front left,1,peak,160,-4.5,3.2\nfront left,2,low-shelf,80,3,0.7\n"
        );
        assert_eq!(parse_bands_csv(&text, "x").unwrap(), entries);
    }

    #[test]
    fn more_bands_than_any_processor_holds_are_refused_at_their_line() {
        let list = |count: u32| {
            let lines: String = (1..=count).map(|n| format!("a,{n},peak,100,1,1\n")).collect();
            format!("{HEADER}\n{lines}")
        };
        assert_eq!(parse_bands_csv(&list(1_000), "x").unwrap().len(), MOST_BANDS);
        let message = parse_bands_csv(&list(20_000), "x").unwrap_err().to_string();
        assert!(message.contains("line 1002") && message.contains("more than 1000 bands"), "{message}");
    }

    #[test]
    fn each_mistake_is_named_with_its_place() {
        let list = |line: &str| format!("{HEADER}\n{line}");
        for (text, wanted) in [
            (String::new(), "no band list"),
            ("1,peak\n".to_owned(), "line 1: the first line is not the header"),
            (list(",1,peek,100,1,1"), "line 2, column 3: there is no band type `peek`; did you mean `peak`?"),
            (list(",0,peak,100,1,1"), "column 2: `0` is not a band number"),
            (list(",1,peak,100,one,1"), "column 5: `one` is not a number"),
            (list(",1,peak,-100,1,1"), "column 4: a frequency of -100 Hz"),
            (list(",1,peak,100,1,0"), "column 6: a Q of 0"),
            (list(",1,peak,100,1"), "line 2: 5 columns"),
            (list("\"left,1,peak,100,1,1"), "not closed"),
            (list(",1,peak,100,1,1\n,1,peak,200,1,1"), "line 3, column 2: band 1 of this channel again"),
        ] {
            let got = parse_bands_csv(&text, "b.csv").unwrap_err().to_string();
            assert!(got.starts_with("b.csv") && got.contains(wanted), "{text:?} gave {got:?}");
        }
    }

    #[test]
    fn a_name_is_never_a_formula_nor_a_second_line() {
        let bands = [Band::peak(160.0, -4.5, 3.2)];
        for name in ["=cmd|x", "+1", "@x", "-left", "'=1", "left, \"upper\""] {
            let entries = band_entries(name, &bands);
            let text = bands_csv(&entries);
            let line = text.lines().nth(1).unwrap().trim_start_matches('"');
            assert!(!line.starts_with(['=', '+', '-', '@']), "{line}");
            assert_eq!(parse_bands_csv(&text, "x").unwrap(), entries);
        }
        let text = bands_csv(&band_entries("left\nFORGED\u{1b}[31m\u{202e}", &bands));
        assert_eq!(text.lines().nth(1), Some("left FORGED[31m,1,peak,160,-4.5,3.2"));
        assert_eq!(parse_bands_csv(&text, "x").unwrap().len(), 1);
    }

    proptest! {
        #[test]
        fn reading_never_panics(text in "(?s).{0,200}", tail in "[0-9a-z,.\"\n-]{0,80}") {
            let _ = parse_bands_csv(&text, "x");
            let _ = parse_bands_csv(&format!("{HEADER}\n{tail}"), "x");
        }

        #[test]
        fn what_is_written_is_read_back(channel in "[ -~äöü]{0,12}", f in 1.0f64..2e4, g in -20.0f64..20.0, q in 0.1f64..30.0) {
            let entries = band_entries(&channel, &[Band::peak(f, g, q), Band::high_shelf(f, -g, q)]);
            prop_assert_eq!(parse_bands_csv(&bands_csv(&entries), "x").unwrap(), entries);
        }
    }
}
