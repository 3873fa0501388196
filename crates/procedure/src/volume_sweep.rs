//! The clean limit of a source: one output after another, the volume raised step by step, each
//! step recognised and judged as it comes.

use std::time::Duration;

use host::Registry;
use job::Stage;
use library::{Error, Result};
use measure::{Cell, Finding, ParameterValue, Parameters, Reading, Segment, Signal, Stimulus};
use project::derive::{SourceHeadroom, output_headroom};
use rig::{OpenRig, Scene, Simulated};
use tuning::OutputHeadroom;

use crate::capture::WAIT;
use crate::capture_run::Pumped;
use crate::session::{Go, Session};
use crate::sweep_now::SweepNow;
use crate::{Captured, Event, Instruction, Plan, Request, Until};

/// How long a simulated radio stays at each volume step.
const HOLD_S: f64 = 0.6;

/// How long it stays at the first one before the tone begins: a limiter must let go of
/// what sounded before.
const REST_S: f64 = 2.5;

/// How many steps from the top a simulated sweep begins.
const STEPS: u32 = 18;

/// The peak of a tone that is meant to reach full scale, less what keeps dither
/// from passing it.
const FULL_SCALE_DBFS: f64 = -0.01;

/// The longest sweep of one output.
const LONGEST_S: f64 = 900.0;

/// How often what is seen is told: at least ten times a second is promised.
const TELL_EVERY: Duration = Duration::from_millis(40);

/// How long a step that is not clean is watched before the sweep ends by itself.
const WATCHED_S: f64 = 1.0;

/// One output and the tone by which its limit is found.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputTone {
    /// The output's name.
    pub name: String,
    /// 1 kHz for a full-range output, 40 Hz for a subwoofer's (common practice, no source).
    pub tone_hz: f64,
}

impl OutputTone {
    /// Reads `NAME` or `NAME:HZ`. Without a frequency an output whose name speaks of a
    /// subwoofer gets 40 Hz, any other 1 kHz.
    ///
    /// # Errors
    /// When the name is missing or the frequency is none from 20 to 10000 Hz.
    pub fn parse(text: &str) -> Result<Self> {
        let (name, hz) = match text.rsplit_once(':') {
            Some((name, hz)) => (name.trim(), Some(hz.trim())),
            None => (text.trim(), None),
        };
        let refuse = |what: &str| {
            Error::input(format!("`{text}`: {what}; expected an output's name, or NAME:HZ such as sub:40"))
        };
        if name.is_empty() {
            return Err(refuse("the name is missing"));
        }
        let tone_hz = match hz {
            Some(hz) => units::quantity::parse(hz)
                .and_then(|(hz, unit)| match unit {
                    "" | "Hz" | "hz" => Some(hz),
                    "k" | "kHz" | "khz" => Some(1e3 * hz),
                    _ => None,
                })
                .filter(|hz| (20.0..=10_000.0).contains(hz))
                .ok_or_else(|| refuse("the tone's frequency lies between 20 and 10000 Hz"))?,
            None if name.to_lowercase().contains("sub") => 40.0,
            None => 1_000.0,
        };
        Ok(Self { name: name.to_owned(), tone_hz })
    }
}

/// How the source's bass control stands while the limit is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BassControl {
    /// Flat.
    Flat,
    /// At its maximum.
    Maximum,
}

impl BassControl {
    /// What that means for the verdict.
    #[must_use]
    pub fn remark(self) -> Finding {
        let text = match self {
            Self::Flat => {
                "Measured with the bass control flat. Turned up it takes the limit down: where the customer will use it, \
                 measure with it at maximum."
            }
            Self::Maximum => {
                "Measured with the bass control at its maximum, so that the limit holds wherever the customer sets it."
            }
        };
        Finding::note("bass-control", text)
    }
}

