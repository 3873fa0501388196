//! The main curve or table of a reading as CSV.

use std::fmt::Write;
use std::path::Path;

use measure::{Cell, Curve, Reading, Table};
use units::text::csv_cell;

use library::files::write_text;
use library::{Error, Result};
use project::derive::{is_against_reference, later};

/// The curves that stand for a whole reading, most telling first. What is in
/// decibels over frequency is written as a response file, so that `fit` and
/// `compare` can read it.
const MAIN_CURVES: [&str; 6] = ["response", "bands", "rattle", "spectrum", "fast_a", "envelope"];

/// The tables that stand for a whole reading.
const MAIN_TABLES: [&str; 3] = ["steps", "lines", "spots"];

/// Writes the reading's main curve, or its main table, as CSV.
///
/// The phase of a sweep's reading counts from its own arrival. With a reference channel,
/// `from_reference`, it counts from there in the file, and of a track `place-…` from the arrival of its
/// reference driver: so several drivers can be aligned.
///
/// # Errors
/// When the reading has neither, or the file cannot be written.
pub(crate) fn write_csv(reading: &Reading, path: &Path, from_reference: bool) -> Result<()> {
    let text = csv(reading, from_reference).ok_or_else(|| {
        Error::input(format!(
            "a `{}` reading has no curve or table that could be written to {}; leave out --csv, or use --json",
            reading.measurement,
            path.display()
        ))
    })?;
    write_text(path, &text)
}

fn csv(reading: &Reading, from_reference: bool) -> Option<String> {
    // A ladder of steps says more than the spectrum that goes with it.
    let table = MAIN_TABLES.iter().find_map(|name| reading.tables.get(*name)).filter(|t| !t.rows.is_empty());
    let curve = MAIN_CURVES.iter().find_map(|name| reading.curves.get(*name)).filter(|c| !c.is_empty());
    match (reading.measurement.as_str(), table, curve) {
        ("headroom", Some(table), _) | (_, Some(table), None) => Some(table_csv(table)),
        (_, _, Some(curve)) => {
            let has_zero = from_reference || is_against_reference(reading);
            match on_the_way(reading, curve).filter(|_| has_zero) {
                Some(curve) => Some(curve_csv(&curve)),
                None => Some(curve_csv(curve)),
            }
        }
        (_, None, None) => None,
    }
}

/// A sweep's response with the way of the sound in its phase.
fn on_the_way(reading: &Reading, curve: &Curve) -> Option<Curve> {
    let later_s = reading.values.get("arrival_s").copied().filter(|_| reading.measurement == "sweep")?;
    let mut curve = curve.clone();
    let phase_deg = later(curve.get("phase_deg")?, curve.get("frequency_hz")?, later_s).collect();
    curve.insert("phase_deg".to_owned(), phase_deg);
    Some(curve)
}

/// The columns in the order of the response file, then any others.
fn curve_csv(curve: &Curve) -> String {
    let order = ["frequency_hz", "time_s", "magnitude_db", "level_db", "phase_deg", "coherence", "spread_db"];
    let known = order.iter().filter_map(|name| curve.get_key_value(*name));
    let others = curve.iter().filter(|(name, _)| !order.contains(&name.as_str()));
    let columns: Vec<(&String, &Vec<f64>)> = known.chain(others).collect();
    let header: Vec<&str> = columns
        .iter()
        .map(|(name, _)| match name.as_str() {
            // The response file's name for decibels over frequency.
            "level_db" if curve.contains_key("frequency_hz") => "magnitude_db",
            name => name,
        })
        .collect();
    let mut text = header.join(",");
    text.push('\n');
    for row in 0..columns.first().map_or(0, |(_, values)| values.len()) {
        let cells: Vec<String> = columns.iter().map(|(_, values)| values[row].to_string()).collect();
        text.push_str(&cells.join(","));
        text.push('\n');
    }
    text
}

fn table_csv(table: &Table) -> String {
    let mut text = table.columns.join(",");
    text.push('\n');
    for row in &table.rows {
        for (index, cell) in row.iter().enumerate() {
            if index > 0 {
                text.push(',');
            }
            // Writing to a string cannot fail.
            let _ = match cell {
                Cell::Flag(flag) => write!(text, "{flag}"),
                Cell::Number(number) => write!(text, "{number}"),
                Cell::Text(word) => write!(text, "{}", csv_cell(word)),
                Cell::Empty => Ok(()),
            };
        }
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_response_is_written_in_the_order_of_the_response_file() {
        let mut reading = Reading::new("sweep", 1, 48_000.0);
        reading.curve(
            "response",
            [("phase_deg", vec![-90.0]), ("magnitude_db", vec![-3.01]), ("frequency_hz", vec![1000.0])],
        );
        assert_eq!(csv(&reading, false).unwrap(), "frequency_hz,magnitude_db,phase_deg\n1000,-3.01,-90\n");
        // A quarter of a period of the way is a quarter of a turn.
        reading.value("arrival_s", 2.000_25);
        let text = csv(&reading, true).unwrap();
        let phase: f64 = text.trim().rsplit(',').next().unwrap().parse().unwrap();
        assert!((phase.abs() - 180.0).abs() < 1e-6, "{text}");
        // Against a reference driver it has that zero by itself.
        reading
            .curve("reference", [("frequency_hz", vec![]), ("magnitude_db", vec![]), ("phase_deg", vec![])]);
        assert_eq!(csv(&reading, false).unwrap(), text);
    }

    #[test]
    fn a_spectrum_is_written_as_a_response() {
        let mut reading = Reading::new("spectrum", 1, 48_000.0);
        reading.curve("bands", [("frequency_hz", vec![1000.0]), ("level_db", vec![-40.5])]);
        assert_eq!(csv(&reading, false).unwrap(), "frequency_hz,magnitude_db\n1000,-40.5\n");
    }

    #[test]
    fn a_ladder_of_steps_keeps_its_columns() {
        let mut reading = Reading::new("headroom", 1, 48_000.0);
        let columns = ["step", "level_v", "clean"].map(str::to_owned).to_vec();
        let rows = vec![vec![Cell::Number(30.0), Cell::Empty, Cell::Flag(true)]];
        reading.tables.insert("steps".to_owned(), Table { columns, rows });
        assert_eq!(csv(&reading, false).unwrap(), "step,level_v,clean\n30,,true\n");
    }

    #[test]
    fn a_reading_of_values_alone_has_no_csv() {
        assert_eq!(csv(&Reading::new("level", 1, 48_000.0), false), None);
    }
}
