//! A rattle's spots as sounds: each a short narrow sweep, again and again, under which a hand
//! can find the panel.

use std::path::Path;

use measure::{Cell, Reading, Stimulus};
use measurements::signals;
use recording::{Audio, Depth};

use library::files::Written;
use library::{Error, Result};

/// A spot of a `rattle` reading: where it lies, and the sound that makes it buzz again.
#[derive(Debug, Clone, PartialEq)]
pub struct Spot {
    /// The lower end of the stretch that buzzes.
    pub from_hz: f64,
    /// Its upper end.
    pub to_hz: f64,
    /// How loud the buzz is re the sweep.
    pub level_db: f64,
    /// A narrow sweep over it, to be played in a loop.
    pub stimulus: Stimulus,
}

/// The spots of a `rattle` reading, the loudest first.
#[must_use]
pub fn spots(reading: &Reading) -> Vec<Spot> {
    let rows = reading.tables.get("spots").map_or(&[][..], |table| &table.rows);
    rows.iter()
        .filter_map(|row| match row.as_slice() {
            [Cell::Number(_), Cell::Number(from_hz), Cell::Number(to_hz), Cell::Number(level_db)] => {
                Some(Spot {
                    from_hz: *from_hz,
                    to_hz: *to_hz,
                    level_db: *level_db,
                    stimulus: signals::spot(*from_hz, *to_hz),
                })
            }
            _ => None,
        })
        .collect()
}

/// Writes a track for each spot into a folder, which is made when it is not there.
///
/// # Errors
/// When the reading is of another measurement, or a file cannot be written.
pub fn write_spots(reading: &Reading, dir: &Path, sample_rate_hz: u32) -> Result<Vec<Written>> {
    if reading.measurement != "rattle" {
        return Err(Error::input(format!(
            "--spots: a `{}` reading has no spots; it belongs to `rattle`",
            reading.measurement
        )));
    }
    let spots = spots(reading);
    if spots.is_empty() {
        return Ok(Vec::new());
    }
    std::fs::create_dir_all(dir).map_err(|error| Error::io("make the folder", dir, &error))?;
    let mut written = Vec::new();
    for (number, spot) in (1u64..).zip(&spots) {
        let path = dir.join(format!("spot-{number}-{:.0}-to-{:.0}-hz.wav", spot.from_hz, spot.to_hz));
        let rows = signals::render_stereo(&spot.stimulus, f64::from(sample_rate_hz));
        recording::write_wav(&path, &Audio::new(sample_rate_hz, rows.into()), Depth::Int16, number)?;
        let what = format!(
            "play it in a loop, and lay a hand on the panels ({:.0} dB below the sweep)",
            -spot.level_db
        );
        written.push(Written::new(&path, what));
    }
    Ok(written)
}

#[cfg(test)]
mod tests {
    use measure::Table;

    use super::*;

    #[test]
    fn each_spot_becomes_a_track() {
        let mut reading = Reading::new("rattle", 1, 48_000.0);
        let row = |values: [f64; 4]| values.map(Cell::Number).to_vec();
        let columns = ["frequency_hz", "from_hz", "to_hz", "level_db"].map(str::to_owned).to_vec();
        let rows = vec![row([87.0, 80.0, 95.0, -45.0]), row([46.0, 44.0, 48.0, -50.0])];
        reading.tables.insert("spots".to_owned(), Table { columns, rows });
        let folder = tempfile::tempdir().unwrap();
        let written = write_spots(&reading, &folder.path().join("spots"), 48_000).unwrap();
        assert_eq!(written.len(), 2);
        let audio = recording::read(folder.path().join("spots/spot-1-80-to-95-hz.wav")).unwrap();
        assert_eq!(audio.channels.len(), 2);
        assert!((10.0..40.0).contains(&audio.duration_s()), "{} s", audio.duration_s());
        assert!(write_spots(&Reading::new("level", 1, 48_000.0), folder.path(), 48_000).is_err());
    }
}