/// What is to be swept.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct VolumeSweep {
    /// The outputs in the order of the work; empty for all of a simulated car.
    pub outputs: Vec<OutputTone>,
    /// The rig's input that is connected to them; by default its electrical one.
    pub input: Option<String>,
    /// The number of the volume step at which each sweep begins; by default 1, in a
    /// simulated car some below its highest.
    pub first_step: Option<i64>,
    /// How the bass control stands; a simulated car's is turned there.
    pub bass: Option<BassControl>,
    /// Further parameters of the measurement, as they were typed.
    pub settings: Vec<(String, String)>,
    /// Whether the tone comes from the source itself (a memory stick), so that nothing is played.
    pub source_plays: bool,
    /// Whether a stop is how the person says that they turned the volume far enough.
    pub until_stopped: bool,
}

/// What a `headroom` reading under way shows, for a face to draw.
#[must_use]
pub(crate) fn sweep_now(reading: &Reading) -> SweepNow {
    let all = output_headroom("", reading);
    let newest = newest_step(reading);
    let step = newest.and_then(|number| all.steps.iter().find(|step| step.step == number));
    let certain = is_certain(reading, &all);
    SweepNow {
        step: step.map(|step| step.step),
        level_dbfs: step.map(|step| step.level_dbfs),
        level_v: step.and_then(|step| step.level_v),
        thd_percent: step.map(|step| step.thd_percent),
        clean: step.map(|step| step.clean).filter(|clean| *clean || certain),
        clean_step: all.clean_step,
        steps: all.steps.clone(),
        warning: reading.stopped().map(|finding| finding.text.clone()),
        ..SweepNow::default()
    }
}

/// Whether what is not clean is certain. A level that lags behind for one step may be a
/// volume control whose steps become smaller; a limiter holds it for two.
fn is_certain(reading: &Reading, found: &OutputHeadroom) -> bool {
    let held = reading.findings.iter().any(|finding| finding.code == "level-held");
    let beyond = found.steps.iter().filter(|step| found.clean_step.is_some_and(|clean| step.step > clean));
    found.first_clipped_step.is_some() && (!held || beyond.count() >= 2)
}

/// The step that began last.
fn newest_step(reading: &Reading) -> Option<i64> {
    let rows = &reading.tables.get("steps")?.rows;
    let starts = rows.iter().filter_map(|row| match (row.first()?, row.get(1)?) {
        (Cell::Number(step), Cell::Number(start_s)) => Some((*step, *start_s)),
        _ => None,
    });
    #[expect(clippy::cast_possible_truncation, reason = "a small step number")]
    starts.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(step, _)| step.round() as i64)
}

/// Sweeps one output after another and gives the verdict over all of them, which the project notes.
///
/// With devices a person turns the volume; a simulated car's turns by itself. A sweep
/// ends by itself about a second after a step that is not clean, or when the person says so
/// ([`Instruction::Continue`]); [`Instruction::Skip`] leaves an output out before it begins.
///
/// # Errors
/// When something that was given cannot be used, or the rig refuses. Without a clean step
/// the findings say why. Stopped before any output was swept, there is no result.
pub fn volume_sweep(session: &mut Session<'_>, sweep: &VolumeSweep) -> Result<SourceHeadroom> {
    let swept = sweep_outputs(session, sweep)?;
    verdict(session, sweep, &swept)
}

/// The same, as the one reading of the output that limits the source, with a table of all outputs.
/// Nothing when it was stopped before there was any.
///
/// # Errors
/// As for [`volume_sweep`].
pub(crate) fn limiting_reading(session: &mut Session<'_>, sweep: &VolumeSweep) -> Result<Option<Captured>> {
    let swept = sweep_outputs(session, sweep)?;
    let Some((first, _)) = swept.first() else { return Ok(None) };
    let verdict = verdict(session, sweep, &swept)?;
    let limiting = verdict.limit.limited_by.first().unwrap_or(first).clone();
    let interrupted = session.is_stopped();
    let Some((_, mut captured)) = swept.into_iter().find(|(name, _)| *name == limiting) else {
        return Ok(None);
    };
    captured.interrupted |= interrupted;
    let reading = &mut captured.reading;
    reading.label("output", &limiting);
    let number = |value: Option<f64>| value.map_or(Cell::Empty, Cell::Number);
    let rows = verdict.limit.outputs.iter().map(|output| {
        vec![
            Cell::Text(output.output.clone()),
            output.clean_step.map_or(Cell::Empty, |step| Cell::Number(step as f64)),
            number(output.level_dbfs),
            number(output.level_v),
        ]
    });
    let columns = ["output", "clean_step", "level_dbfs", "level_v"].map(str::to_owned).to_vec();
    reading.tables.insert("outputs".to_owned(), measure::Table { columns, rows: rows.collect() });
    if interrupted {
        reading.finding(crate::capture_run::interruption());
    }
    Ok(Some(captured))
}

