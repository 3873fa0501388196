//! Carries out `compare`: how two responses differ, in level and in tone; of two sets also place by place.

use std::fmt;
use std::path::Path;

use library::files::{is_standard, write_text};
use library::{Error, NamedResponse, named_responses};
use serde::Serialize;
use tuning::{Comparison, Response};
use units::quantity::{decibels, hertz, sentence, signed_decibels};

use crate::outcome::{Outcome, one_output, print};
use crate::responses::AUDIBLE_HZ;
use crate::{args, flags};

/// How two responses differ.
#[derive(Debug, Serialize)]
struct Compared {
    #[serde(flatten)]
    comparison: Comparison,
    /// Whether the second was brought to the level of the first.
    level_matched: bool,
    before: Side,
    after: Side,
    /// Each place that both were measured at, where there are several.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    places: Vec<ComparedPlace>,
    /// The places that only one of them was measured at: its average holds something that the other's does not.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    only_before: Vec<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    only_after: Vec<String>,
    /// What else was different when the two were measured.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    conditions: Vec<ConditionChange>,
}

/// What was compared.
#[derive(Debug, Serialize)]
struct Side {
    name: String,
    /// How many responses it is the average of.
    responses: usize,
}

/// How one place differs.
#[derive(Debug, Serialize)]
struct ComparedPlace {
    place: String,
    #[serde(flatten)]
    comparison: Comparison,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    conditions: Vec<ConditionChange>,
}

/// A condition that was another one the second time.
#[derive(Debug, PartialEq, Serialize)]
struct ConditionChange {
    condition: &'static str,
    before: Option<String>,
    after: Option<String>,
}

pub(crate) fn compare(flags: &flags::Compare) -> Outcome {
    one_output("--csv", flags.csv.as_ref(), flags.json.json)?;
    let from_hz = args::positive("--from", flags.from)?.unwrap_or(AUDIBLE_HZ.0);
    let to_hz = args::positive("--to", flags.to)?.unwrap_or(AUDIBLE_HZ.1);
    if from_hz >= to_hz {
        let text = format!("the range goes from {from_hz} Hz to {to_hz} Hz; --from must be lower than --to");
        return Err(Error::input(text).into());
    }
    if [&flags.before, &flags.after].iter().all(|path| path.as_os_str() == "-") {
        return Err(Error::input("standard input cannot be both responses; name a file for one").into());
    }
    let (before, after) = (side(&flags.before)?, side(&flags.after)?);
    let (before_response, after_response) = (averaged(&before)?, averaged(&after)?);
    let compared = |before: &Response, after: &Response| -> Result<Comparison, Error> {
        let differ = |after: &Response| {
            tuning::compare(before, after, from_hz, to_hz, flags.smoothing)
                .map_err(|error| Error::input(error.to_string()))
        };
        let comparison = differ(after)?;
        if !flags.match_level {
            return Ok(comparison);
        }
        let level_db = comparison.level_db;
        Ok(Comparison { level_db, ..differ(&after.raised(-level_db))? })
    };
    let comparison = compared(&before_response, &after_response)?;
    if let Some(path) = &flags.csv {
        let matched_db = if flags.match_level { comparison.level_db } else { 0.0 };
        let (before, after) = (
            before_response.smoothed(flags.smoothing),
            after_response.raised(-matched_db).smoothed(flags.smoothing),
        );
        // There is one, or there would have been no comparison.
        let difference = tuning::difference(&before, &after, from_hz, to_hz);
        write_text(path, &difference.map_or_else(String::new, |difference| difference.to_csv()))?;
        if is_standard(path) {
            return Ok(());
        }
    }
    let name = |path: &Path, responses: &[NamedResponse]| Side {
        name: path.display().to_string(),
        responses: responses.len(),
    };
    let by_place = before.len() > 1 || after.len() > 1;
    let places = pairs(&before, &after).filter(|_| by_place).map(|(before, after)| {
        Ok(ComparedPlace {
            place: before.name.clone(),
            comparison: compared(&before.response, &after.response)?,
            conditions: condition_changes(std::slice::from_ref(before), std::slice::from_ref(after)),
        })
    });
    let mut document = Compared {
        comparison,
        level_matched: flags.match_level,
        before: name(&flags.before, &before),
        after: name(&flags.after, &after),
        places: places.collect::<Result<_, Error>>()?,
        only_before: Vec::new(),
        only_after: Vec::new(),
        conditions: condition_changes(&before, &after),
    };
    // Files of any name are compared as they are given; only places have a fellow that can be missing.
    if by_place && !document.places.is_empty() {
        document.only_before = without_fellow(&before, &after);
        document.only_after = without_fellow(&after, &before);
    }
    print(&document, flags.json.json)
}

