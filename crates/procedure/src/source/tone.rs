//! The source's tone: each output's response, the same at several volume steps, outputs
//! against one another, their sum, and bands that undo it.

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use host::Registry;
use job::{CaptureId, Conditions, Stage};
use library::{Error, Result};
use measure::{Finding, Reading, Stimulus};
use measurements::signals;
use project::derive::FitInputs;
use project::{CaptureEntry, Project};
use rig::{InputRole, Scene};
use serde::Serialize;
use tuning::{
    FitOptions, FitResult, OutputResponse, PairDifference, Profile, Response, StepResponse, ToneChange,
    ToneShape, output_sum, pair_difference, tone_over_steps, tone_shape,
};
use units::quantity::{decimals, sentence, signed, spoken};

use super::named::Named;
use super::tone_conditions::{self, ConditionTone};
use crate::analysis::analyze_and_keep;
use crate::capture::captures;
use crate::session::Session;
use crate::{Analysis, OpenJob, Placement, Plan, Recorded, Request, WhenKept, reading_response};

/// What is to be found out about the source's tone.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ToneOrder {
    /// Recordings or response files: `front=front.wav`, `front@24=front24.wav` at a volume step.
    pub recordings: Vec<Named>,
    /// What the recordings hold; a sweep track, or pink noise.
    pub track: Option<String>,
    /// The `tracks.json` that describes it.
    pub stimulus: Option<PathBuf>,
    /// The outputs to measure; empty for all of a simulated car.
    pub outputs: Vec<String>,
    /// The volume steps to measure at; by default five of a simulated car, or the one it is at.
    pub steps: Vec<i64>,
    /// The rig's input; by default the electrical one.
    pub input: Option<String>,
    /// The outputs to be added up, at the step that most are like.
    pub sum: Vec<String>,
    /// The processor that undoes the tone, by name or file.
    pub processor: Option<String>,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ToneReport {
    /// Each output.
    pub outputs: Vec<ToneOfOutput>,
    /// Each output against the first.
    pub pairs: Vec<PairDifference>,
    /// What was added up.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sum: Option<ToneSum>,
    /// Bands that undo the tone of the sum, or of the first output.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bands: Option<FitResult>,
    /// What changes with the conditions of the recordings, the volume step apart.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub conditions: Vec<ConditionTone>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// The tone of one output.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ToneOfOutput {
    /// Its name.
    pub output: String,
    /// The volume step of what follows, where steps were named.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<i64>,
    /// What it looks like.
    #[serde(flatten)]
    pub shape: ToneShape,
    /// Its response.
    pub response: ToneCurve,
    /// Every volume step against that one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub steps: Vec<StepDifference>,
    /// What follows the volume.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<ToneChange>,
}

/// A curve, in the columns of the contract.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ToneCurve {
    /// Ascending frequencies.
    pub frequency_hz: Vec<f64>,
    /// The level at each.
    pub magnitude_db: Vec<f64>,
}

/// One volume step against the reference.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepDifference {
    /// The step.
    pub step: i64,
    /// 40 to 80 Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bass_db: Option<f64>,
    /// 8 to 14 kHz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub treble_db: Option<f64>,
    /// The difference over frequency, the level of the middle taken out.
    pub difference: ToneCurve,
}

/// What several outputs add up to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ToneSum {
    /// Which.
    pub outputs: Vec<String>,
    /// Whether their phases were added, rather than their powers.
    pub coherent: bool,
    /// What the sum looks like.
    #[serde(flatten)]
    pub shape: ToneShape,
    /// Its response.
    pub response: ToneCurve,
}

impl ToneCurve {
    /// The same as a response.
    #[must_use]
    pub fn response(&self) -> Response {
        Response {
            frequency_hz: self.frequency_hz.clone(),
            magnitude_db: self.magnitude_db.clone(),
            phase_deg: None,
            coherence: None,
            spread_db: None,
        }
    }

    fn of(response: &Response) -> Self {
        Self { frequency_hz: response.frequency_hz.clone(), magnitude_db: response.magnitude_db.clone() }
    }
}

/// One capture of one output.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputCapture {
    /// The output.
    pub output: String,
    /// The volume step, where it is known.
    pub step: Option<i64>,
    /// What was measured.
    pub response: Response,
    /// When it arrived, where all captures share a clock.
    pub arrival_s: Option<f64>,
    /// What the measurement remarked.
    pub findings: Vec<Finding>,
    /// The capture of the job, where it is one.
    pub capture: Option<CaptureId>,
}