fn sweep_outputs(session: &mut Session<'_>, sweep: &VolumeSweep) -> Result<Vec<(String, Captured)>> {
    let outputs = match (session.rig.car(), sweep.outputs.is_empty()) {
        (Some(simulated), _) => simulated_outputs(simulated, &sweep.outputs)?,
        (None, false) => sweep.outputs.clone(),
        (None, true) => return Err(Error::input("say which outputs there are: --outputs front,rear,sub:40")),
    };
    let mut swept = Vec::new();
    for (number, output) in outputs.iter().enumerate() {
        match sweep_output(session, sweep, output, (number, outputs.len()))? {
            (Go::Stop, captured) => {
                swept.extend(captured.map(|captured| (output.name.clone(), captured)));
                break;
            }
            (_, captured) => swept.extend(captured.map(|captured| (output.name.clone(), captured))),
        }
    }
    Ok(swept)
}

/// The verdict over what was swept.
fn verdict(
    session: &mut Session<'_>,
    sweep: &VolumeSweep,
    swept: &[(String, Captured)],
) -> Result<SourceHeadroom> {
    if swept.is_empty() {
        return Err(Error::measurement("no output was measured"));
    }
    let readings: Vec<(String, Reading)> =
        swept.iter().map(|(name, captured)| (name.clone(), captured.reading.clone())).collect();
    let mut verdict = SourceHeadroom::of(&readings, sweep.bass.map(BassControl::remark));
    if session.is_stopped() {
        // Of what was not measured nothing is known: it may clip earlier.
        verdict.limit.findings.push(crate::capture_run::interruption());
    } else {
        session.change(verdict.change());
    }
    Ok(verdict)
}

/// Sweeps one output under its tone.
fn sweep_output(
    session: &mut Session<'_>,
    sweep: &VolumeSweep,
    output: &OutputTone,
    place: (usize, usize),
) -> Result<(Go, Option<Captured>)> {
    let steps = session.rig.car().map(|simulated| {
        let last = simulated.car.radio.last_step();
        let asked = sweep.first_step.and_then(|step| u32::try_from(step).ok());
        (asked.unwrap_or(last.saturating_sub(STEPS)).clamp(1, last), last)
    });
    let plan = plan(sweep, output, session.rig, steps)?;
    let go = session.prepare(&plan)?;
    if go != Go::On {
        return Ok((go, None));
    }
    let mut run = session.begin(&plan, place)?;
    let mut watch = SweepWatch::new(&output.name, session.rig.calibration(plan.input).volts_per_fs);
    let mut ticker = session.ticker(TELL_EVERY);
    let mut step = steps.map_or(0, |(first, _)| first);
    while run.pump(WAIT) != Pumped::Over {
        if let Some((first, last)) = steps {
            let due = first + steps_climbed(run.elapsed_s());
            if due > last {
                run.finish();
            } else if due != step {
                step = due;
                session.rig.set_volume_step(step)?;
            }
        }
        if ticker.is_due(run.elapsed_s()) {
            let peak = run.meters().get(plan.input).map_or(0.0, |meter| meter.peak);
            let now = SweepNow { place, ..watch.look(&run.reading(), run.elapsed_s(), peak) };
            session.emit(Event::Step(now));
            session.tell(&mut run, &plan.label);
            if watch.has_seen_enough(run.elapsed_s()) {
                run.finish();
            }
        }
        match session.instruction() {
            Some(Instruction::Continue | Instruction::Skip) => run.finish(),
            _ if run.elapsed_s() > LONGEST_S => run.finish(),
            _ => {}
        }
    }
    let captured = session.end(run).into_iter().next();
    Ok((if session.is_stopped() { Go::Stop } else { Go::On }, captured))
}

