//! What changes in an output's tone between the conditions that it was recorded under, as it does between volume
//! steps: with the vehicle's speed, the engine's, a mode of the source, or whatever somebody noted.

use job::Conditions;
use library::{Error, Result};
use measure::Finding;
use serde::Serialize;
use tuning::{Response, StepResponse, tone_over_steps};
use units::quantity::signed_decibels;

/// A part of an output's tone that changes with a condition.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ConditionTone {
    /// The output.
    pub output: String,
    /// What it changes with.
    #[serde(flatten)]
    pub change: job::ToneChange,
}

/// The condition that [`tuning::tone_over_steps`] looks at.
const VOLUME_STEP: &str = Conditions::NAMES[0];

/// What is read behind `@`.
const FORM: &str = "a volume step, a speed or a word, such as front@24, front@50km/h, front@850rpm, front@mode:movie or \
                    front@note:windows open; several with another `@`";

/// Splits `front@24@50km/h` into the output and what it was recorded under.
pub(super) fn output_and_conditions(name: &str) -> Result<(String, Option<i64>, Conditions)> {
    let mut parts = name.split('@').map(str::trim);
    let output = parts.next().unwrap_or_default().to_owned();
    let refuse = || Error::input(format!("`{name}`: after `@` is expected {FORM}"));
    if output.is_empty() {
        return Err(refuse());
    }
    let (mut step, mut conditions) = (None, Conditions::default());
    for part in parts {
        let speed = |text: &str| {
            let (speed, unit) = units::quantity::parse(text)?;
            Some(speed).filter(|speed| *speed >= 0.0 && unit.is_empty())
        };
        let numbered = |units: &[&str]| units.iter().find_map(|unit| part.strip_suffix(unit)).map(speed);
        if let Some(kmh) = numbered(&["km/h", "kmh"]) {
            conditions.vehicle_kmh = Some(kmh.ok_or_else(refuse)?);
        } else if let Some(rpm) = numbered(&["rpm"]) {
            conditions.engine_rpm = Some(rpm.ok_or_else(refuse)?);
        } else if let Some(mode) = part.strip_prefix("mode:").filter(|mode| !mode.trim().is_empty()) {
            mode.trim().clone_into(&mut conditions.source_mode);
        } else if let Some(note) = part.strip_prefix("note:").filter(|note| !note.trim().is_empty()) {
            note.trim().clone_into(&mut conditions.note);
        } else {
            let number: i64 = part.parse().map_err(|_| refuse())?;
            step = Some(number);
            conditions.volume_step = u32::try_from(number).ok();
        }
    }
    Ok((output, step, conditions))
}

/// Which captures were made under the conditions, the volume step apart, that most of their output's were: what follows
/// the volume is told from those alone.
pub(super) fn under_usual(captures: &[(&str, &Conditions)]) -> Vec<bool> {
    let rest_of = |(_, under): &(&str, &Conditions)| without(under, VOLUME_STEP);
    let usual = |output: &str| {
        let own: Vec<_> = captures.iter().filter(|(other, _)| *other == output).map(rest_of).collect();
        let count = |rest: &Vec<(&str, String)>| own.iter().filter(|other| *other == rest).count();
        // Of several that are as many the first counts.
        let most = own.iter().map(count).max();
        own.iter().find(|rest| Some(count(rest)) == most).cloned()
    };
    captures.iter().map(|one| usual(one.0) == Some(rest_of(one))).collect()
}

/// What changes with each condition but the volume step. Captures are compared that differ in this condition and in no
/// other.
pub(super) fn changes(captures: &[(&str, &Response, &Conditions)]) -> (Vec<ConditionTone>, Vec<Finding>) {
    let (mut all, mut findings) = (Vec::new(), Vec::new());
    for condition in Conditions::NAMES.into_iter().filter(|condition| *condition != VOLUME_STEP) {
        let mut done: Vec<(&str, Vec<(&str, String)>)> = Vec::new();
        for (output, _, conditions) in captures {
            let rest = without(conditions, condition);
            if done.contains(&(*output, rest.clone())) {
                continue;
            }
            let alike: Vec<(String, &Response)> = captures
                .iter()
                .filter(|(other, _, under)| other == output && without(under, condition) == rest)
                .map(|(_, response, under)| (value(under, condition), *response))
                .collect();
            done.push((*output, rest));
            let found = between(output, condition, &alike);
            findings.extend(found.iter().map(remark));
            all.extend(found);
        }
    }
    (all, findings)
}

/// What a capture was made under, this one left out.
fn without<'a>(conditions: &Conditions, condition: &str) -> Vec<(&'a str, String)> {
    conditions.entries().into_iter().filter(|(name, _)| *name != condition).collect()
}