/// Within this the sum of outputs is called flat (common practice, no source).
pub const FLAT_DB: f64 = 1.5;

/// Finds out about the source's tone from recordings or response files; a job keeps the recordings
/// as captures.
///
/// # Errors
/// When something that was given cannot be used, or a sweep was not found.
pub fn tone_from_recordings(order: &ToneOrder, job: &mut WhenKept) -> Result<ToneReport> {
    let (captures, conditions): (Vec<_>, Vec<_>) = recorded(order, job)?.into_iter().unzip();
    let report = report_over(order, &captures, &conditions)?;
    if let Some(job) = job.job()? {
        job.apply(report.change(ids(&captures)))?;
    }
    Ok(report)
}

/// Finds out about the source's tone from the captures that a job holds of its outputs, each under the conditions
/// that stand in it: the newest where one was made twice.
///
/// # Errors
/// When the job holds none, or one is too short to be described.
pub fn tone_from_job(order: &ToneOrder, job: &mut OpenJob) -> Result<ToneReport> {
    let (captures, conditions): (Vec<_>, Vec<_>) = kept(order, job.project())?.into_iter().unzip();
    let report = report_over(order, &captures, &conditions)?;
    job.apply(report.change(ids(&captures)))?;
    Ok(report)
}

/// What the captures say, and what changes with what they were made under.
fn report_over(
    order: &ToneOrder,
    captures: &[OutputCapture],
    conditions: &[Conditions],
) -> Result<ToneReport> {
    let made: Vec<(&str, &Conditions)> =
        captures.iter().map(|one| one.output.as_str()).zip(conditions).collect();
    let usual = captures.iter().zip(tone_conditions::under_usual(&made));
    let usual: Vec<OutputCapture> =
        usual.filter(|(_, is_usual)| *is_usual).map(|(one, _)| one.clone()).collect();
    let mut report = report(order, &usual)?;
    let under: Vec<(&str, &Response, &Conditions)> = captures
        .iter()
        .zip(conditions)
        .map(|(capture, conditions)| (capture.output.as_str(), &capture.response, conditions))
        .collect();
    let (changes, findings) = tone_conditions::changes(&under);
    report.conditions = changes;
    report.findings.extend(findings);
    Ok(report)
}

/// The captures of outputs in a job, with what they were made under.
fn kept(order: &ToneOrder, project: &Project) -> Result<Vec<(OutputCapture, Conditions)>> {
    let step_of = |capture: &CaptureEntry| capture.meta.conditions.volume_step.map(i64::from);
    let wanted = |capture: &&CaptureEntry| {
        let output = &capture.meta.position;
        let of_step =
            order.steps.is_empty() || step_of(capture).is_some_and(|step| order.steps.contains(&step));
        let of_output = order.outputs.is_empty() || order.outputs.contains(output);
        capture.has_result() && capture.response.is_some() && !output.is_empty() && of_output && of_step
    };
    let all: Vec<&CaptureEntry> = project.of_stage(Stage::Source).filter(wanted).collect();
    let is_newest = |one: &CaptureEntry| {
        let same = |other: &&CaptureEntry| {
            other.meta.position == one.meta.position && other.meta.conditions == one.meta.conditions
        };
        all.iter().copied().filter(|other| same(other)).all(|other| other.id <= one.id)
    };
    let chosen: Vec<&CaptureEntry> = all.iter().copied().filter(|one| is_newest(one)).collect();
    if chosen.is_empty() {
        return Err(Error::input(
            "the job holds no response of an output; import recordings of the outputs with \
             `headrest job import JOB FILE --as TRACK=output:NAME`, or name recordings here as NAME=FILE",
        ));
    }
    // Captures of one sweep on several inputs share a clock; others began at other times.
    let sweep_of = |one: &CaptureEntry| one.meta.made_with.unwrap_or(one.id);
    let shared = chosen.iter().all(|one| sweep_of(one) == sweep_of(chosen[0]));
    chosen
        .into_iter()
        .filter_map(|one| Some((one, one.reading.as_ref()?)))
        .map(|(one, reading)| {
            let output = one.meta.position.clone();
            let capture = output_capture(output, step_of(one), reading, shared)?;
            Ok((OutputCapture { capture: Some(one.id), ..capture }, one.meta.conditions.clone()))
        })
        .collect()
}

