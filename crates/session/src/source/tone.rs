//! The source's tone: each output's response, the same at several volume steps, outputs
//! against one another, their sum, and bands that undo it.

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use engine::{InputRole, Pace};
use host::Registry;
use job::{Job, Stage};
use measure::{Finding, Reading, Segment, Signal, Stimulus};
use serde::Serialize;
use tuning::{
    FitInput, FitOptions, FitResult, OutputResponse, PairDifference, Profile, Response, StepResponse,
    ToneChange, ToneShape, output_sum, pair_difference, tone_over_steps, tone_shape,
};

use super::{Go, Named};
use crate::analysis::analyze_and_keep;
use crate::fitting::band_text;
use crate::jobs::WhenKept;
use crate::stretch::Filing;
use crate::take::{self, Plan};
use crate::{Analysis, Error, Recorded, Result, jobs, library, reading_response, write_text};
use rig::{OpenRig, RigChoice};

/// What is to be found out about the source's tone.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ToneOrder {
    /// Recordings or response files: `front=front.wav`, `front@24=front24.wav` at a volume step.
    pub recordings: Vec<Named>,
    /// What the recordings hold; a sweep track, or pink noise.
    pub track: Option<String>,
    /// The `tracks.json` that describes it.
    pub stimulus: Option<PathBuf>,
    /// The rig file, to measure now.
    pub rig: Option<PathBuf>,
    /// A simulated car's name or file instead; empty for the usual one.
    pub simulated: Option<String>,
    /// The outputs to measure; empty for all of a simulated car.
    pub outputs: Vec<String>,
    /// The volume steps to measure at; by default five of a simulated car, or the one it is at.
    pub steps: Vec<i64>,
    /// The rig's input; by default the electrical one.
    pub input: Option<String>,
    /// The job that keeps the captures.
    pub job: Option<PathBuf>,
    /// The outputs to be added up, at the step that most are like.
    pub sum: Vec<String>,
    /// The processor that undoes the tone, by name or file.
    pub processor: Option<String>,
    /// Where the bands are written.
    pub bands_out: Option<PathBuf>,
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
    pub(crate) fn response(&self) -> Response {
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
pub(crate) struct Heard {
    pub(crate) output: String,
    pub(crate) step: Option<i64>,
    pub(crate) response: Response,
    /// Where the captures share a clock.
    pub(crate) arrival_s: Option<f64>,
    pub(crate) findings: Vec<Finding>,
}

/// Within this the sum of outputs is called flat (common practice, no source).
pub(crate) const FLAT_DB: f64 = 1.5;

/// Finds out about the source's tone, from recordings or with a rig.
///
/// `told` is asked before each capture whether the output is connected and the volume set;
/// a simulated car's is set by itself.
///
/// # Errors
/// When something that was given cannot be used, or a sweep was not found.
pub fn source_tone(order: &ToneOrder, told: &mut dyn FnMut(&str, Option<i64>) -> Go) -> Result<ToneReport> {
    let heard = if order.recordings.is_empty() { live(order, told)? } else { recorded(order)? };
    let report = report(order, heard)?;
    if let (Some(path), Some(fit)) = (&order.bands_out, &report.bands) {
        let typed: Vec<tuning::Band> = fit.bands.iter().map(tuning::FittedBand::typed).collect();
        write_text(path, &tuning::bands_csv(&tuning::band_entries("", &typed)))?;
    }
    Ok(report)
}

/// Splits `front@24` into the output and the step.
fn output_and_step(name: &str) -> Result<(String, Option<i64>)> {
    match name.rsplit_once('@') {
        None => Ok((name.to_owned(), None)),
        Some((output, step)) => match step.trim().parse() {
            Ok(step) if !output.trim().is_empty() => Ok((output.trim().to_owned(), Some(step))),
            _ => {
                Err(Error::input(format!("`{name}`: after `@` a volume step is expected, such as front@24")))
            }
        },
    }
}

fn is_response_file(path: &Path) -> bool {
    let extension = path.extension().and_then(|extension| extension.to_str()).unwrap_or_default();
    ["csv", "txt"].contains(&extension.to_ascii_lowercase().as_str())
}

fn recorded(order: &ToneOrder) -> Result<Vec<Heard>> {
    let track = order.track.clone().unwrap_or_else(|| "sweep-full".to_owned());
    let mut job = WhenKept::new(order.job.as_deref());
    order
        .recordings
        .iter()
        .map(|named| {
            let (output, step) = output_and_step(&named.name)?;
            if is_response_file(&named.path) {
                let response = library::response(&named.path)?;
                return Ok(Heard { output, step, response, arrival_s: None, findings: Vec::new() });
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
            let filing = Filing {
                stage: Some(Stage::Source),
                position: output.clone(),
                volume_step: step.and_then(|step| u32::try_from(step).ok()),
                ..Filing::named(&format!("{output}{at}"))
            };
            let reading = analyze_and_keep(&analysis, &mut job, &filing)?;
            // Channels of one recording share its clock; other recordings begin at other times.
            let shared = order.recordings.iter().all(|other| other.path == named.path);
            heard(output, step, &reading, shared)
        })
        .collect()
}

fn heard(output: String, step: Option<i64>, reading: &Reading, shared_clock: bool) -> Result<Heard> {
    if let Some(stop) = reading.stopped() {
        return Err(Error::measurement(format!("{output}: {}", stop.text)));
    }
    let findings = reading
        .findings
        .iter()
        .filter(|finding| finding.level != measure::FindingLevel::Note)
        .map(|finding| Finding { text: format!("{output}: {}", finding.text), ..finding.clone() })
        .collect();
    Ok(Heard {
        response: reading_response(reading)?,
        arrival_s: reading.values.get("arrival_s").copied().filter(|_| shared_clock),
        output,
        step,
        findings,
    })
}

fn live(order: &ToneOrder, told: &mut dyn FnMut(&str, Option<i64>) -> Go) -> Result<Vec<Heard>> {
    let mut bench = match RigChoice::of(order.rig.clone(), order.simulated.clone(), Pace::AsFastAsPossible) {
        RigChoice::Default => {
            return Err(Error::input(
                "say what to measure: recordings as NAME=FILE, --rig FILE, or --simulated",
            ));
        }
        choice => OpenRig::open(choice)?,
    };
    let (outputs, steps) = match bench.car() {
        Some(simulated) => {
            let known: Vec<String> =
                simulated.car.radio.outputs.iter().map(|output| output.name.clone()).collect();
            if let Some(other) = order.outputs.iter().find(|name| !known.contains(name)) {
                return Err(Error::input(format!(
                    "the simulated car has no output `{other}`; it has {}",
                    known.join(", ")
                )));
            }
            let last = i64::from(simulated.car.radio.last_step());
            if let Some(step) = order.steps.iter().find(|step| !(1..=last).contains(*step)) {
                return Err(Error::input(format!("--steps {step}: this radio has steps 1 to {last}")));
            }
            let usual = usual_steps(simulated.truth.clean_step).map(i64::from);
            let outputs = if order.outputs.is_empty() { known } else { order.outputs.clone() };
            (outputs, if order.steps.is_empty() { usual.to_vec() } else { order.steps.clone() })
        }
        None if order.outputs.is_empty() => {
            return Err(Error::input("say which outputs there are: --outputs front,rear,sub"));
        }
        None => (order.outputs.clone(), order.steps.clone()),
    };
    let mut job = order.job.as_deref().map(jobs::open_or_create).transpose()?;
    captures(&mut bench, job.as_mut(), order.input.as_deref(), (&outputs, &steps), told)
}

/// The tone of outputs at volume steps of the simulated car that is at hand.
pub(crate) fn tone_with(
    bench: &mut OpenRig,
    job: Option<&mut Job>,
    outputs: &[String],
    steps: &[i64],
) -> Result<ToneReport> {
    let heard = captures(bench, job, None, (outputs, steps), &mut |_, _| Go::On)?;
    Ok(tone_of(&heard, &[])?.0)
}

/// The volume steps between a quiet one and the clean one at which a tone is looked at.
pub(crate) fn usual_steps(clean_step: u32) -> [u32; 5] {
    [0.3, 0.5, 0.65, 0.85, 1.0].map(|part| ((part * f64::from(clean_step)) as u32).max(1))
}

/// Captures every output at every step.
fn captures(
    bench: &mut OpenRig,
    mut job: Option<&mut Job>,
    input: Option<&str>,
    (outputs, steps): (&[String], &[i64]),
    told: &mut dyn FnMut(&str, Option<i64>) -> Go,
) -> Result<Vec<Heard>> {
    let mut steps: Vec<Option<i64>> =
        if steps.is_empty() { vec![None] } else { steps.iter().copied().map(Some).collect() };
    steps.sort_unstable();
    steps.dedup();
    let registry = Registry::built_in();
    let manifest = registry.manifest("sweep").map_err(|unknown| Error::input(unknown.to_string()))?;
    let simulated = bench.car().is_some();
    // A real car is noisier than it is patient; the simulated one needs no long sweep.
    let stimulus = if simulated {
        short_sweep()
    } else {
        measurements::signals::track("sweep-full").unwrap_or_default()
    };
    let reference = bench.input(InputRole::Loopback);
    let mut all = Vec::new();
    for output in outputs {
        for &step in &steps {
            match told(output, step) {
                Go::On => {}
                Go::Next => continue,
                Go::Stop => return Ok(all),
            }
            bench.set(|setup| {
                setup.tap_output.clone_from(output);
                setup.volume_step =
                    step.and_then(|step| u32::try_from(step).ok()).unwrap_or(setup.volume_step);
            })?;
            let at = step.map_or_else(|| ", tone".to_owned(), |step| format!(", step {step}"));
            let plan = Plan {
                stimulus: Some(stimulus.clone()),
                reference,
                label: format!("{output}{at}"),
                position: output.clone(),
                volume_step: step.and_then(|step| u32::try_from(step).ok()),
                ..Plan::of(manifest, Stage::Source, bench.electrical_input(input)?)
            };
            let loose =
                (job.is_none() && !simulated).then(|| crate::place::loose_recording("tone")).transpose()?;
            let taken = take::take(&plan, bench, job.as_deref_mut(), loose, &mut |_, _| Ok(()))?;
            // Captures of one simulated rig begin together with what they play; those of devices do so
            // re a loopback.
            all.push(heard(output.clone(), step, &taken.reading, simulated || reference.is_some())?);
        }
    }
    if all.is_empty() { Err(Error::measurement("no output was measured")) } else { Ok(all) }
}

/// Two synchronised sweeps of three seconds, 12 dB down: 20 dB more fit into the loudest output.
pub(crate) fn short_sweep() -> Stimulus {
    let (from_hz, to_hz, peak_dbfs) = (15.0, 21_500.0, -12.0);
    let duration_s = dsp::sweep::Sweep::new(from_hz, to_hz, 3.0, 48_000.0, true).duration_s();
    let sweep =
        Segment::of(Signal::Sweep { from_hz, to_hz, synchronised: true }, duration_s, peak_dbfs, 0.03);
    let silence = Segment::silence(0.6);
    let segments = vec![silence.clone(), sweep.clone(), silence.clone(), sweep, silence];
    Stimulus { name: "sweep of an output".to_owned(), segments }
}

fn report(order: &ToneOrder, heard: Vec<Heard>) -> Result<ToneReport> {
    let (mut report, response) = tone_of(&heard, &order.sum)?;
    if let Some(processor) = &order.processor {
        report.bands = Some(undo(&response, &library::profile(processor)?)?);
    }
    Ok(report)
}

/// What several captures say together, and the response that is to be undone: that of the sum,
/// or else of the first output.
pub(crate) fn tone_of(heard: &[Heard], sum: &[String]) -> Result<(ToneReport, Response)> {
    let mut names: Vec<String> = Vec::new();
    for one in heard {
        if !names.contains(&one.output) {
            names.push(one.output.clone());
        }
    }
    let mut findings: Vec<Finding> = heard.iter().flat_map(|one| one.findings.clone()).collect();
    let mut follow: Vec<(Finding, Vec<&String>)> = Vec::new();
    let mut outputs = Vec::new();
    let mut responses: BTreeMap<String, OutputResponse> = BTreeMap::new();
    for name in &names {
        let own: Vec<&Heard> = heard.iter().filter(|one| one.output == *name).collect();
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
    Ok((ToneReport { outputs, pairs, sum, bands: None, findings }, response))
}

fn pair_remarks(pair: &PairDifference) -> Vec<Finding> {
    let (first, second) = (&pair.first, &pair.second);
    let mut findings = Vec::new();
    if pair.inverted == Some(true) {
        let text = format!(
            "`{second}` is upside down re `{first}`: turn its polarity over in the processor, or swap its leads."
        );
        findings.push(Finding::caution("output-inverted", text));
    }
    if let Some(delay_s) = pair.delay_s.filter(|delay_s| delay_s.abs() > 5e-5) {
        let later = if delay_s > 0.0 { "later" } else { "earlier" };
        let text = format!("`{second}` comes {:.2} ms {later} than `{first}`.", 1e3 * delay_s.abs());
        findings.push(Finding::note("output-delayed", text));
    }
    if pair.tone_rms_db > 1.0 {
        let text = format!(
            "`{second}` has another tone than `{first}`: {:+.1} dB at {:.0} Hz, beside a level of {:+.1} dB.",
            pair.worst_db, pair.worst_hz, pair.level_db
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
        format!("Together they are flat within ±{:.1} dB.", shape.flatness_db)
    } else {
        format!("Together they are not flat: ±{:.1} dB from end to end of their band.", shape.flatness_db)
    };
    findings.push(Finding::note("sum-of-outputs", text));
    let response = ToneCurve::of(&added.response.smoothed(24));
    Ok(Some((ToneSum { outputs: sum.to_vec(), coherent: added.coherent, shape, response }, added.response)))
}

/// Bands that make a response flat inside its own band.
pub(crate) fn undo(response: &Response, profile: &Profile) -> Result<FitResult> {
    let target = library::target("flat")?;
    let shape = tone_shape(response);
    let (low, high) = response.range_hz();
    let inside = |corner: Option<f64>, end: f64| corner.unwrap_or(end);
    let options = FitOptions {
        from_hz: shape.as_ref().map_or(low, |shape| inside(shape.low.corner_hz, low)).max(20.0),
        to_hz: shape.as_ref().map_or(high, |shape| inside(shape.high.corner_hz, high)).min(20_000.0),
        ..FitOptions::default()
    };
    let responses = [response.clone()];
    let input = FitInput { responses: &responses, target: &target, profile, options: &options };
    tuning::fit(&input).map_err(|error| Error::input(error.to_string()))
}

impl fmt::Display for ToneReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for output in &self.outputs {
            let step = output.step.map_or_else(String::new, |step| format!(" at step {step}"));
            writeln!(f, "{}{step}", output.output)?;
            shape_lines(f, &output.shape)?;
            if output.steps.len() > 1 {
                writeln!(f, "  step      bass    treble   against step {}", output.step.unwrap_or(0))?;
                for one in &output.steps {
                    let text =
                        |db: Option<f64>| db.map_or_else(|| "–".to_owned(), |db| format!("{db:+.1} dB"));
                    writeln!(f, "  {:4}  {:>8}  {:>8}", one.step, text(one.bass_db), text(one.treble_db))?;
                }
            }
        }
        for pair in &self.pairs {
            let delay =
                pair.delay_s.map_or_else(|| "delay unknown".to_owned(), |s| format!("{:+.3} ms", 1e3 * s));
            let polarity = match pair.inverted {
                Some(true) => "upside down",
                Some(false) => "same polarity",
                None => "polarity unknown",
            };
            writeln!(
                f,
                "{} re {}: {:+.2} dB, {delay}, {polarity}, tone {:.1} dB RMS apart",
                pair.second, pair.first, pair.level_db, pair.tone_rms_db
            )?;
        }
        if let Some(sum) = &self.sum {
            writeln!(
                f,
                "sum of {}{}",
                sum.outputs.join(" and "),
                if sum.coherent { "" } else { " (powers)" }
            )?;
            shape_lines(f, &sum.shape)?;
        }
        if let Some(fit) = &self.bands {
            writeln!(
                f,
                "to undo it ({:.1} dB RMS before, {:.1} dB after):",
                fit.before.rms_db, fit.after.rms_db
            )?;
            for band in &fit.bands {
                writeln!(f, "  {}", band_text(&band.typed()))?;
            }
        }
        Ok(())
    }
}

fn shape_lines(f: &mut fmt::Formatter<'_>, shape: &ToneShape) -> fmt::Result {
    let edge = |edge: &tuning::BandEdge| match (edge.corner_hz, edge.slope_db_per_octave) {
        (Some(hz), Some(slope)) => format!("{hz:.0} Hz ({slope:.0} dB/octave)"),
        (Some(hz), None) => format!("{hz:.0} Hz"),
        (None, _) => format!("beyond {:.0} Hz", edge.measured_to_hz),
    };
    writeln!(f, "  flat within ±{:.1} dB, {:.1} dB RMS", shape.flatness_db, shape.rms_db)?;
    writeln!(f, "  −3 dB from {} to {}", edge(&shape.low), edge(&shape.high))?;
    for peak in shape.peaks.iter().take(6) {
        writeln!(f, "  {:+.1} dB at {:.0} Hz", peak.gain_db, peak.frequency_hz)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    fn order(outputs: &[&str], steps: &[i64]) -> ToneOrder {
        ToneOrder {
            simulated: Some("compact-hatch".to_owned()),
            outputs: outputs.iter().map(|name| (*name).to_owned()).collect(),
            steps: steps.to_vec(),
            ..ToneOrder::default()
        }
    }

    /// Truth: the hatch's description: bass is raised up to step 22.
    #[test]
    fn the_loudness_of_the_simulated_radio_is_found() {
        let report = source_tone(&order(&["front-left"], &[12, 20, 22, 26]), &mut |_, _| Go::On).unwrap();
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
        let report =
            source_tone(&order(&["front-left", "front-right", "rear-left"], &[26]), &mut |_, _| Go::On)
                .unwrap();
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
        let report = source_tone(&order, &mut |_, _| Go::On).unwrap();
        let fit = report.bands.as_ref().unwrap();
        assert!(fit.before.rms_db > 0.8 && fit.after.rms_db < 0.4 * fit.before.rms_db, "{report}");
        assert!(report.sum.as_ref().unwrap().coherent);
        assert!(report.to_string().contains("to undo it"), "{report}");
        let wrong = ToneOrder { sum: vec!["roof".to_owned()], ..order };
        assert!(source_tone(&wrong, &mut |_, _| Go::On).unwrap_err().to_string().contains("roof"));
    }

    #[test]
    fn steps_in_names() {
        assert_eq!(output_and_step("front@24").unwrap(), ("front".to_owned(), Some(24)));
        assert_eq!(output_and_step("front").unwrap(), ("front".to_owned(), None));
        assert!(output_and_step("front@loud").unwrap_err().to_string().contains("front@24"));
    }
}
