//! The clean limit of a source: each output by itself, then all of them.

use std::fmt;

use job::{SourceOutput, Stage, StageResult, StageState};
use measure::{Cell, Finding, FindingLevel, Reading};
use serde::Serialize;
use tuning::{CleanLimit, OutputAtLimit, OutputHeadroom, OutputStep, clean_limit};
use units::quantity::{decimals, meter_volts, spoken};

use crate::Change;

/// The clean limit of a source, with what was found at each output.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SourceHeadroom {
    /// The verdict.
    #[serde(flatten)]
    pub limit: CleanLimit,
    /// Every output's steps.
    pub ladders: Vec<OutputHeadroom>,
}

/// What a `headroom` reading says of one output, as the verdict over several takes it.
#[must_use]
pub fn output_headroom(output: &str, reading: &Reading) -> OutputHeadroom {
    #[expect(clippy::cast_possible_truncation, reason = "a small step number")]
    let whole = |value: f64| value.round() as i64;
    let value = |name: &str| reading.values.get(name).copied();
    let stopped = reading.stopped().is_some();
    OutputHeadroom {
        output: output.to_owned(),
        frequency_hz: value("frequency_hz"),
        clean_step: value("clean_step").filter(|_| !stopped).map(whole),
        first_clipped_step: value("first_clipped_step").map(whole),
        steps: reading
            .tables
            .get("steps")
            .map_or_else(Vec::new, |table| table.rows.iter().filter_map(|row| output_step(row)).collect()),
    }
}

fn output_step(row: &[Cell]) -> Option<OutputStep> {
    // The columns of the contract: step start_s level_dbfs level_v gain_db thd_percent clean.
    let [
        Cell::Number(step),
        _,
        Cell::Number(level_dbfs),
        volts,
        _,
        Cell::Number(thd_percent),
        Cell::Flag(clean),
    ] = row
    else {
        return None;
    };
    let level_v = match volts {
        Cell::Number(volts) => Some(*volts),
        _ => None,
    };
    #[expect(clippy::cast_possible_truncation, reason = "a small step number")]
    let step = step.round() as i64;
    Some(OutputStep { step, level_dbfs: *level_dbfs, level_v, thd_percent: *thd_percent, clean: *clean })
}

impl SourceHeadroom {
    /// Combines readings of several outputs, and what each of them remarked; `bass` is the
    /// remark on how the source's bass control stood.
    #[must_use]
    pub fn of(readings: &[(String, Reading)], bass: Option<Finding>) -> Self {
        let ladders: Vec<OutputHeadroom> =
            readings.iter().map(|(output, reading)| output_headroom(output, reading)).collect();
        let mut limit = clean_limit(&ladders);
        let own = readings.iter().flat_map(|(output, reading)| {
            reading.findings.iter().map(move |finding| Finding {
                text: format!("{output}: {}", finding.text),
                ..finding.clone()
            })
        });
        // What says why there is no result comes first, then the verdict, then each output.
        let stopped: Vec<Finding> =
            own.clone().filter(|finding| finding.level == FindingLevel::Stop).collect();
        if !stopped.is_empty() {
            limit.findings.retain(|finding| finding.code != "no-clean-step");
        }
        limit.findings.splice(0..0, stopped);
        limit.findings.extend(own.filter(|finding| finding.level != FindingLevel::Stop));
        limit.findings.extend(bass);
        Self { limit, ladders }
    }

    /// What the job keeps of it, and the stage's result in a line.
    #[must_use]
    pub fn change(&self) -> Change {
        let line = match self.limit.clean_step {
            Some(number) => {
                format!("clean to step {number} · limited by {}", self.limit.limited_by.join(", "))
            }
            None => "no clean step".to_owned(),
        };
        let result = StageResult { state: StageState::Measured, line };
        Change::Together(vec![limit_change(&self.limit), Change::StageResult(Stage::Source, Some(result))])
    }

    /// Whether there is a clean step.
    #[must_use]
    pub fn is_known(&self) -> bool {
        self.limit.clean_step.is_some()
    }
}

