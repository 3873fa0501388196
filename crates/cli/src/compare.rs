//! Carries out `compare`: how two responses differ, in level and in tone.

use std::fmt;
use std::path::Path;

use library::files::{is_standard, write_text};
use library::{Error, NamedResponse, named_responses};
use serde::Serialize;
use tuning::{Comparison, Response};

use crate::run::{AUDIBLE_HZ, Outcome, one_output, print};
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

/// A condition that was another one the second time.
#[derive(Debug, Serialize)]
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
    let (before_response, mut after_response) = (averaged(&before)?, averaged(&after)?);
    let compared = |after: &Response| {
        tuning::compare(&before_response, after, from_hz, to_hz, flags.smoothing)
            .map_err(|error| Error::input(error.to_string()))
    };
    let mut comparison = compared(&after_response)?;
    if flags.match_level {
        let level_db = comparison.level_db;
        after_response = after_response.raised(-level_db);
        comparison = Comparison { level_db, ..compared(&after_response)? };
    }
    if let Some(path) = &flags.csv {
        let (before, after) =
            (before_response.smoothed(flags.smoothing), after_response.smoothed(flags.smoothing));
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
    let compared = Compared {
        comparison,
        level_matched: flags.match_level,
        before: name(&flags.before, &before),
        after: name(&flags.after, &after),
        conditions: condition_changes(&before, &after),
    };
    print(&compared, flags.json.json)
}

/// What a name means here: a whole job is what was measured last in it, *after* or else *before*.
fn side(path: &Path) -> Result<Vec<NamedResponse>, Error> {
    if !path.join("job.json").is_file() {
        return named_responses(path);
    }
    let set = |word: &str| named_responses(Path::new(&format!("{}@{word}", path.display())));
    set("after").or_else(|_| set("before"))
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
        for (word, side) in [("before", &self.before), ("after", &self.after)] {
            if side.responses > 1 {
                writeln!(f, "{word:15} {}, the average of {} responses", side.name, side.responses)?;
            }
        }
        let matched = if self.level_matched { ", matched below" } else { "" };
        writeln!(f, "level           {level_db:+.2} dB{matched}")?;
        writeln!(f, "RMS difference  {rms_db:.2} dB\ngreatest        {max_db:.2} dB at {at_hz:.1} Hz")?;
        writeln!(f, "from {from_hz:.1} to {to_hz:.1} Hz")?;
        for change in &self.conditions {
            let word = |value: &Option<String>| value.clone().unwrap_or_else(|| "not noted".to_owned());
            let (before, after) = (word(&change.before), word(&change.after));
            writeln!(f, "{:15} {before} before, {after} after", change.condition.replace('-', " "))?;
        }
        Ok(())
    }
}
