//! Responses that a person names: a file, standard input, or a part of a job.

use std::path::Path;

use job::{Capture, CaptureState, Conditions, Job, Set};
use measure::Reading;
use project::derive::response_of;
use tuning::Response;

use crate::files::{read_standard_input, read_text};
use crate::{Error, Result};

/// A response and what it is called: its file, or the place of its capture.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedResponse {
    /// What it is called.
    pub name: String,
    /// What was measured.
    pub response: Response,
    /// What it was measured under, where a job says so.
    pub conditions: Option<Conditions>,
}

impl NamedResponse {
    /// A response that belongs to no job.
    fn of_file(response: Response, name: String) -> Self {
        Self { name, response, conditions: None }
    }
}

/// The word for each driver measured by itself.
const DRIVERS: &str = "drivers";

/// Everything that a name means.
///
/// `-` is standard input. `JOB:0007` is one capture of a job; `JOB@before`, `JOB@after` or another
/// set's name is each capture of that set, of several at one place the newest, of single drivers only where the set
/// holds nothing else; `JOB@drivers` is each driver measured by itself, before the entry. A file of that name comes
/// first; anything else is a file.
///
/// # Errors
/// When it cannot be read, or the job has no such part: what there is.
pub fn named_responses(name: &Path) -> Result<Vec<NamedResponse>> {
    let text = name.display().to_string();
    if text == "-" {
        let response = Response::parse(&read_standard_input()?, "standard input")?;
        return Ok(vec![NamedResponse::of_file(response, text)]);
    }
    if !name.exists() {
        if let Some((dir, number)) = text.rsplit_once(':').filter(|(dir, _)| is_job(dir)) {
            return one(Path::new(dir), number);
        }
        if let Some((dir, set)) = text.rsplit_once('@').filter(|(dir, _)| is_job(dir)) {
            return several(Path::new(dir), set);
        }
    }
    Ok(vec![NamedResponse::of_file(Response::parse(&read_text(name)?, &text)?, text)])
}

/// A response from its file, or from a part of a job that holds one.
///
/// # Errors
/// As [`named_responses`], and when it means several.
pub fn response(name: &Path) -> Result<Response> {
    Ok(named_response(name)?.response)
}

/// The same with what it was measured under.
///
/// # Errors
/// As [`response`].
pub fn named_response(name: &Path) -> Result<NamedResponse> {
    let mut all = named_responses(name)?;
    match (all.pop(), all.len()) {
        (Some(one), 0) => Ok(one),
        (_, others) => Err(Error::input(format!(
            "{}: these are {} responses, and one is wanted; average them first with `headrest average {} --out FILE`",
            name.display(),
            others + 1,
            name.display()
        ))),
    }
}

/// Several responses, in the order in which they were named.
///
/// # Errors
/// As [`named_responses`].
pub fn responses(names: &[impl AsRef<Path>]) -> Result<Vec<Response>> {
    let mut all = Vec::new();
    for name in names {
        all.extend(named_responses(name.as_ref())?.into_iter().map(|one| one.response));
    }
    Ok(all)
}

/// The response that a reading found.
///
/// # Errors
/// When it holds none.
pub fn reading_response(reading: &Reading) -> Result<Response> {
    response_of(reading).map_err(|error| Error::measurement(error.to_string()))
}

/// Whether a name means a part of a job, such as `JOB:0007` or `JOB@before`, and no file.
#[must_use]
pub fn is_part_of_job(name: &Path) -> bool {
    let text = name.display().to_string();
    let dir = |sign: char| text.rsplit_once(sign).map(|(dir, _)| dir.to_owned());
    !name.exists() && [':', '@'].into_iter().filter_map(dir).any(|dir| is_job(&dir))
}

fn is_job(dir: &str) -> bool {
    Path::new(dir).join("job.json").is_file()
}

/// One capture by its number.
fn one(dir: &Path, number: &str) -> Result<Vec<NamedResponse>> {
    let job = Job::open_to_read(dir)?;
    let known = |capture: &&Capture| number.parse() == Ok(capture.id.0);
    let capture = job.captures().iter().find(known).ok_or_else(|| {
        let ids: Vec<String> = job.captures().iter().map(|capture| capture.id.to_string()).collect();
        let there = match ids.as_slice() {
            [] => "it has none".to_owned(),
            [first, .., last] if ids.len() > 12 => {
                format!("it has {} captures, from {first} to {last}", ids.len())
            }
            ids => format!("it has {}", ids.join(", ")),
        };
        Error::input(format!("{}: there is no capture {number}; {there}", dir.display()))
    })?;
    Ok(vec![of_capture(&job, capture)?])
}

