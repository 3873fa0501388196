//! Noise lines that follow the engine's speed, told from those that stay.

use serde::{Deserialize, Serialize};

/// The lines of one recording.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseLines {
    /// What it is called, such as `idle`.
    pub name: String,
    /// The engine's speed, where it was noted.
    pub rpm: Option<f64>,
    /// Frequency and level of each line.
    pub lines: Vec<(f64, f64)>,
}

/// Lines that belong together because they moved by one ratio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EngineLines {
    /// The recording that was compared with.
    pub first: String,
    /// The other one.
    pub second: String,
    /// How much faster the engine ran in the second one.
    pub ratio: f64,
    /// The lines that moved, the strongest first.
    pub moving: Vec<MovingLine>,
    /// The lines that stayed where they were.
    pub standing_hz: Vec<f64>,
}

/// A line that moved.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MovingLine {
    /// Where it was in the first recording.
    pub first_hz: f64,
    /// Its level there.
    pub first_db: f64,
    /// Where it was in the second one.
    pub second_hz: f64,
    /// Its level there.
    pub second_db: f64,
    /// Cycles per turn of the engine, where its speed was noted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<f64>,
}

/// Lines that are there while the engine runs, and were not (or lower) while it stood.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BroughtLines {
    /// The recording with the engine off.
    pub off: String,
    /// The one with it running.
    pub running: String,
    /// What it brought, the strongest first.
    pub lines: Vec<BroughtLine>,
}

/// A line that came with the engine.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BroughtLine {
    /// Where it is.
    pub frequency_hz: f64,
    /// Its level while the engine runs.
    pub level_db: f64,
    /// How much louder it is than with the engine off; absent where it was not there at all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub louder_by_db: Option<f64>,
    /// Cycles per turn of the engine, where its speed was noted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<f64>,
}

/// A line that was there before has come with the engine when it is so much louder: the
/// levels of one line in two recordings of ten seconds differ by less.
const LOUDER_DB: f64 = 6.0;

/// The lines that the engine brought, from one recording with it off and one with it
/// running. That they follow its speed is not known from one running recording
/// (see [`engine_lines`]): a fan or a pump that was switched on with it would be among them.
#[must_use]
pub fn brought_lines(off: &NoiseLines, running: &NoiseLines) -> Option<BroughtLines> {
    let mut lines: Vec<BroughtLine> = running
        .lines
        .iter()
        .filter_map(|&(frequency_hz, level_db)| {
            let before = off.lines.iter().filter(|(hz, _)| is_same(*hz, frequency_hz));
            let before_db = before.map(|(_, db)| *db).reduce(f64::max);
            let louder_by_db = before_db.map(|before_db| level_db - before_db);
            let order = running.rpm.map(|rpm| 60.0 * frequency_hz / rpm);
            louder_by_db.is_none_or(|louder| louder >= LOUDER_DB).then_some(BroughtLine {
                frequency_hz,
                level_db,
                louder_by_db,
                order,
            })
        })
        .collect();
    lines.sort_by(|a, b| b.level_db.total_cmp(&a.level_db));
    (!lines.is_empty()).then(|| BroughtLines { off: off.name.clone(), running: running.name.clone(), lines })
}

/// A line is the same when it lies within 0.5 Hz or 0.1 %.
fn is_same(a_hz: f64, b_hz: f64) -> bool {
    (a_hz - b_hz).abs() <= (1e-3 * a_hz.max(b_hz)).max(0.5)
}

/// A line has moved by a ratio when it lies within 1 Hz or 0.4 % of where that takes it: an
/// engine does not hold its speed better.
fn has_moved(first_hz: f64, second_hz: f64, ratio: f64) -> bool {
    let wanted_hz = ratio * first_hz;
    (second_hz - wanted_hz).abs() <= (4e-3 * wanted_hz).max(1.0)
}

/// A noted engine speed may be off by this much.
const SPEED_OFF: f64 = 0.06;

/// Speeds less than this apart do not tell a line that moves from one that stays.
const LEAST_RATIO: f64 = 1.08;

/// Engines idle at 600 and turn at 7,000: no ratio beyond that is looked for.
const MOST_RATIO: f64 = 12.0;

