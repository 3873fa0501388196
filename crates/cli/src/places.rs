//! Where the tracks of a recording belong, as a person says it: `--as`, or a table in a file.

use std::path::Path;

use job::{PlacedBy, Set, Stage};
use library::Error;
use library::files::read_text;
use project::Placement;
use project::derive::SaidPlace;

use crate::flags::ConditionFlags;
use crate::{args, number};

/// How it is written.
const FORM: &str = "TRACK[@TIME]=SLOT[:PLACE], such as sweep-full@0:05=before:driver-left-ear, \
                    sweep-full@1:10=before/left:head, sweep-mid=driver:left-mid or sweep-full@2:00=output:front";

/// The columns of a table.
const COLUMNS: [&str; 14] = [
    "file", "track", "time", "set", "position", "driver", "channel", "output", "step", "rpm", "kmh", "mode",
    "note", "label",
];

/// Reads `--as`.
pub(crate) fn said(written: &[String]) -> Result<Vec<SaidPlace>, Error> {
    written.iter().map(|text| one(text)).collect()
}

fn one(text: &str) -> Result<SaidPlace, Error> {
    let wrong = || Error::input(format!("--as `{text}` is not of the form {FORM}"));
    let (track, place) = text.split_once('=').ok_or_else(wrong)?;
    let (track, at_s) = match track.split_once('@') {
        Some((track, time)) => (track, Some(args::moment(time).ok_or_else(wrong)?)),
        None => (track, None),
    };
    let (slot, position) = place.split_once(':').unwrap_or((place, ""));
    let (track, slot, position) = (track.trim(), slot.trim(), position.trim());
    if track.is_empty() || slot.is_empty() {
        return Err(wrong());
    }
    let mut said = SaidPlace {
        written: format!("--as {text}"),
        track: track.to_owned(),
        at_s,
        placement: Placement { placed_by: Some(PlacedBy::Person), ..Placement::default() },
        ..SaidPlace::default()
    };
    let placement = &mut said.placement;
    match slot {
        "driver" => {
            let (driver, place) = position.split_once(':').unwrap_or((position, ""));
            driver.trim().clone_into(&mut placement.driver);
            place.trim().clone_into(&mut placement.position);
            said.stage = Some(Stage::Drivers);
        }
        "output" => {
            position.clone_into(&mut placement.position);
            said.stage = Some(Stage::Source);
        }
        set => {
            let (set, channel) = set.split_once('/').unwrap_or((set, ""));
            placement.set = Set::from_word(set);
            channel.trim().clone_into(&mut placement.processor_channel);
            position.clone_into(&mut placement.position);
        }
    }
    if said.stage.is_some() && position.is_empty() {
        return Err(wrong());
    }
    name(&mut said.placement);
    Ok(said)
}

/// Calls a capture by its place where nobody named it.
fn name(placement: &mut Placement) {
    if placement.label.is_empty() {
        let parts = [&placement.driver, &placement.processor_channel, &placement.position];
        let parts: Vec<&str> =
            parts.into_iter().map(String::as_str).filter(|part| !part.is_empty()).collect();
        placement.label = parts.join(": ");
    }
}