/// What the job keeps of a clean limit.
#[must_use]
pub fn limit_change(limit: &CleanLimit) -> Change {
    let step = |number: i64| u32::try_from(number).ok();
    let output = |output: &OutputAtLimit| SourceOutput {
        name: output.output.clone(),
        clean_step: output.clean_step.and_then(step),
        volts_rms: output.level_v,
    };
    Change::HeadroomFound {
        clean_step: limit.clean_step.and_then(step),
        limited_by: limit.limited_by.first().cloned().unwrap_or_default(),
        outputs: limit.outputs.iter().map(output).collect(),
    }
}

impl fmt::Display for SourceHeadroom {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let CleanLimit { clean_step, limited_by, reached, outputs, .. } = &self.limit;
        match clean_step {
            Some(step) if *reached => {
                writeln!(f, "Maximum clean volume: {step} (limited by {})", limited_by.join(", "))?;
            }
            Some(step) => writeln!(f, "Clean up to step {step}; nothing clipped yet")?,
            None => writeln!(f, "No clean step was found")?,
        }
        let width = outputs.iter().map(|output| output.output.chars().count()).max().unwrap_or(0).max(6);
        writeln!(f, "\n{:width$}  own limit    at that step       THD      room", "Output")?;
        for output in outputs {
            let dash = || "–".to_owned();
            let own = output.clean_step.map_or_else(dash, |step| format!("step {step}"));
            let level = match (output.level_v, output.level_dbfs) {
                (Some(volts), _) => meter_volts(volts),
                (None, Some(dbfs)) => spoken("dbfs", dbfs).value,
                (None, None) => dash(),
            };
            let thd = output.thd_percent.map_or_else(dash, |thd| spoken("percent", thd).value);
            let room = output.room_db.map_or_else(dash, |room| format!("{} dB", decimals(room, 1)));
            writeln!(f, "{:width$}  {own:>9}  {level:>14}  {thd:>8}  {room:>8}", output.output)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(clean: Option<f64>, first_clipped: Option<f64>) -> Reading {
        let mut reading = Reading::new("headroom", 1, 48_000.0);
        reading.value("clean_step", clean.unwrap_or(f64::NAN));
        reading.value("first_clipped_step", first_clipped.unwrap_or(f64::NAN));
        let row = |step: f64, clean: bool| {
            vec![
                Cell::Number(step),
                Cell::Number(0.0),
                Cell::Number(step - 30.0),
                Cell::Empty,
                Cell::Empty,
                Cell::Number(if clean { 0.1 } else { 5.0 }),
                Cell::Flag(clean),
            ]
        };
        let columns = ["step", "start_s", "level_dbfs", "level_v", "gain_db", "thd_percent", "clean"];
        let rows = (20..=24).map(f64::from).map(|n| row(n, clean.is_some_and(|clean| n <= clean)));
        reading.tables.insert(
            "steps".to_owned(),
            measure::Table { columns: columns.map(str::to_owned).to_vec(), rows: rows.collect() },
        );
        reading
    }

    #[test]
    fn readings_become_one_verdict() {
        let readings = [
            ("front".to_owned(), reading(Some(23.0), Some(24.0))),
            ("sub".to_owned(), reading(Some(21.0), Some(22.0))),
        ];
        let verdict =
            SourceHeadroom::of(&readings, Some(Finding::note("bass-control", "It stood at its maximum.")));
        assert_eq!(verdict.limit.clean_step, Some(21));
        assert_eq!(verdict.limit.limited_by, ["sub"]);
        assert!(verdict.limit.findings.iter().any(|finding| finding.code == "bass-control"));
        let text = verdict.to_string();
        assert!(text.starts_with("Maximum clean volume: 21 (limited by sub)"), "{text}");
        let json = serde_json::to_value(&verdict).unwrap();
        assert_eq!(json["outputs"][0]["level_dbfs"], -9.0);
        assert_eq!(json["ladders"][1]["clean_step"], 21);
    }

    #[test]
    fn an_output_without_a_result_stops_the_verdict_with_its_reason() {
        let mut clipped = reading(None, None);
        clipped.finding(Finding::stop("recorder-clips", "At step 22 the recording is cut off."));
        let readings = [("front".to_owned(), reading(Some(23.0), Some(24.0))), ("sub".to_owned(), clipped)];
        let verdict = SourceHeadroom::of(&readings, None);
        assert!(!verdict.is_known());
        assert_eq!(verdict.limit.findings[0].code, "recorder-clips");
        assert!(verdict.limit.findings[0].text.starts_with("sub: "));
    }
}
