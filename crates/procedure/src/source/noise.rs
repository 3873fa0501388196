//! The source's noise: how far below the clean step it lies, and which lines follow the engine.

use std::fmt;

use host::Registry;
use job::{CaptureId, Stage};
use library::{Error, Result};
use measure::{Cell, Finding, FindingLevel, Reading, Segment, Stimulus};
use rig::Scene;
use serde::Serialize;
use tuning::{BroughtLines, EngineLines, NoiseLines, brought_lines, engine_lines};
use units::quantity::{decimals, spoken};

use super::named::Named;
use crate::analysis::analyze_and_keep;
use crate::capture::captures;
use crate::session::Session;
use crate::{Analysis, Placement, Plan, Recorded, Request, Until, WhenKept};

/// What is to be found out about the source's noise.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NoiseOrder {
    /// Recordings of silence: `off=off.wav`, with the engine's speed `idle@800=idle.wav`.
    pub recordings: Vec<Named>,
    /// The volts of a sample value of 1.0 of the recordings.
    pub volts_per_fs: Option<f64>,
    /// The engine's speeds to measure at, 0 for a standing engine.
    pub speeds_rpm: Vec<f64>,
    /// The rig's input; by default the electrical one.
    pub input: Option<String>,
    /// The volume step of a simulated car; by default its highest clean one.
    pub volume_step: Option<u32>,
    /// The source's RMS volts at its clean step.
    pub clean_v: Option<f64>,
    /// The same as the recordings' level, for an input that is not calibrated.
    pub clean_dbfs: Option<f64>,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NoiseReport {
    /// Each recording.
    pub recordings: Vec<NoiseFound>,
    /// The lines that follow the engine, from one recording to another.
    pub engine: Vec<EngineLines>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// The noise of one recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NoiseFound {
    /// Its name.
    pub name: String,
    /// The engine's speed, where it was noted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rpm: Option<f64>,
    /// The noise, RMS re a full-scale sine.
    pub rms_dbfs: f64,
    /// The same A-weighted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rms_a_dbfs: Option<f64>,
    /// The noise in RMS volts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rms_v: Option<f64>,
    /// How far it lies below the clean step's tone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub snr_db: Option<f64>,
    /// The same A-weighted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub snr_a_db: Option<f64>,
    /// The mains frequency, where hum was found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mains_hz: Option<f64>,
    /// The hum's level.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mains_db: Option<f64>,
    #[serde(skip)]
    lines: Vec<(f64, f64)>,
}

/// A source with less than this between its clean step and its noise is heard to hiss or
/// hum in a quiet car (common practice, no source).
pub const POOR_SNR_DB: f64 = 70.0;

/// How long the simulated car is listened to, and any other.
pub const LISTEN_S: (f64, f64) = (6.0, 10.0);

/// The speeds of the simulated engine: off, idling, and fast enough for lines to have moved.
pub const USUAL_RPM: [f64; 3] = [0.0, 850.0, 2_000.0];

/// Finds out about the source's noise from recordings of silence; a job keeps them as captures.
///
/// # Errors
/// When something that was given cannot be used.
pub fn noise_from_recordings(order: &NoiseOrder, job: &mut WhenKept) -> Result<NoiseReport> {
    let (readings, ids) = recorded(order, job)?;
    let clean_dbfs = order.clean_dbfs.or_else(|| level_of_clean(order.clean_v, order.volts_per_fs));
    let report = noise_of(&readings, clean_dbfs)?;
    if let Some(job) = job.job()? {
        job.apply(report.change(ids))?;
    }
    Ok(report)
}

/// Finds out about the source's noise with a rig: silence at each of the engine's speeds, which a
/// person is asked for. A simulated car's engine is set by itself.
///
/// # Errors
/// When something that was given cannot be used, the rig refuses, or nothing was measured.
pub fn source_noise(session: &mut Session<'_>, order: &NoiseOrder) -> Result<NoiseReport> {
    let input = session.rig.electrical_input(order.input.as_deref())?;
    let volts_per_fs = session.rig.calibration(input).volts_per_fs;
    let mut clean_v = order.clean_v;
    let mut step = None;
    if let Some(simulated) = session.rig.car() {
        step = Some(order.volume_step.unwrap_or(simulated.truth.clean_step));
        let tap = &simulated.setup().tap_output;
        let output = simulated.truth.outputs.iter().find(|output| output.output == *tap);
        // What `source headroom` finds there; only for trying out without a job.
        clean_v = clean_v.or(output.map(|output| output.volts_at_cars_clean_step));
    }
    let (readings, ids) = live(session, order, input, step)?;
    if readings.is_empty() {
        return Err(Error::measurement("no noise was measured"));
    }
    let report = noise_of(&readings, order.clean_dbfs.or_else(|| level_of_clean(clean_v, volts_per_fs)))?;
    if !session.is_stopped() {
        session.change(report.change(ids));
    }
    Ok(report)
}