/// Finds out about the source's tone with a rig. A person connects the outputs and sets the volume;
/// a simulated car's is set by itself.
///
/// # Errors
/// When something that was given cannot be used, the rig refuses, or a sweep was not found.
pub fn source_tone(session: &mut Session<'_>, order: &ToneOrder) -> Result<ToneReport> {
    let captures = live(session, order)?;
    let mut report = report(order, &captures)?;
    if session.is_stopped() {
        report.findings.push(crate::capture_run::interruption());
    } else {
        session.change(report.change(ids(&captures)));
    }
    Ok(report)
}

fn ids(captures: &[OutputCapture]) -> Vec<CaptureId> {
    captures.iter().filter_map(|one| one.capture).collect()
}

fn is_response_file(path: &Path) -> bool {
    let extension = path.extension().and_then(|extension| extension.to_str()).unwrap_or_default();
    ["csv", "txt"].contains(&extension.to_ascii_lowercase().as_str())
}

/// Each recording with what it was made under.
fn recorded(order: &ToneOrder, job: &mut WhenKept) -> Result<Vec<(OutputCapture, Conditions)>> {
    let track = order.track.clone().unwrap_or_else(|| "sweep-full".to_owned());
    order
        .recordings
        .iter()
        .map(|named| {
            let (output, step, conditions) = tone_conditions::output_and_conditions(&named.name)?;
            if is_response_file(&named.path) || library::is_part_of_job(&named.path) {
                let of_job = library::named_response(&named.path)?;
                let conditions = conditions.or(of_job.conditions.unwrap_or_default());
                let step = conditions.volume_step.map(i64::from).or(step);
                let (arrival_s, findings, capture) = (None, Vec::new(), None);
                let response = of_job.response;
                return Ok((
                    OutputCapture { output, step, response, arrival_s, findings, capture },
                    conditions,
                ));
            }
            let pink = track == "pink";
            let analysis = Analysis {
                id: if pink { "spectrum" } else { "sweep" }.to_owned(),
                recording: named.path.clone(),
                recorded: Recorded::on(named.channel),
                track: (!pink).then(|| track.clone()),
                stimulus: order.stimulus.clone().filter(|_| !pink),
                settings: if pink { vec![("fraction".to_owned(), "12".to_owned())] } else { Vec::new() },
            };
            let at = step.map_or_else(|| ", tone".to_owned(), |step| format!(", step {step}"));
            let placement = Placement {
                stage: Some(Stage::Source),
                position: output.clone(),
                conditions: Some(conditions.clone()),
                ..Placement::named(&format!("{output}{at}"))
            };
            let (reading, id) = analyze_and_keep(&analysis, job, &placement)?;
            // Channels of one recording share its clock; other recordings begin at other times.
            let shared = order.recordings.iter().all(|other| other.path == named.path);
            Ok((OutputCapture { capture: id, ..output_capture(output, step, &reading, shared)? }, conditions))
        })
        .collect()
}

fn output_capture(
    output: String,
    step: Option<i64>,
    reading: &Reading,
    shared_clock: bool,
) -> Result<OutputCapture> {
    if let Some(stop) = reading.stopped() {
        return Err(Error::measurement(format!("{output}: {}", stop.text)));
    }
    let findings = reading
        .findings
        .iter()
        .filter(|finding| finding.level != measure::FindingLevel::Note)
        .map(|finding| Finding { text: format!("{output}: {}", finding.text), ..finding.clone() })
        .collect();
    Ok(OutputCapture {
        response: reading_response(reading)?,
        arrival_s: reading.values.get("arrival_s").copied().filter(|_| shared_clock),
        output,
        step,
        findings,
        capture: None,
    })
}