/// The captures of a set, or the drivers.
fn several(dir: &Path, word: &str) -> Result<Vec<NamedResponse>> {
    let job = Job::open_to_read(dir)?;
    let set = Set::from_word(word);
    let belongs = |capture: &&Capture| {
        let meant = match word {
            // What was measured of a driver after the entry is no longer the driver by itself.
            DRIVERS => !capture.meta.is_together() && capture.meta.set != Some(Set::After),
            _ => capture.meta.set == set,
        };
        meant && capture.state == CaptureState::Done
    };
    // Drivers that were measured alone into a set are one by one what the whole is together.
    let is_whole = |capture: &&Capture| word == DRIVERS || capture.meta.is_together();
    let has_whole = job.captures().iter().filter(belongs).any(|capture| is_whole(&capture));
    let mut found: Vec<(&Capture, NamedResponse)> = Vec::new();
    for capture in job.captures().iter().filter(belongs).filter(|one| !has_whole || is_whole(one)) {
        // What holds no response (a level, a noise) is not meant by the set.
        let Ok(response) = of_capture(&job, capture) else { continue };
        found.retain(|(earlier, _)| !is_same_place(earlier, capture));
        found.push((capture, response));
    }
    if found.is_empty() {
        let mut sets: Vec<&str> =
            job.captures().iter().filter_map(|one| Some(one.meta.set.as_ref()?.word())).collect();
        sets.sort_unstable();
        sets.dedup();
        let there = if sets.is_empty() {
            "none of its captures is in a set".to_owned()
        } else {
            format!("its sets: {}", sets.join(", "))
        };
        return Err(Error::input(format!(
            "{}: there is no response in `{word}`; {there}. Put a capture into one with `headrest job capture {} N --set {word}`",
            dir.display(),
            dir.display()
        )));
    }
    // A driver that was heard at several places is called by each of them.
    let places_of = |driver: &str| found.iter().filter(|(one, _)| one.meta.driver == driver).count();
    let several: Vec<bool> =
        found.iter().map(|(one, _)| !one.meta.driver.is_empty() && places_of(&one.meta.driver) > 1).collect();
    let named = found.into_iter().zip(several).map(|((capture, response), several)| {
        let position = &capture.meta.position;
        let place = if several && !position.is_empty() { format!(", {position}") } else { String::new() };
        NamedResponse { name: response.name + &place, ..response }
    });
    Ok(named.collect())
}

/// The response of a capture, called by its place.
fn of_capture(job: &Job, capture: &Capture) -> Result<NamedResponse> {
    let nothing = || {
        Error::input(format!(
            "{}: capture {} has no reading yet; compute it with `headrest job compute {} {}`",
            job.dir().display(),
            capture.id,
            job.dir().display(),
            capture.id.0
        ))
    };
    let reading = job.reading(capture.id)?.ok_or_else(nothing)?;
    let response = reading_response(&reading)
        .map_err(|error| Error::input(format!("{}: capture {}: {error}", job.dir().display(), capture.id)))?;
    let conditions = Some(capture.meta.conditions.clone());
    Ok(NamedResponse { name: place(capture), response, conditions })
}

/// Whether the second capture was made of the same as the first, so that the newer one counts.
fn is_same_place(one: &Capture, other: &Capture) -> bool {
    place(one) == place(other) && (one.meta.driver.is_empty() || one.meta.position == other.meta.position)
}