/// What readings of silence say together; `clean_dbfs` is the level of the clean step's tone.
///
/// # Errors
/// When one of them has no result.
pub fn noise_of(readings: &NoiseReadings, clean_dbfs: Option<f64>) -> Result<NoiseReport> {
    let (mut found, mut findings) = (Vec::new(), Vec::new());
    for (name, rpm, reading) in readings {
        if let Some(stop) = reading.stopped() {
            return Err(Error::measurement(format!("{name}: {}", stop.text)));
        }
        found.push(noise_found(name, *rpm, reading, clean_dbfs));
        let told = reading
            .findings
            .iter()
            .filter(|finding| finding.level != FindingLevel::Stop && finding.code != "whine");
        findings.extend(
            told.map(|finding| Finding { text: format!("{name}: {}", finding.text), ..finding.clone() }),
        );
    }
    let engine = moving(&found);
    remarks(&found, &engine, &mut findings);
    Ok(NoiseReport { recordings: found, engine, findings })
}

/// The clean step's tone, as a level of the recording.
#[must_use]
pub fn level_of_clean(clean_v: Option<f64>, volts_per_fs: Option<f64>) -> Option<f64> {
    let (volts, per_fs) = clean_v.zip(volts_per_fs)?;
    Some(units::db_from_amplitude(volts * std::f64::consts::SQRT_2 / per_fs))
}

/// Each recording's name, the speed of an engine that ran, and what was found.
pub type NoiseReadings = Vec<(String, Option<f64>, Reading)>;

/// What was found, and the captures that it was found in.
type Kept = (NoiseReadings, Vec<CaptureId>);

fn recorded(order: &NoiseOrder, job: &mut WhenKept) -> Result<Kept> {
    let mut ids = Vec::new();
    let readings: Result<NoiseReadings> = order
        .recordings
        .iter()
        .map(|named| {
            let (name, rpm) = name_and_speed(&named.name)?;
            let analysis = Analysis {
                id: "noise".to_owned(),
                recording: named.path.clone(),
                recorded: Recorded { volts_per_fs: order.volts_per_fs, ..Recorded::on(named.channel) },
                ..Analysis::default()
            };
            let placement = Placement {
                stage: Some(Stage::Source),
                engine_rpm: rpm,
                ..Placement::named(&format!("Noise, {name}"))
            };
            let (reading, id) = analyze_and_keep(&analysis, job, &placement)?;
            ids.extend(id);
            // A standing engine has no speed that lines could follow.
            Ok((name, rpm.filter(|rpm| *rpm > 0.0), reading))
        })
        .collect();
    Ok((readings?, ids))
}

/// Splits `idle@800` into the name and the engine's speed.
fn name_and_speed(name: &str) -> Result<(String, Option<f64>)> {
    match name.rsplit_once('@') {
        None => Ok((name.to_owned(), None)),
        Some((name_only, rpm)) => match units::quantity::parse(rpm) {
            Some((rpm, "" | "rpm")) if (0.0..=12_000.0).contains(&rpm) && !name_only.trim().is_empty() => {
                Ok((name_only.trim().to_owned(), Some(rpm)))
            }
            _ => Err(Error::input(format!(
                "`{name}`: after `@` the engine's speed in rpm is expected, such as idle@800"
            ))),
        },
    }
}

/// An engine's speed in words.
#[must_use]
pub fn at_speed(rpm: f64) -> String {
    if rpm > 0.0 { format!("{rpm:.0} rpm") } else { "engine off".to_owned() }
}