/// Captures every output at every step.
fn live(session: &mut Session<'_>, order: &ToneOrder) -> Result<Vec<OutputCapture>> {
    let (outputs, steps) = what(session, order)?;
    let mut steps: Vec<Option<i64>> =
        if steps.is_empty() { vec![None] } else { steps.into_iter().map(Some).collect() };
    steps.sort_unstable();
    steps.dedup();
    let registry = Registry::built_in();
    let manifest = registry.manifest("sweep").map_err(|unknown| Error::input(unknown.to_string()))?;
    let simulated = session.rig.is_simulated();
    // A real car is noisier than it is patient; the simulated one needs no long sweep.
    let stimulus = if simulated { Some(short_sweep()) } else { signals::track("sweep-full") };
    let (input, reference) =
        (session.rig.electrical_input(order.input.as_deref())?, session.rig.input(InputRole::Loopback));
    let mut all = Vec::new();
    for output in &outputs {
        for &step in &steps {
            let at = step.map_or_else(|| ", tone".to_owned(), |step| format!(", step {step}"));
            let volume_step = step.and_then(|step| u32::try_from(step).ok());
            let plan = Plan {
                stimulus: stimulus.clone(),
                reference,
                label: format!("{output}{at}"),
                position: output.clone(),
                volume_step,
                scene: Some(Scene { tap: Some(output.clone()), volume_step, ..Scene::default() }),
                request: Some(Request::Connect { output: output.clone(), step }),
                ..Plan::of(manifest, Stage::Source, input)
            };
            for captured in captures(session, &[plan])? {
                if session.is_stopped() && captured.reading.stopped().is_some() {
                    continue;
                }
                // Captures of one simulated rig begin together with what they play; those of devices do so
                // relative to a loopback.
                let shared = simulated || reference.is_some();
                let one = output_capture(output.clone(), step, &captured.reading, shared)?;
                all.push(OutputCapture { capture: captured.id, ..one });
            }
            if session.is_stopped() {
                break;
            }
        }
    }
    if all.is_empty() { Err(Error::measurement("no output was measured")) } else { Ok(all) }
}

/// The outputs and the volume steps that are meant, checked.
fn what(session: &Session<'_>, order: &ToneOrder) -> Result<(Vec<String>, Vec<i64>)> {
    let Some(simulated) = session.rig.car() else {
        if order.outputs.is_empty() {
            return Err(Error::input("say which outputs there are: --outputs front,rear,sub"));
        }
        return Ok((order.outputs.clone(), order.steps.clone()));
    };
    let known: Vec<String> = simulated.car.radio.outputs.iter().map(|output| output.name.clone()).collect();
    if let Some(other) = order.outputs.iter().find(|name| !known.contains(name)) {
        let known = known.join(", ");
        return Err(Error::input(format!("the simulated car has no output `{other}`; it has {known}")));
    }
    let last = i64::from(simulated.car.radio.last_step());
    if let Some(step) = order.steps.iter().find(|step| !(1..=last).contains(*step)) {
        return Err(Error::input(format!("--steps {step}: this radio has steps 1 to {last}")));
    }
    let usual = usual_steps(simulated.truth.clean_step).map(i64::from);
    let outputs = if order.outputs.is_empty() { known } else { order.outputs.clone() };
    Ok((outputs, if order.steps.is_empty() { usual.to_vec() } else { order.steps.clone() }))
}

/// The volume steps between a quiet one and the clean one at which a tone is looked at.
#[must_use]
pub fn usual_steps(clean_step: u32) -> [u32; 5] {
    [0.3, 0.5, 0.65, 0.85, 1.0].map(|part| ((part * f64::from(clean_step)) as u32).max(1))
}

/// The sweep of an output, 12 dB down: 20 dB more fit into the loudest one.
#[must_use]
pub fn short_sweep() -> Stimulus {
    signals::short_paired_sweep("sweep of an output", 15.0, 21_500.0, -12.0)
}

fn report(order: &ToneOrder, captures: &[OutputCapture]) -> Result<ToneReport> {
    let (mut report, response) = tone_of(captures, &order.sum)?;
    if let Some(processor) = &order.processor {
        report.bands = Some(undo(&response, &library::profile(processor)?)?);
    }
    Ok(report)
}