/// What tells a capture from the others of its set: the driver that played alone, or the place with the
/// channel that played, or what a person calls it.
fn place(capture: &Capture) -> String {
    let meta = &capture.meta;
    if !meta.driver.is_empty() {
        return meta.driver.clone();
    }
    let place = match (meta.processor_channel.as_str(), meta.position.as_str()) {
        ("", place) => place.to_owned(),
        (channel, "") => channel.to_owned(),
        (channel, place) => format!("{channel}, {place}"),
    };
    let called = [place, meta.label.clone()].into_iter().find(|name| !name.is_empty());
    called.unwrap_or_else(|| capture.id.to_string())
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;
    use job::{CaptureMeta, Head, Stage};
    use measure::{Curve, Reading};

    use super::*;

    fn reading(level_db: f64) -> Reading {
        let mut reading = Reading::new("sweep", 1, 48_000.0);
        let curve: Curve = [
            ("frequency_hz".to_owned(), vec![100.0, 1_000.0, 10_000.0]),
            ("magnitude_db".to_owned(), vec![level_db; 3]),
        ]
        .into();
        reading.curves.insert("response".to_owned(), curve);
        reading
    }

    /// A job with two places before, one of them measured twice, one after, a driver, and a level.
    fn a_job(dir: &Path) {
        let head = Head { name: "a job".to_owned(), created: Timestamp::UNIX_EPOCH };
        let mut job = Job::create(dir, head).unwrap();
        let mut keep = |set: &str, position: &str, driver: &str, reading: &Reading| {
            let mut meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
            meta.set = Set::from_word(set);
            meta.position = position.to_owned();
            meta.driver = driver.to_owned();
            let pending = job.begin_capture(&meta).unwrap();
            job.finish_capture(&pending, reading, meta).unwrap();
        };
        keep("before", "left ear", "", &reading(-1.0));
        keep("before", "right ear", "", &reading(-2.0));
        keep("before", "left ear", "", &reading(-3.0));
        keep("after", "left ear", "", &reading(-4.0));
        keep("", "left ear", "sub", &reading(-5.0));
        keep("before", "left ear", "", &Reading::new("level", 1, 48_000.0));
        keep("", "left ear", "left-mid", &reading(-6.0));
        keep("", "right ear", "left-mid", &reading(-7.0));
        keep("", "right ear", "left-mid", &reading(-8.0));
        keep("after", "left ear", "sub", &reading(-9.0));
        keep("proof", "left ear", "sub", &reading(-10.0));
    }

    #[test]
    fn parts_of_a_job_are_responses() {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path().join("car");
        a_job(&dir);
        let name = |part: &str| std::path::PathBuf::from(format!("{}{part}", dir.display()));
        let levels = |part: &str| -> Vec<(String, f64)> {
            let all = named_responses(&name(part)).unwrap();
            all.into_iter().map(|one| (one.name, one.response.magnitude_db[0])).collect()
        };
        let pair = |place: &str, level: f64| (place.to_owned(), level);
        assert_eq!(levels(":0002"), [pair("right ear", -2.0)]);
        assert_eq!(levels(":2"), levels(":0002"));
        // Of two at one place the newest counts.
        assert_eq!(levels("@before"), [pair("right ear", -2.0), pair("left ear", -3.0)]);
        // What sounds together, without the drivers that were measured alone into the set; those where they are all.
        assert_eq!(levels("@after"), [pair("left ear", -4.0)]);
        assert_eq!(levels("@proof"), [pair("sub", -10.0)]);
        // A driver by itself, and by each place where it was heard at several.
        let drivers =
            [pair("left-mid, left ear", -6.0), pair("left-mid, right ear", -8.0), pair("sub", -10.0)];
        assert_eq!(levels("@drivers"), drivers);
        assert_eq!(response(&name("@after")).unwrap().magnitude_db[0], -4.0);
        assert_eq!(responses(&[name("@before"), name(":5")]).unwrap().len(), 3);
        let refused = |part: &str| named_responses(&name(part)).unwrap_err().to_string();
        assert!(refused(":12").contains("it has 0001, 0002"), "{}", refused(":12"));
        assert!(refused(":6").contains("0006"), "{}", refused(":6"));
        assert!(refused("@middle").contains("its sets: after, before, proof"), "{}", refused("@middle"));
        let several = response(&name("@before")).unwrap_err().to_string();
        assert!(several.contains("2 responses") && several.contains("headrest average"), "{several}");
    }

    /// A file comes first, whatever its name looks like, and a folder that is no job is no job.
    #[test]
    fn what_is_no_part_of_a_job_is_a_file() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("car@before");
        std::fs::write(&file, "100 -1\n1000 -1\n").unwrap();
        assert_eq!(response(&file).unwrap().magnitude_db, [-1.0, -1.0]);
        let none = named_responses(&folder.path().join("none@before")).unwrap_err().to_string();
        assert!(none.contains("none@before"), "{none}");
    }
}