/// How many steps a simulated radio has climbed after so long.
fn steps_climbed(elapsed_s: f64) -> u32 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small step number")]
    let climbed = ((elapsed_s - REST_S) / HOLD_S).max(0.0) as u32;
    climbed
}

fn plan(sweep: &VolumeSweep, output: &OutputTone, rig: &OpenRig, steps: Option<(u32, u32)>) -> Result<Plan> {
    let registry = Registry::built_in();
    let manifest = registry.manifest("headroom").map_err(|unknown| Error::input(unknown.to_string()))?;
    let mut parameters: Parameters = manifest
        .parameters(sweep.settings.iter().map(|(key, value)| (key.as_str(), value.as_str())))
        .map_err(|error| Error::input(error.to_string()))?;
    let first = sweep.first_step.or_else(|| steps.map(|(first, _)| i64::from(first)));
    if let Some(first) = first {
        parameters.set("first_step", ParameterValue::Number(first as f64));
    }
    let tone = Signal::Sine { frequency_hz: output.tone_hz };
    // A person's sweep has no end of its own, so that whole seconds are repeated for it.
    let segments = match steps {
        Some((first, last)) => {
            let climb_s = f64::from(last - first + 2) * HOLD_S;
            vec![Segment::silence(REST_S), Segment::of(tone, climb_s, FULL_SCALE_DBFS, 0.0)]
        }
        None => vec![Segment::of(tone, 10.0, FULL_SCALE_DBFS, 0.0)],
    };
    let stimulus = Stimulus { name: format!("tone {} Hz", output.tone_hz), segments };
    let scene = steps.map(|(first, _)| Scene {
        tap: Some(output.name.clone()),
        volume_step: Some(first),
        bass_at_maximum: sweep.bass == Some(BassControl::Maximum),
        ..Scene::default()
    });
    Ok(Plan {
        parameters,
        stimulus: (!sweep.source_plays || steps.is_some()).then_some(stimulus),
        until: if sweep.until_stopped { Until::Stopped } else { Until::Told },
        label: format!("{}, headroom", output.name),
        position: output.name.clone(),
        scene,
        request: Some(Request::RaiseVolume { output: output.name.clone(), tone_hz: output.tone_hz }),
        ..Plan::of(manifest, Stage::Source, rig.electrical_input(sweep.input.as_deref())?)
    })
}

/// The outputs of a simulated car: those that are asked for by their names there, or all.
fn simulated_outputs(simulated: &Simulated, asked: &[OutputTone]) -> Result<Vec<OutputTone>> {
    let all: Vec<OutputTone> = simulated
        .car
        .radio
        .outputs
        .iter()
        .map(|output| OutputTone { name: output.name.clone(), tone_hz: output.test_tone_hz })
        .collect();
    if asked.is_empty() {
        return Ok(all);
    }
    for output in asked {
        if !all.iter().any(|known| known.name == output.name) {
            let names: Vec<&str> = all.iter().map(|output| output.name.as_str()).collect();
            return Err(Error::input(format!(
                "the simulated car has no output `{}`; it has {}",
                output.name,
                names.join(", ")
            )));
        }
    }
    Ok(asked.to_vec())
}

/// What has been seen of one sweep, and what is to be said of it.
pub(crate) struct SweepWatch {
    output: String,
    volts_per_fs: Option<f64>,
    /// When a step that is not clean was seen first.
    alarmed_s: Option<f64>,
    /// Whether what was seen ends the sweep by itself.
    certain: bool,
}

/// The input's limit is near above this peak.
const NEAR_FULL_SCALE: f64 = 0.7;

impl SweepWatch {
    /// Nothing has been seen yet.
    #[must_use]
    pub(crate) fn new(output: &str, volts_per_fs: Option<f64>) -> Self {
        Self { output: output.to_owned(), volts_per_fs, alarmed_s: None, certain: false }
    }