/// Captures silence at each of the engine's speeds.
fn live(session: &mut Session<'_>, order: &NoiseOrder, input: usize, step: Option<u32>) -> Result<Kept> {
    let simulated = session.rig.is_simulated();
    let speeds = match (order.speeds_rpm.is_empty(), simulated) {
        (false, _) => order.speeds_rpm.clone(),
        (true, true) => USUAL_RPM.to_vec(),
        (true, false) => vec![0.0],
    };
    if let Some(rpm) = speeds.iter().find(|rpm| !(0.0..=12_000.0).contains(*rpm)) {
        return Err(Error::input(format!("--rpm {rpm}: expected 0 to 12000 rpm")));
    }
    let registry = Registry::built_in();
    let manifest = registry.manifest("noise").map_err(|unknown| Error::input(unknown.to_string()))?;
    let seconds = if simulated { LISTEN_S.0 } else { LISTEN_S.1 };
    let (mut readings, mut ids) = (Vec::new(), Vec::new());
    for rpm in speeds {
        let name = at_speed(rpm);
        let plan = Plan {
            stimulus: Some(Stimulus { name: "quiet".to_owned(), segments: vec![Segment::silence(seconds)] }),
            until: Until::Seconds(seconds),
            label: format!("Noise, {name}"),
            engine_rpm: Some(rpm),
            scene: Some(Scene { engine_rpm: rpm, volume_step: step, ..Scene::default() }),
            request: Some(Request::EngineSpeed { rpm }),
            ..Plan::of(manifest, Stage::Source, input)
        };
        let captured = captures(session, &[plan])?;
        ids.extend(captured.iter().filter_map(|one| one.id));
        readings.extend(
            captured.into_iter().map(|one| (name.clone(), Some(rpm).filter(|rpm| *rpm > 0.0), one.reading)),
        );
        if session.is_stopped() {
            break;
        }
    }
    session.rig.set_scene(&Scene::default())?;
    Ok((readings, ids))
}

fn noise_found(name: &str, rpm: Option<f64>, reading: &Reading, clean_dbfs: Option<f64>) -> NoiseFound {
    let value = |name: &str| reading.values.get(name).copied();
    let rms_dbfs = value("rms_dbfs").unwrap_or(-200.0);
    let lines = reading.tables.get("lines").map_or_else(Vec::new, |table| {
        table
            .rows
            .iter()
            .filter_map(|row| match (row.first()?, row.get(1)?) {
                (Cell::Number(hz), Cell::Number(level)) => Some((*hz, *level)),
                _ => None,
            })
            .collect()
    });
    NoiseFound {
        name: name.to_owned(),
        rpm,
        rms_dbfs,
        rms_a_dbfs: value("rms_a_dbfs"),
        rms_v: value("rms_v"),
        snr_db: clean_dbfs.map(|clean| clean - rms_dbfs),
        snr_a_db: clean_dbfs.zip(value("rms_a_dbfs")).map(|(clean, noise)| clean - noise),
        mains_hz: value("mains_hz"),
        mains_db: value("mains_db"),
        lines,
    }
}

/// Each recording with a running engine against the first one of them; without speeds, each
/// against the first recording.
fn moving(found: &[NoiseFound]) -> Vec<EngineLines> {
    let running: Vec<&NoiseFound> = found.iter().filter(|one| one.rpm.is_some()).collect();
    let all: Vec<&NoiseFound> = found.iter().collect();
    let compared = if running.len() >= 2 { running } else { all };
    let Some((first, others)) = compared.split_first() else { return Vec::new() };
    others.iter().filter_map(|other| engine_lines(&lines_of(first), &lines_of(other))).collect()
}

fn lines_of(one: &NoiseFound) -> NoiseLines {
    NoiseLines { name: one.name.clone(), rpm: one.rpm, lines: one.lines.clone() }
}

/// What the engine brought, where it ran in one recording only and was off in another.
fn brought(found: &[NoiseFound]) -> Option<BroughtLines> {
    let (running, off): (Vec<&NoiseFound>, Vec<&NoiseFound>) =
        found.iter().partition(|one| one.rpm.is_some());
    match (off.as_slice(), running.as_slice()) {
        ([off, ..], [running]) => brought_lines(&lines_of(off), &lines_of(running)),
        _ => None,
    }
}

fn remarks(found: &[NoiseFound], engine: &[EngineLines], findings: &mut Vec<Finding>) {
    if let Some(brought) = brought(found) {
        let named: Vec<String> = brought
            .lines
            .iter()
            .take(6)
            .map(|line| format!("{:.0} Hz ({:.0} dBFS)", line.frequency_hz, line.level_db))
            .collect();
        let text = format!(
            "With the engine (`{}`) came {}. Whether they follow its speed shows a recording at another one.",
            brought.running,
            named.join(", ")
        );
        findings.push(Finding::note("lines-with-engine", text));
    }
    if found.len() == 1 {
        let text = "One recording cannot tell what follows the engine: record once more at another engine speed (outdoors: a \
                    running engine needs open air).";
        findings.push(Finding::note("one-engine-speed", text));
    }
    for lines in engine {
        let named: Vec<String> = lines
            .moving
            .iter()
            .take(4)
            .map(|line| format!("{:.0} to {:.0} Hz", line.first_hz, line.second_hz))
            .collect();
        let text = format!(
            "{} the engine from `{}` to `{}`: {}. Such lines come from the alternator or the ignition, by the supply \
             or a ground loop.",
            match lines.moving.len() {
                1 => "A line follows".to_owned(),
                count => format!("{count} lines follow"),
            },
            lines.first,
            lines.second,
            named.join(", ")
        );
        findings.push(Finding::caution("whine-follows-engine", text));
    }
    let hums = found.iter().any(|one| one.mains_hz.is_some());
    if hums || !engine.is_empty() {
        let what = match (hums, engine.is_empty()) {
            (true, true) => "The hum",
            (true, false) => "Hum and whine together",
            (false, _) => "The whine",
        };
        let text = format!(
            "{what} may be a ground loop. Unplug the input from the source: what stays is the interface's own. Then ground source, \
             processor and amplifiers at one point, keep signal and power leads apart, and try an isolating transformer in \
             the signal before a filter in the supply."
        );
        findings.push(Finding::note("ground-loop", text));
    }
    for one in found {
        if let Some(snr) = one.snr_a_db.filter(|snr| *snr < POOR_SNR_DB) {
            let text = format!(
                "{}: the noise lies only {snr:.0} dB(A) below the clean step; it will be heard between pieces. Take the \
                 signal at a louder output, or see to the lines above.",
                one.name
            );
            findings.push(Finding::caution("poor-snr", text));
        }
    }
}