/// What several captures say together, and the response that is to be undone: that of the sum,
/// or else of the first output.
///
/// # Errors
/// When a response is too short to be described, or an output of the sum was not measured.
pub fn tone_of(captures: &[OutputCapture], sum: &[String]) -> Result<(ToneReport, Response)> {
    let mut names: Vec<String> = Vec::new();
    for one in captures {
        if !names.contains(&one.output) {
            names.push(one.output.clone());
        }
    }
    let mut findings: Vec<Finding> = captures.iter().flat_map(|one| one.findings.clone()).collect();
    let mut follow: Vec<(Finding, Vec<&String>)> = Vec::new();
    let mut outputs = Vec::new();
    let mut responses: BTreeMap<String, OutputResponse> = BTreeMap::new();
    for name in &names {
        let own: Vec<&OutputCapture> = captures.iter().filter(|one| one.output == *name).collect();
        let steps: Vec<StepResponse> = own
            .iter()
            .filter_map(|one| Some(StepResponse { step: one.step?, response: one.response.clone() }))
            .collect();
        let over = tone_over_steps(&steps);
        let reference = over.as_ref().map(|over| over.reference_step);
        let shown =
            own.iter().find(|one| reference.is_some() && one.step == reference).or_else(|| own.first());
        let Some(shown) = shown else { continue };
        let shape = tone_shape(&shown.response).ok_or_else(|| {
            Error::input(format!("{name}: the response has too few points to be described"))
        })?;
        let smooth = shown.response.smoothed(24);
        let mut tone = ToneOfOutput {
            output: name.clone(),
            step: shown.step,
            shape,
            response: ToneCurve::of(&smooth),
            steps: Vec::new(),
            changes: Vec::new(),
        };
        if let Some(over) = over {
            tone.steps = over
                .steps
                .iter()
                .map(|one| StepDifference {
                    step: one.step,
                    bass_db: one.bass_db,
                    treble_db: one.treble_db,
                    difference: ToneCurve::of(&one.difference),
                })
                .collect();
            tone.changes = over.changes;
            for finding in over.findings {
                match follow.iter_mut().find(|(other, _)| *other == finding) {
                    Some((_, names)) => names.push(name),
                    None => follow.push((finding, vec![name])),
                }
            }
        }
        responses.insert(
            name.clone(),
            OutputResponse {
                output: name.clone(),
                response: shown.response.clone(),
                arrival_s: shown.arrival_s,
            },
        );
        outputs.push(tone);
    }
    // What several outputs have in common is said once.
    findings.extend(follow.into_iter().map(|(finding, names)| {
        let names: Vec<&str> = names.into_iter().map(String::as_str).collect();
        Finding { text: format!("{}: {}", names.join(", "), finding.text), ..finding }
    }));
    let first = names.first().and_then(|name| responses.get(name));
    let pairs: Vec<PairDifference> =
        names.iter().skip(1).filter_map(|name| pair_difference(first?, responses.get(name)?)).collect();
    findings.extend(pairs.iter().flat_map(pair_remarks));
    let (sum, together) = add_up(sum, &responses, &mut findings)?.unzip();
    let response = together
        .or_else(|| first.map(|first| first.response.clone()))
        .ok_or_else(|| Error::measurement("no output was measured"))?;
    Ok((ToneReport { outputs, pairs, sum, bands: None, conditions: Vec::new(), findings }, response))
}

fn pair_remarks(pair: &PairDifference) -> Vec<Finding> {
    let (first, second) = (&pair.first, &pair.second);
    let mut findings = Vec::new();
    if pair.inverted == Some(true) {
        let text = format!(
            "`{second}` has reversed polarity against `{first}`: invert it in the processor, or swap its leads."
        );
        findings.push(Finding::caution("output-inverted", text));
    }
    if let Some(delay_s) = pair.delay_s.filter(|delay_s| delay_s.abs() > 5e-5) {
        let later = if delay_s > 0.0 { "later" } else { "earlier" };
        let text =
            format!("`{second}` comes {} ms {later} than `{first}`.", decimals(1e3 * delay_s.abs(), 2));
        findings.push(Finding::note("output-delayed", text));
    }
    if pair.tone_rms_db > 1.0 {
        let text = format!(
            "`{second}` has another tone than `{first}`: {} dB at {}, beside a level of {} dB.",
            signed(pair.worst_db, 1),
            spoken("hz", pair.worst_hz).value,
            signed(pair.level_db, 1)
        );
        findings.push(Finding::note("output-tone-differs", text));
    }
    findings
}