    /// What a look at the reading so far shows.
    pub(crate) fn look(&mut self, reading: &Reading, elapsed_s: f64, peak: f64) -> SweepNow {
        let found = output_headroom(&self.output, reading);
        let mut now = SweepNow { output: self.output.clone(), elapsed_s, ..sweep_now(reading) };
        if peak >= NEAR_FULL_SCALE && now.warning.is_none() {
            let volts = self.volts_per_fs.map_or_else(String::new, |volts| {
                format!(" of {:.1} V RMS", volts / std::f64::consts::SQRT_2)
            });
            now.warning = Some(format!(
                "The input's limit{volts} is near: turn its gain down, or put an attenuator ahead of it."
            ));
        }
        self.certain = is_certain(reading, &found);
        now.alarm = self.certain && self.alarmed_s.is_none();
        if !self.certain {
            // A later, larger step can show that a small one was no limit.
            self.alarmed_s = None;
        } else if now.alarm {
            self.alarmed_s = Some(elapsed_s);
        }
        now
    }

    /// Whether the limit was passed a while ago.
    #[must_use]
    pub(crate) fn has_seen_enough(&self, elapsed_s: f64) -> bool {
        self.certain && self.alarmed_s.is_some_and(|alarmed_s| elapsed_s - alarmed_s >= WATCHED_S)
    }
}

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use cabin::Car;

    use super::*;
    use crate::Change;
    use crate::testing::Trial;

    #[test]
    fn outputs_and_their_tones() {
        let read = |text: &str| OutputTone::parse(text).unwrap();
        assert_eq!(read("front"), OutputTone { name: "front".to_owned(), tone_hz: 1_000.0 });
        assert_eq!(read("Subwoofer").tone_hz, 40.0);
        assert_eq!(read("rear:315").tone_hz, 315.0);
        for bad in ["", ":40", "sub:0", "sub:loud"] {
            assert!(OutputTone::parse(bad).unwrap_err().to_string().contains("NAME:HZ"), "{bad}");
        }
    }

    fn swept(car: &str, sweep: &VolumeSweep) -> Result<SourceHeadroom> {
        Trial::car(car).run(|session| volume_sweep(session, sweep))
    }

    fn outputs(names: &[&str]) -> Vec<OutputTone> {
        names.iter().map(|name| OutputTone::parse(name).unwrap()).collect()
    }

    /// The truth that follows from the van's description: limiters at the front, a subwoofer
    /// output that clips first.
    #[test]
    fn the_simulated_sweep_finds_the_truth() {
        let verdict = swept("box-van", &VolumeSweep::default()).unwrap();
        let truth = Car::preset("box-van").unwrap().truth();
        assert_eq!(verdict.limit.clean_step, Some(i64::from(truth.clean_step)), "{verdict}");
        assert_eq!(verdict.limit.limited_by.first(), truth.limiting_output.as_ref(), "{verdict}");
        for (output, truth) in verdict.limit.outputs.iter().zip(&truth.outputs) {
            let volts = output.level_v.unwrap();
            testkit::near(&truth.output, volts, truth.volts_at_cars_clean_step, 0.01 * volts);
        }
    }

    /// Trade fact (common practice, no source): with its 5 V setting a source of this kind
    /// gives 4 to 4.5 V at its clean limit, and one more volume step clips.
    #[test]
    fn a_five_volt_source_gives_four_to_four_and_a_half_and_clips_one_step_on() {
        let sweep = VolumeSweep { outputs: outputs(&["front-left"]), ..VolumeSweep::default() };
        let mut trial = Trial::car("saloon-adapter");
        let verdict = trial.run(|session| volume_sweep(session, &sweep)).unwrap();
        let alarms: Vec<_> = trial.steps().filter(|now| now.alarm).map(|now| now.step).collect();
        // The radio's steps shrink from 2 to 1.5 dB on the way, which is no limiter.
        assert_eq!(alarms, [Some(28)]);
        let front = &verdict.limit.outputs[0];
        let volts = front.level_v.unwrap();
        assert!((4.0..=4.5).contains(&volts), "{volts} V");
        let next =
            verdict.ladders[0].steps.iter().find(|step| Some(step.step) == front.clean_step.map(|n| n + 1));
        let next = next.unwrap();
        assert!(!next.clean && next.thd_percent > 1.0, "{next:?}");
    }

    /// The bass control at its maximum takes the subwoofer output's limit down, and the
    /// whole source's with it.
    #[test]
    fn the_bass_control_moves_the_limit() {
        let flat = VolumeSweep { outputs: outputs(&["sub"]), ..VolumeSweep::default() };
        let full = VolumeSweep { bass: Some(BassControl::Maximum), first_step: Some(12), ..flat.clone() };
        let flat = swept("saloon-adapter", &flat).unwrap().limit.clean_step.unwrap();
        let verdict = swept("saloon-adapter", &full).unwrap();
        // The control gives about 10 dB at 40 Hz, and a step is 1.5 dB there.
        let full = verdict.limit.clean_step.unwrap();
        assert!((5..=8).contains(&(flat - full)), "{flat} flat, {full} at maximum");
        assert!(verdict.limit.findings.iter().any(|finding| finding.code == "bass-control"));
    }

    /// Bar: a live run on the simulated rig tells what it sees ten times a second or more,
    /// and alarms once, at the first step that is not clean.
    #[test]
    fn a_live_run_tells_ten_times_a_second() {
        let sweep =
            VolumeSweep { outputs: outputs(&["front-left"]), first_step: Some(25), ..VolumeSweep::default() };
        let mut trial = Trial::car_by_the_clock("saloon-adapter");
        let begun = Instant::now();
        trial.run(|session| volume_sweep(session, &sweep)).unwrap();
        let seconds = begun.elapsed().as_secs_f64();
        let rate = trial.steps().count() as f64 / seconds;
        assert!(seconds > 1.5 && rate >= 10.0, "{rate:.1} a second over {seconds:.1} s");
        let alarms: Vec<_> = trial.steps().filter(|now| now.alarm).map(|now| now.step).collect();
        let mut steps: Vec<i64> = trial.steps().filter_map(|now| now.step).collect();
        steps.dedup();
        assert_eq!(alarms, [Some(28)], "{steps:?}");
        assert_eq!(steps[..4], [25, 26, 27, 28], "{steps:?}");
    }

    #[test]
    fn what_cannot_be_swept_is_refused() {
        let unknown = VolumeSweep { outputs: outputs(&["roof"]), ..VolumeSweep::default() };
        let refused = swept("saloon-adapter", &unknown).unwrap_err().to_string();
        assert!(refused.contains("front-left"), "{refused}");
    }

    /// The person ends a sweep, or stops everything: what was seen so far is the result, and only the
    /// first is a verdict that the project may keep.
    #[test]
    fn a_sweep_that_is_ended_has_a_verdict_and_one_that_is_stopped_is_marked() {
        let sweep = VolumeSweep { outputs: outputs(&["front-left"]), ..VolumeSweep::default() };
        let noted =
            |trial: &Trial| trial.changes().filter(|change| matches!(change, Change::Together(_))).count();
        let mut ended = Trial::car("saloon-adapter");
        ended.say_after(200, Instruction::Continue);
        let verdict = ended.run(|session| volume_sweep(session, &sweep)).unwrap();
        assert!(!verdict.limit.findings.iter().any(|finding| finding.code == "interrupted"));
        assert_eq!(noted(&ended), 1);
        let mut stopped = Trial::car("saloon-adapter");
        stopped.stop_after = Some(200);
        let verdict = stopped.run(|session| volume_sweep(session, &sweep)).unwrap();
        assert!(verdict.limit.findings.iter().any(|finding| finding.code == "interrupted"), "{verdict}");
        assert_eq!(noted(&stopped), 0);
        // The first event asks for the output to be connected.
        let mut before = Trial::car("saloon-adapter");
        before.stop_after = Some(1);
        assert!(before.run(|session| volume_sweep(session, &sweep)).is_err(), "nothing was swept");
    }
}