fn value(conditions: &Conditions, condition: &str) -> String {
    let entry = conditions.entries().into_iter().find(|(name, _)| *name == condition);
    entry.map_or_else(|| "not noted".to_owned(), |(_, value)| value)
}

/// What changes between the values of one condition, in the order of numbers, or else of the recordings.
fn between(output: &str, condition: &str, captures: &[(String, &Response)]) -> Vec<ConditionTone> {
    let mut values: Vec<&String> = Vec::new();
    for (value, _) in captures {
        if !values.contains(&value) {
            values.push(value);
        }
    }
    let number = |value: &String| value.split(' ').next().and_then(|first| first.parse::<f64>().ok());
    if values.iter().all(|value| number(value).is_some()) {
        values.sort_by(|a, b| number(a).unwrap_or(0.0).total_cmp(&number(b).unwrap_or(0.0)));
    }
    let place = |value: &String| values.iter().position(|known| *known == value).unwrap_or(0);
    let steps: Vec<StepResponse> = captures
        .iter()
        .map(|(value, response)| StepResponse {
            step: i64::try_from(place(value)).unwrap_or(0),
            response: (*response).clone(),
        })
        .collect();
    let Some(over) = tone_over_steps(&steps).filter(|_| values.len() > 1) else { return Vec::new() };
    let named = |step: i64| {
        usize::try_from(step)
            .ok()
            .and_then(|index| values.get(index))
            .map_or_else(String::new, ToString::to_string)
    };
    let change = |change: tuning::ToneChange| ConditionTone {
        output: output.to_owned(),
        change: job::ToneChange {
            condition: condition.to_owned(),
            part: change.part,
            unchanged: named(change.unchanged_step),
            changed: named(change.changed_step),
            largest: named(change.largest_step),
            gain_db: change.gain_db,
        },
    };
    over.changes.into_iter().map(change).collect()
}

fn remark(tone: &ConditionTone) -> Finding {
    let ConditionTone { output, change } = tone;
    Finding::caution(
        "tone-follows-condition",
        format!(
            "{output}: the source changes the {} by {} with the {}: {} still has the usual tone, {} has not, and {} \
             differs most.",
            change.part,
            signed_decibels(change.gain_db),
            change.condition.replace('-', " "),
            change.unchanged,
            change.changed,
            change.largest
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_recording_was_made_under_stands_behind_its_name() {
        let read = |name: &str| output_and_conditions(name);
        let (output, step, conditions) = read("front@24@50 km/h@mode:movie").unwrap();
        assert_eq!((output.as_str(), step, conditions.vehicle_kmh), ("front", Some(24), Some(50.0)));
        assert_eq!((conditions.volume_step, &*conditions.source_mode), (Some(24), "movie"));
        assert_eq!(read("front@850rpm").unwrap().2.engine_rpm, Some(850.0));
        assert_eq!(read("front").unwrap().2, Conditions::default());
        for wrong in ["front@loud", "@24", "front@fastkm/h", "front@mode:", "front@-5rpm"] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }

    /// Source: the responses are made here: 4 dB more bass from 80 km/h on, at step 20 alone.
    #[test]
    fn what_follows_the_vehicles_speed_is_told() {
        let grid = dsp::response::log_grid(20.0, 20_000.0, 24.0);
        let response = |bass_db: f64| {
            let level = |hz: &f64| bass_db / (1.0 + (hz / 150.0).powi(4));
            Response::new(grid.clone(), grid.iter().map(level).collect()).expect("a response")
        };
        let at = |kmh: f64, step: u32| Conditions {
            vehicle_kmh: Some(kmh),
            volume_step: Some(step),
            ..Conditions::default()
        };
        let all = [
            (response(0.0), at(0.0, 20)),
            (response(0.0), at(50.0, 20)),
            (response(4.0), at(80.0, 20)),
            (response(6.0), at(0.0, 10)),
        ];
        let captures: Vec<(&str, &Response, &Conditions)> =
            all.iter().map(|(response, conditions)| ("front", response, conditions)).collect();
        let (changes, findings) = changes(&captures);
        let [one] = changes.as_slice() else { panic!("{changes:?}") };
        assert_eq!((one.change.condition.as_str(), one.change.part.as_str()), ("vehicle-speed", "bass"));
        assert_eq!((one.change.unchanged.as_str(), one.change.changed.as_str()), ("50 km/h", "80 km/h"));
        assert!((one.change.gain_db - 4.0).abs() < 0.2, "{one:?}");
        assert!(findings[0].text.contains("vehicle speed"), "{}", findings[0].text);
        let under: Vec<(&str, &Conditions)> = all.iter().map(|(_, under)| ("front", under)).collect();
        // At rest were two of the four, the one at step 10 among them.
        assert_eq!(under_usual(&under), [true, false, false, true]);
    }
}