fn add_up(
    sum: &[String],
    responses: &BTreeMap<String, OutputResponse>,
    findings: &mut Vec<Finding>,
) -> Result<Option<(ToneSum, Response)>> {
    if sum.is_empty() {
        return Ok(None);
    }
    let parts: Result<Vec<OutputResponse>> = sum
        .iter()
        .map(|name| {
            responses.get(name).cloned().ok_or_else(|| {
                let names: Vec<&str> = responses.keys().map(String::as_str).collect();
                Error::input(format!(
                    "--sum {name}: no such output was measured; there are {}",
                    names.join(", ")
                ))
            })
        })
        .collect();
    let Some(added) = output_sum(&parts?) else { return Ok(None) };
    let Some(shape) = tone_shape(&added.response) else { return Ok(None) };
    if !added.coherent {
        let text = "The outputs were recorded on clocks of their own, so that their powers were added: whether they cancel \
                    where they meet is not known. Record them as channels of one recording to see that.";
        findings.push(Finding::caution("sum-of-powers", text));
    }
    let text = if shape.flatness_db <= FLAT_DB {
        format!("The outputs summed are flat within ±{:.1} dB.", shape.flatness_db)
    } else {
        format!(
            "The outputs summed are not flat: ±{:.1} dB from end to end of their band.",
            shape.flatness_db
        )
    };
    findings.push(Finding::note("sum-of-outputs", text));
    let response = ToneCurve::of(&added.response.smoothed(24));
    Ok(Some((ToneSum { outputs: sum.to_vec(), coherent: added.coherent, shape, response }, added.response)))
}

/// Bands that make a response flat inside its own band.
///
/// # Errors
/// When the processor cannot hold any.
pub fn undo(response: &Response, profile: &Profile) -> Result<FitResult> {
    let target = library::target("flat")?;
    let shape = tone_shape(response);
    let (low, high) = response.range_hz();
    let inside = |corner: Option<f64>, end: f64| corner.unwrap_or(end);
    let options = FitOptions {
        from_hz: shape.as_ref().map_or(low, |shape| inside(shape.low.corner_hz, low)).max(20.0),
        to_hz: shape.as_ref().map_or(high, |shape| inside(shape.high.corner_hz, high)).min(20_000.0),
        ..FitOptions::default()
    };
    let channels = vec![(String::new(), vec![response.clone()])];
    let inputs = FitInputs::of_channels(channels, target, profile.clone(), options);
    inputs.first_fit().map_err(|error| Error::input(error.to_string()))
}

impl fmt::Display for ToneReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for output in &self.outputs {
            let step = output.step.map_or_else(String::new, |step| format!(" at step {step}"));
            writeln!(f, "{}{step}", output.output)?;
            shape_lines(f, &output.shape)?;
            if output.steps.len() > 1 {
                writeln!(f, "  Step      bass    treble   against step {}", output.step.unwrap_or(0))?;
                for one in &output.steps {
                    let text = |db: Option<f64>| {
                        db.map_or_else(|| "–".to_owned(), |db| format!("{} dB", signed(db, 1)))
                    };
                    writeln!(f, "  {:4}  {:>8}  {:>8}", one.step, text(one.bass_db), text(one.treble_db))?;
                }
            }
            for ConditionTone { change, .. } in
                self.conditions.iter().filter(|one| one.output == output.output)
            {
                writeln!(
                    f,
                    "  {} {} dB with the {}: {} as usual, {} not, most at {}",
                    sentence(&change.part),
                    signed(change.gain_db, 1),
                    change.condition.replace('-', " "),
                    change.unchanged,
                    change.changed,
                    change.largest
                )?;
            }
        }
        for pair in &self.pairs {
            let delay = pair
                .delay_s
                .map_or_else(|| "delay unknown".to_owned(), |s| format!("{} ms", signed(1e3 * s, 2)));
            let polarity = match pair.inverted {
                Some(true) => "inverted",
                Some(false) => "same polarity",
                None => "polarity unknown",
            };
            writeln!(
                f,
                "{} against {}: {} dB, {delay}, {polarity}, tone differs by {} dB RMS",
                pair.second,
                pair.first,
                signed(pair.level_db, 1),
                decimals(pair.tone_rms_db, 1)
            )?;
        }
        if let Some(sum) = &self.sum {
            writeln!(
                f,
                "Sum of {}{}",
                sum.outputs.join(" and "),
                if sum.coherent { "" } else { " (powers added)" }
            )?;
            shape_lines(f, &sum.shape)?;
        }
        if let Some(fit) = &self.bands {
            writeln!(
                f,
                "Bands that flatten it ({} dB RMS before, {} dB after):",
                decimals(fit.before.rms_db, 1),
                decimals(fit.after.rms_db, 1)
            )?;
            for band in &fit.bands {
                writeln!(f, "  {}", band.typed().sentence())?;
            }
        }
        Ok(())
    }
}