/// Finds the lines that follow the engine between two recordings: those that all moved by
/// one ratio. With both speeds noted the ratio is known but for a few percent, and one line is
/// enough; otherwise the ratio is the one by which most lines moved, two of them at the least.
#[must_use]
pub fn engine_lines(first: &NoiseLines, second: &NoiseLines) -> Option<EngineLines> {
    let standing_hz: Vec<f64> = first
        .lines
        .iter()
        .filter(|(hz, _)| second.lines.iter().any(|(other, _)| is_same(*hz, *other)))
        .map(|(hz, _)| *hz)
        .collect();
    let stands = |hz: f64| standing_hz.iter().any(|standing| is_same(*standing, hz));
    let free = |lines: &[(f64, f64)]| -> Vec<(f64, f64)> {
        lines.iter().copied().filter(|(hz, _)| !stands(*hz)).collect()
    };
    let (a, b) = (free(&first.lines), free(&second.lines));
    let noted = first.rpm.zip(second.rpm).map(|(a, b)| b / a);
    let allowed = |ratio: f64| match noted {
        Some(noted) => (ratio / noted - 1.0).abs() <= SPEED_OFF,
        None => {
            (1.0 / MOST_RATIO..=MOST_RATIO).contains(&ratio)
                && !(1.0 / LEAST_RATIO..LEAST_RATIO).contains(&ratio)
        }
    };
    let pairs = |ratio: f64| -> Vec<((f64, f64), (f64, f64))> {
        a.iter()
            .filter_map(|&line| {
                let near = b.iter().filter(|(hz, _)| has_moved(line.0, *hz, ratio));
                near.max_by(|x, y| x.1.total_cmp(&y.1)).map(|&other| (line, other))
            })
            .collect()
    };
    let ratio = a
        .iter()
        .flat_map(|(from, _)| b.iter().map(move |(to, _)| to / from))
        .filter(|ratio| allowed(*ratio))
        .map(|ratio| {
            let found = pairs(ratio);
            // A pair of lines whose levels have nothing to do with one another says less.
            let weight: f64 = found.iter().map(|(x, y)| 1.0 / (1.0 + ((x.1 - y.1) / 12.0).powi(2))).sum();
            (ratio, found.len(), weight)
        })
        .filter(|(_, count, _)| *count >= if noted.is_some() { 1 } else { 2 })
        .max_by(|x, y| x.2.total_cmp(&y.2))?
        .0;
    let found = pairs(ratio);
    // The mean of all of them is exacter than the one pair that it was found by.
    let ratio = found.iter().map(|(x, y)| y.0 / x.0).sum::<f64>() / found.len() as f64;
    let mut moving: Vec<MovingLine> = found
        .into_iter()
        .map(|(x, y)| MovingLine {
            first_hz: x.0,
            first_db: x.1,
            second_hz: y.0,
            second_db: y.1,
            order: first.rpm.map(|rpm| 60.0 * x.0 / rpm),
        })
        .collect();
    moving.sort_by(|x, y| y.second_db.total_cmp(&x.second_db));
    Some(EngineLines { first: first.name.clone(), second: second.name.clone(), ratio, moving, standing_hz })
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Hum that stays, a pilot tone that stays, and the orders 16.2 and 32.4 of the engine.
    fn recording(name: &str, rpm: f64, noted: bool) -> NoiseLines {
        let turns = rpm / 60.0;
        NoiseLines {
            name: name.to_owned(),
            rpm: noted.then_some(rpm),
            lines: vec![
                (50.0, -70.0),
                (100.0, -76.0),
                (15_625.0, -90.0),
                (16.2 * turns, -75.0),
                (32.4 * turns, -82.0),
                (6.0 * turns, -88.0),
            ],
        }
    }

    #[test]
    fn lines_that_follow_the_engine_are_named() {
        for noted in [true, false] {
            let found =
                engine_lines(&recording("idle", 860.0, noted), &recording("fast", 2_100.0, noted)).unwrap();
            near("ratio", found.ratio, 2_100.0 / 860.0, 1e-3);
            let moving: Vec<f64> = found.moving.iter().map(|line| line.first_hz.round()).collect();
            assert_eq!(moving, [232.0, 464.0, 86.0], "{found:?}");
            assert_eq!(found.standing_hz, [50.0, 100.0, 15_625.0]);
            assert_eq!(found.moving[0].order.map(|order| (10.0 * order).round()), noted.then_some(162.0));
        }
    }

    /// One running recording: its lines at 540 and 1080 Hz were not mentioned.
    #[test]
    fn lines_that_came_with_the_engine_are_named_from_one_recording() {
        let off = NoiseLines {
            name: "off".to_owned(),
            rpm: None,
            lines: vec![(50.0, -70.0), (100.0, -76.0), (150.0, -80.0)],
        };
        let fast = NoiseLines {
            name: "fast".to_owned(),
            rpm: Some(2_000.0),
            lines: vec![(1_080.0, -80.0), (50.2, -71.0), (540.0, -72.0), (100.0, -66.0)],
        };
        let brought = brought_lines(&off, &fast).unwrap();
        let told: Vec<(f64, Option<f64>)> =
            brought.lines.iter().map(|line| (line.frequency_hz, line.louder_by_db)).collect();
        assert_eq!(told, [(100.0, Some(10.0)), (540.0, None), (1_080.0, None)]);
        near("order", brought.lines[1].order.unwrap(), 16.2, 1e-9);
        assert_eq!(brought_lines(&off, &off), None);
    }

    #[test]
    fn lines_that_all_stay_follow_nothing() {
        let off =
            NoiseLines { name: "off".to_owned(), rpm: None, lines: vec![(50.0, -70.0), (100.0, -76.0)] };
        assert_eq!(engine_lines(&off, &off), None);
        // One line that is gone and one that came are no family.
        let other = NoiseLines { lines: vec![(50.0, -70.0), (377.0, -80.0)], ..off.clone() };
        assert_eq!(engine_lines(&off, &other), None);
        // Another speed than the one noted explains nothing.
        let idle = recording("idle", 860.0, true);
        let wrong = NoiseLines { rpm: Some(1_200.0), ..recording("fast", 2_100.0, true) };
        assert_eq!(engine_lines(&idle, &wrong), None);
    }
}