impl fmt::Display for NoiseReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let width = self.recordings.iter().map(|one| one.name.chars().count()).max().unwrap_or(0).max(9);
        writeln!(
            f,
            "{:width$}        noise   A-weighted     volts       SNR    SNR(A)   mains",
            "Recording"
        )?;
        let dash = || "–".to_owned();
        for one in &self.recordings {
            let of =
                |name: &str, value: Option<f64>| value.map_or_else(dash, |value| spoken(name, value).value);
            let mains = one.mains_hz.zip(one.mains_db).map_or_else(dash, |(hz, level)| {
                format!("{} at {}", spoken("dbfs", level).value, spoken("hz", hz).value)
            });
            writeln!(
                f,
                "{:width$}  {:>11}  {:>11}  {:>8}  {:>8}  {:>8}   {mains}",
                one.name,
                of("dbfs", Some(one.rms_dbfs)),
                of("dbfs", one.rms_a_dbfs),
                of("v", one.rms_v),
                of("db", one.snr_db),
                of("db", one.snr_a_db),
            )?;
        }
        for lines in &self.engine {
            writeln!(
                f,
                "\nFollows the engine from {} to {} ({} × its speed)",
                lines.first,
                lines.second,
                decimals(lines.ratio, 2)
            )?;
            for line in &lines.moving {
                let order = line
                    .order
                    .map_or_else(String::new, |order| format!("   {} × engine speed", decimals(order, 1)));
                writeln!(
                    f,
                    "  {:>8}  {:>11}   becomes {:>8}  {:>11}{order}",
                    spoken("hz", line.first_hz).value,
                    spoken("dbfs", line.first_db).value,
                    spoken("hz", line.second_hz).value,
                    spoken("dbfs", line.second_db).value
                )?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::testing::Trial;

    /// Truth: the saloon's whine lies at 13.8 and 41.4 cycles a turn; its adapter's noise is 60 µV
    /// RMS between 20 Hz and 20 kHz, and its clean step gives about 4.3 V.
    #[test]
    fn the_simulated_whine_is_named() {
        let order = NoiseOrder::default();
        let report = Trial::car("saloon-adapter").run(|session| source_noise(session, &order)).unwrap();
        assert_eq!(report.recordings.len(), 3);
        near("ratio", report.engine[0].ratio, 2_000.0 / 850.0, 2e-3);
        let orders: Vec<f64> = report.engine[0].moving.iter().filter_map(|line| line.order).collect();
        assert_eq!(orders.len(), 2, "{report}");
        near("first order", orders[0], 13.8, 0.05);
        near("second order", orders[1], 41.4, 0.15);
        let off = &report.recordings[0];
        assert!(off.snr_db.is_some_and(|snr| (85.0..100.0).contains(&snr)), "{report}");
        for code in ["whine-follows-engine", "ground-loop"] {
            assert!(
                report.findings.iter().any(|finding| finding.code == code),
                "{code}: {:?}",
                report.findings
            );
        }
    }

    #[test]
    fn speeds_in_names() {
        assert_eq!(name_and_speed("idle@800").unwrap(), ("idle".to_owned(), Some(800.0)));
        assert_eq!(name_and_speed("off@0").unwrap(), ("off".to_owned(), Some(0.0)));
        assert_eq!(name_and_speed("idle").unwrap(), ("idle".to_owned(), None));
        assert!(name_and_speed("idle@fast").unwrap_err().to_string().contains("idle@800"));
    }
}