/// What a name means here: a whole job is what was measured last in it, *after* or else *before*.
fn side(path: &Path) -> Result<Vec<NamedResponse>, Error> {
    if !path.join("job.json").is_file() {
        return named_responses(path);
    }
    let set = |word: &str| named_responses(Path::new(&format!("{}@{word}", path.display())));
    set("after").or_else(|_| set("before"))
}

/// What was measured at the same place both times.
fn pairs<'a>(
    before: &'a [NamedResponse],
    after: &'a [NamedResponse],
) -> impl Iterator<Item = (&'a NamedResponse, &'a NamedResponse)> {
    before.iter().filter_map(|one| Some((one, after.iter().find(|other| other.name == one.name)?)))
}

/// The places of one side that the other one lacks.
fn without_fellow(side: &[NamedResponse], other: &[NamedResponse]) -> Vec<String> {
    let alone = side.iter().filter(|one| other.iter().all(|other| other.name != one.name));
    alone.map(|one| one.name.clone()).collect()
}

fn averaged(responses: &[NamedResponse]) -> Result<Response, Error> {
    if let [one] = responses {
        return Ok(one.response.clone());
    }
    let all: Vec<Response> = responses.iter().map(|one| one.response.clone()).collect();
    tuning::average(&all).map_err(|error| Error::input(error.to_string()))
}

/// The conditions that are one thing throughout the first and another throughout the second.
fn condition_changes(before: &[NamedResponse], after: &[NamedResponse]) -> Vec<ConditionChange> {
    let of = |side: &[NamedResponse], condition: &str| -> Option<Option<String>> {
        let mut values = side.iter().map(|one| {
            let entries = one.conditions.as_ref().map(job::Conditions::entries).unwrap_or_default();
            entries.into_iter().find(|(name, _)| *name == condition).map(|(_, value)| value)
        });
        let first = values.next()?;
        values.all(|value| value == first).then_some(first)
    };
    let change = |condition: &&'static str| {
        let (before, after) = (of(before, condition)?, of(after, condition)?);
        (before != after).then_some(ConditionChange { condition, before, after })
    };
    job::Conditions::NAMES.iter().filter_map(change).collect()
}

impl fmt::Display for Compared {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Comparison { rms_db, max_db, at_hz, from_hz, to_hz, level_db } = self.comparison;
        for (word, side) in [("Before", &self.before), ("After", &self.after)] {
            if side.responses > 1 {
                writeln!(f, "{word:15} {}, the average of {} responses", side.name, side.responses)?;
            }
        }
        let matched = if self.level_matched { ", matched for what follows" } else { "" };
        writeln!(f, "Level           {}{matched}", signed_decibels(level_db))?;
        writeln!(f, "RMS difference  {}", decibels(rms_db))?;
        writeln!(f, "Maximum         {} at {}", decibels(max_db), hertz(at_hz))?;
        writeln!(f, "Range           {} to {}", hertz(from_hz), hertz(to_hz))?;
        self.conditions.iter().try_for_each(|change| writeln!(f, "{change}"))?;
        if !self.places.is_empty() {
            let width = self.places.iter().map(|place| place.place.chars().count()).max().unwrap_or(0);
            writeln!(f, "\n{:width$}    level       RMS   maximum", "")?;
            for ComparedPlace { place, comparison, conditions } in &self.places {
                let Comparison { rms_db, max_db, at_hz, level_db, .. } = comparison;
                writeln!(
                    f,
                    "{place:width$}  {:>7}  {:>8}  {:>8} at {}",
                    signed_decibels(*level_db),
                    decibels(*rms_db),
                    decibels(*max_db),
                    hertz(*at_hz)
                )?;
                let own = conditions.iter().filter(|change| !self.conditions.contains(change));
                own.into_iter().try_for_each(|change| writeln!(f, "  {change}"))?;
            }
        }
        for (word, places) in [("before", &self.only_before), ("after", &self.only_after)] {
            if !places.is_empty() {
                writeln!(f, "Only {word}: {}", places.join(", "))?;
            }
        }
        Ok(())
    }
}

impl fmt::Display for ConditionChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = |value: &Option<String>| value.clone().unwrap_or_else(|| "not noted".to_owned());
        let name = sentence(&self.condition.replace('-', " "));
        write!(f, "{name:15} {} before, {} after", word(&self.before), word(&self.after))
    }
}