/// Reads a table: one line for each track, with a header.
pub(crate) fn table(path: &Path) -> Result<Vec<SaidPlace>, Error> {
    let text = read_text(path)?;
    let file = path.display().to_string();
    let at = |line: usize, problem: String| Error::in_file(&file, line, problem);
    let mut lines =
        (1..).zip(text.lines()).filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#'));
    let (first, header) = lines.next().ok_or_else(|| at(1, "the table is empty".to_owned()))?;
    let header = cells(header).ok_or_else(|| at(first, UNCLOSED.to_owned()))?;
    let mut columns = Vec::new();
    for name in &header {
        let known = COLUMNS.iter().position(|known| *known == name.to_lowercase());
        columns.push(known.ok_or_else(|| {
            at(first, format!("the header names a column `{name}`; expected some of {}", COLUMNS.join(", ")))
        })?);
    }
    if !columns.contains(&1) {
        return Err(at(
            first,
            "there is no column `track`; it says which track each line is about".to_owned(),
        ));
    }
    let mut all = Vec::new();
    for (line, row) in lines {
        let row = cells(row).ok_or_else(|| at(line, UNCLOSED.to_owned()))?;
        if row.len() > columns.len() {
            return Err(at(
                line,
                format!(
                    "{} cells for {} columns; put a cell that holds a comma into quotes",
                    row.len(),
                    columns.len()
                ),
            ));
        }
        let cell = |name: &str| -> String {
            let index = COLUMNS.iter().position(|known| *known == name);
            let column = columns.iter().position(|column| Some(*column) == index);
            column.and_then(|column| row.get(column)).cloned().unwrap_or_default()
        };
        let number = |name: &str| -> Result<Option<String>, Error> {
            let text = cell(name);
            Ok((!text.is_empty()).then_some(text))
        };
        let step = number("step")?
            .map(|text| number::of(&format!("{file}, line {line}, step"), number::plain(&text, "")));
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "checked to be a small whole number"
        )]
        let step = match step.transpose()? {
            Some(step) if step.fract() == 0.0 && (0.0..=1e6).contains(&step) => Some(step as u32),
            Some(step) => return Err(at(line, format!("the step {step} is no whole number of 0 or more"))),
            None => None,
        };
        let track = cell("track");
        if track.is_empty() {
            return Err(at(line, "there is no track in this line".to_owned()));
        }
        let time = cell("time");
        let at_s = match time.as_str() {
            "" => None,
            time => Some(args::moment(time).ok_or_else(|| {
                at(line, format!("`{time}` is no time; expected seconds, or minutes and seconds as 1:05"))
            })?),
        };
        let output = cell("output");
        let mut placement = Placement {
            label: cell("label"),
            set: Set::from_word(&cell("set")),
            position: if output.is_empty() { cell("position") } else { output.clone() },
            driver: cell("driver"),
            processor_channel: cell("channel"),
            placed_by: Some(PlacedBy::Table),
            ..Placement::default()
        };
        let conditions = ConditionFlags {
            step,
            rpm: number("rpm")?,
            kmh: number("kmh")?,
            mode: number("mode")?,
            note: number("note")?,
        };
        conditions.note(&mut placement.conditions).map_err(|error| at(line, error.to_string()))?;
        name(&mut placement);
        let stage = match (output.is_empty(), placement.driver.is_empty()) {
            (false, _) => Some(Stage::Source),
            (true, false) => Some(Stage::Drivers),
            (true, true) => None,
        };
        let named = cell("file");
        all.push(SaidPlace {
            written: format!("{file}, line {line}"),
            file: (!named.is_empty()).then_some(named),
            track,
            at_s,
            stage,
            placement,
        });
    }
    Ok(all)
}

/// What is said of a quote without its other half.
const UNCLOSED: &str = "a quote is not closed";

/// The cells of a line, with commas between; one in quotes may hold a comma, and a quote as two of them.
fn cells(line: &str) -> Option<Vec<String>> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    let mut characters = line.chars().peekable();
    while let Some(c) = characters.next() {
        let cell = cells.last_mut()?;
        match c {
            '"' if quoted && characters.peek() == Some(&'"') => {
                characters.next();
                cell.push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => cells.push(String::new()),
            c => cell.push(c),
        }
    }
    (!quoted).then(|| cells.iter().map(|cell| cell.trim().to_owned()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_said_in_a_word() {
        let of = |text: &str| said(&[text.to_owned()]).map(|mut all| all.remove(0));
        let before = of("sweep-full@0:05=before:driver-left-ear").unwrap();
        assert_eq!((before.track.as_str(), before.at_s), ("sweep-full", Some(5.0)));
        assert_eq!(
            (before.placement.set, &*before.placement.position),
            (Some(Set::Before), "driver-left-ear")
        );
        let left = of("sweep-full@70=after/left:head").unwrap().placement;
        assert_eq!(
            (left.set, &*left.processor_channel, &*left.label),
            (Some(Set::After), "left", "left: head")
        );
        let driver = of("sweep-mid=driver:left-mid:head").unwrap();
        assert_eq!((driver.stage, &*driver.placement.driver), (Some(Stage::Drivers), "left-mid"));
        assert_eq!(driver.placement.position, "head");
        for wrong in
            ["sweep-full", "=before:x", "sweep-full@soon=before:x", "sweep-full=", "sweep-mid=driver"]
        {
            assert!(of(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_table_says_it_for_many() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("places.csv");
        let read = |text: &str| {
            std::fs::write(&path, text).unwrap();
            table(&path)
        };
        let all = read(
            "track,time,set,position,driver,step,kmh\n# a comment\nsweep-full,0:05,before,\"ear, left\",,12,\nsweep-mid,40,,,left-mid,,50\n",
        )
        .unwrap();
        assert_eq!(all[0].placement.position, "ear, left");
        assert_eq!(all[0].placement.conditions.volume_step, Some(12));
        assert_eq!((all[1].at_s, all[1].stage), (Some(40.0), Some(Stage::Drivers)));
        assert_eq!(all[1].placement.conditions.vehicle_kmh, Some(50.0));
        for (text, line, part) in [
            ("track,plce\na,b\n", 1, "plce"),
            ("set\nbefore\n", 1, "no column `track`"),
            ("track,time\nsweep-full,0:05\nsweep-full,soon\n", 3, "soon"),
            ("track,step\nsweep-full,1.5\n", 2, "1.5"),
        ] {
            let error = read(text).unwrap_err();
            assert_eq!(error.line(), Some(line), "{error}");
            assert!(error.to_string().contains(part), "{error}");
        }
    }
}