fn shape_lines(f: &mut fmt::Formatter<'_>, shape: &ToneShape) -> fmt::Result {
    let hertz = |hz: f64| spoken("hz", hz).value;
    let edge = |edge: &tuning::BandEdge| match (edge.corner_hz, edge.slope_db_per_octave) {
        (Some(hz), Some(slope)) => format!("{} ({} dB/octave)", hertz(hz), decimals(slope, 0)),
        (Some(hz), None) => hertz(hz),
        (None, _) => format!("beyond {}", hertz(edge.measured_to_hz)),
    };
    let (flatness, rms) = (decimals(shape.flatness_db, 1), decimals(shape.rms_db, 1));
    writeln!(f, "  Flat within  ±{flatness} dB, {rms} dB RMS")?;
    writeln!(f, "  −3 dB at     {} and {}", edge(&shape.low), edge(&shape.high))?;
    let peak =
        |peak: &tuning::TonePeak| format!("{} dB at {}", signed(peak.gain_db, 1), hertz(peak.frequency_hz));
    let peaks: Vec<String> = shape.peaks.iter().take(6).map(peak).collect();
    if peaks.is_empty() { Ok(()) } else { writeln!(f, "  Humps, dips  {}", peaks.join(", ")) }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::testing::Trial;

    fn found(order: &ToneOrder) -> Result<ToneReport> {
        Trial::car("compact-hatch").run(|session| source_tone(session, order))
    }

    fn order(outputs: &[&str], steps: &[i64]) -> ToneOrder {
        ToneOrder {
            outputs: outputs.iter().map(|name| (*name).to_owned()).collect(),
            steps: steps.to_vec(),
            ..ToneOrder::default()
        }
    }

    /// Truth: the hatch's description: bass is raised up to step 22.
    #[test]
    fn the_loudness_of_the_simulated_radio_is_found() {
        let report = found(&order(&["front-left"], &[12, 20, 22, 26])).unwrap();
        let front = &report.outputs[0];
        let change = front.changes.iter().find(|change| change.part == "bass").unwrap();
        assert_eq!((change.unchanged_step, change.changed_step, change.largest_step), (22, 20, 12));
        near("bass at step 12", change.gain_db, 4.5, 1.0);
        near("the front's low end", front.shape.low.corner_hz.unwrap(), 20.0, 5.0);
    }

    /// Truth: the hatch's description: the rear has a high-pass at 80 Hz of the second order, the
    /// right front gives 23.9 V where the left one gives 24.
    #[test]
    fn the_simulated_outputs_are_told_apart() {
        let report = found(&order(&["front-left", "front-right", "rear-left"], &[26])).unwrap();
        let rear = &report.outputs[2];
        near("the rear's low end", rear.shape.low.corner_hz.unwrap(), 75.0, 15.0);
        near("the rear's slope", rear.shape.low.slope_db_per_octave.unwrap(), 12.0, 3.0);
        let right = &report.pairs[0];
        near("right re left", right.level_db, 20.0 * (23.9f64 / 24.0).log10(), 0.02);
        near("delay", right.delay_s.unwrap(), 0.0, 2e-6);
        assert_eq!(right.inverted, Some(false));
    }

    #[test]
    fn outputs_add_up_and_their_tone_is_undone() {
        let order = ToneOrder {
            sum: vec!["front-left".to_owned()],
            processor: Some("parametric-free".to_owned()),
            ..order(&["front-left"], &[26])
        };
        let report = found(&order).unwrap();
        let fit = report.bands.as_ref().unwrap();
        assert!(fit.before.rms_db > 0.8 && fit.after.rms_db < 0.4 * fit.before.rms_db, "{report}");
        assert!(report.sum.as_ref().unwrap().coherent);
        assert!(report.to_string().contains("Bands that flatten it"), "{report}");
        let wrong = ToneOrder { sum: vec!["roof".to_owned()], ..order };
        assert!(found(&wrong).unwrap_err().to_string().contains("roof"));
    }
}
