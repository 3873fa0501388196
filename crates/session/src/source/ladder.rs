//! The clean limit found live: one output after another, the volume raised step by
//! step, the tool following by itself.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use cabin::Car;
use engine::Pace;
use host::Registry;
use job::{Job, SourceOutput, Stage, StageResult, StageState};
use measure::{Cell, Finding, ParameterValue, Parameters, Reading, Segment, Signal, Stimulus};
use tuning::OutputHeadroom;

use super::{Go, SourceHeadroom, output_headroom};
use crate::place::loose_recording;
use crate::take::{Plan, Pumped, Take, Until};
use crate::{Error, Result, jobs};
use rig::{OpenRig, RigChoice};

/// How long the simulated driver's hand rests on each volume step.
const HOLD_S: f64 = 0.6;

/// How long it rests on the first one before the tone begins: a limiter must let go of
/// what sounded before.
const REST_S: f64 = 2.5;

/// How many steps from the top the simulated climb begins.
const STEPS: u32 = 18;

/// The peak of a tone that is meant to reach full scale, less what keeps dither
/// from passing it.
const FULL_SCALE_DBFS: f64 = -0.01;

/// The longest climb of one output.
const LONGEST_S: f64 = 900.0;

/// How often what is seen is told: at least ten times a second is promised.
const TELL_EVERY: Duration = Duration::from_millis(40);

/// How long a step that is not clean is watched before the climb ends by itself.
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
            Some(hz) => hz
                .parse::<f64>()
                .ok()
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
                 measure with it at maximum (common practice, no source)."
            }
            Self::Maximum => {
                "Measured with the bass control at its maximum, so that the limit holds wherever the customer sets it."
            }
        };
        Finding::note("bass-control", text)
    }
}

/// What is to be climbed, with which rig.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HeadroomOrder {
    /// The rig file.
    pub rig: Option<PathBuf>,
    /// A simulated car's name or file; empty for the usual one.
    pub simulated: Option<String>,
    /// The job that keeps the captures and the result.
    pub job: Option<PathBuf>,
    /// The outputs in the order of the work; empty for all of a simulated car.
    pub outputs: Vec<OutputTone>,
    /// The rig's input that is connected to them; by default its electrical one.
    pub input: Option<String>,
    /// The number of the volume step at which each climb begins; by default 1, in the
    /// simulated car some below its highest.
    pub first_step: Option<i64>,
    /// How the bass control stands; the simulated car's is turned there.
    pub bass: Option<BassControl>,
    /// Further parameters of the measurement, as they were typed.
    pub settings: Vec<(String, String)>,
    /// Whether a simulated car runs by the clock instead of as fast as it can.
    pub real_time: bool,
    /// Whether the tone comes from the source itself (a memory stick), so that nothing is played.
    pub source_plays: bool,
}

/// What is seen at the moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HeadroomNow {
    /// The output being climbed.
    pub output: String,
    /// Which one it is, from 0, and of how many.
    pub place: (usize, usize),
    /// Since its climb began.
    pub elapsed_s: f64,
    /// The newest judged step.
    pub step: Option<i64>,
    /// Its level.
    pub level_dbfs: Option<f64>,
    /// Its RMS volts, where the input is calibrated.
    pub level_v: Option<f64>,
    /// Its distortion.
    pub thd_percent: Option<f64>,
    /// Whether it is clean.
    pub clean: Option<bool>,
    /// The highest clean step so far.
    pub clean_step: Option<i64>,
    /// Whether this is the first step that is not clean, just now: time for a sound.
    pub alarm: bool,
    /// A warning to be shown large: the input's limit is near, the recorder clips.
    pub warning: Option<String>,
}

/// What happens during a climb.
#[derive(Debug, Clone, PartialEq)]
pub enum HeadroomEvent<'a> {
    /// This output is to be connected, and the volume turned low; `On` when that is done.
    Connect(&'a OutputTone),
    /// What is seen now, more than ten times a second; `Next` when the person has had enough.
    Now(&'a HeadroomNow),
    /// An output is done.
    Done(&'a OutputHeadroom),
}

/// What a `headroom` reading under way shows, for a face to draw.
#[must_use]
pub fn headroom_now(reading: &Reading) -> HeadroomNow {
    let all = output_headroom("", reading);
    let newest = newest_step(reading);
    let step = newest.and_then(|number| all.steps.iter().find(|step| step.step == number));
    let certain = is_certain(reading, &all);
    HeadroomNow {
        step: step.map(|step| step.step),
        level_dbfs: step.map(|step| step.level_dbfs),
        level_v: step.and_then(|step| step.level_v),
        thd_percent: step.map(|step| step.thd_percent),
        clean: step.map(|step| step.clean).filter(|clean| *clean || certain),
        clean_step: all.clean_step,
        warning: reading.stopped().map(|finding| finding.text.clone()),
        ..HeadroomNow::default()
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

/// Climbs one output after another and gives the verdict over all of them.
///
/// With devices a person turns the volume; the simulated car's turns by itself. A climb
/// ends by itself about a second after a step that is not clean.
///
/// # Errors
/// When something that was given cannot be used, or the rig refuses. Without a clean step
/// the findings say why.
pub fn headroom_live(
    order: &HeadroomOrder,
    told: &mut dyn FnMut(HeadroomEvent<'_>) -> Go,
) -> Result<SourceHeadroom> {
    let pace = if order.real_time { Pace::RealTime } else { Pace::AsFastAsPossible };
    let mut bench = match RigChoice::of(order.rig.clone(), order.simulated.clone(), pace) {
        RigChoice::Default => {
            return Err(Error::input(
                "say what to measure with: --rig FILE, --simulated, or recordings as NAME=FILE",
            ));
        }
        choice => OpenRig::open(choice)?,
    };
    let outputs = match (&bench.car(), order.outputs.is_empty()) {
        (Some(simulated), _) => simulated_outputs(&simulated.car, &order.outputs)?,
        (None, false) => order.outputs.clone(),
        (None, true) => return Err(Error::input("say which outputs there are: --outputs front,rear,sub:40")),
    };
    let mut job = order.job.as_deref().map(jobs::open_or_create).transpose()?;
    let mut readings = Vec::new();
    for (number, output) in outputs.iter().enumerate() {
        match told(HeadroomEvent::Connect(output)) {
            Go::On => {}
            Go::Next => continue,
            Go::Stop => break,
        }
        let mut go = Go::On;
        let reading = climb(order, output, &mut bench, job.as_mut(), &mut |now| {
            go = told(HeadroomEvent::Now(&HeadroomNow { place: (number, outputs.len()), ..now.clone() }));
            go
        })?;
        told(HeadroomEvent::Done(&output_headroom(&output.name, &reading)));
        readings.push((output.name.clone(), reading));
        if go == Go::Stop {
            break;
        }
    }
    if readings.is_empty() {
        return Err(Error::measurement("no output was measured"));
    }
    let verdict = SourceHeadroom::of(&readings, order.bass);
    if let Some(job) = &mut job {
        keep(&verdict, job)?;
    }
    Ok(verdict)
}

/// The outputs of a simulated car: those that are asked for by their names there, or all.
fn simulated_outputs(car: &Car, asked: &[OutputTone]) -> Result<Vec<OutputTone>> {
    let all: Vec<OutputTone> = car
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

/// Keeps the verdict in the job.
pub(crate) fn keep(verdict: &SourceHeadroom, job: &mut Job) -> Result<()> {
    let step = |number: i64| u32::try_from(number).ok();
    let limit = &verdict.limit;
    let line = match limit.clean_step {
        Some(number) => format!("clean to step {number} · limited by {}", limit.limited_by.join(", ")),
        None => "no clean step".to_owned(),
    };
    job.edit(|data| {
        data.source.clean_step = limit.clean_step.and_then(step);
        data.source.limited_by = limit.limited_by.first().cloned().unwrap_or_default();
        data.source.outputs = limit
            .outputs
            .iter()
            .map(|output| SourceOutput {
                name: output.output.clone(),
                clean_step: output.clean_step.and_then(step),
                volts_rms: output.level_v,
            })
            .collect();
        data.stages.insert(Stage::Source, StageResult { state: StageState::Measured, line });
    })?;
    Ok(())
}

/// Climbs one output under its tone.
pub(crate) fn climb(
    order: &HeadroomOrder,
    output: &OutputTone,
    bench: &mut OpenRig,
    job: Option<&mut Job>,
    told: &mut dyn FnMut(&HeadroomNow) -> Go,
) -> Result<Reading> {
    let steps = bench.car().map(|simulated| {
        let last = simulated.car.radio.last_step();
        let asked = order.first_step.and_then(|step| u32::try_from(step).ok());
        (asked.unwrap_or(last.saturating_sub(STEPS)).clamp(1, last), last)
    });
    let plan = plan(order, output, bench, steps)?;
    let (input, volts_per_fs) = (plan.input, bench.calibration(plan.input).volts_per_fs);
    if let Some((first, _)) = steps {
        let knob_db = match order.bass {
            Some(BassControl::Maximum) => {
                bench.car().and_then(|one| one.car.radio.bass_knob.as_ref()).map_or(0.0, |knob| knob.max_db)
            }
            _ => 0.0,
        };
        bench.set(|setup| {
            setup.tap_output.clone_from(&output.name);
            setup.volume_step = first;
            setup.bass_knob_db = knob_db;
        })?;
    }
    let mut job = job;
    // What a real source did is kept, with a job or without.
    let loose = (job.is_none() && steps.is_none()).then(|| loose_recording("headroom")).transpose()?;
    let mut take = Take::begin(&plan, bench, job.as_deref_mut(), loose)?;
    let mut watch = ClimbWatch::new(&output.name, volts_per_fs);
    let mut step = steps.map_or(0, |(first, _)| first);
    loop {
        if take.pump(Duration::from_millis(20)) == Pumped::Over {
            break;
        }
        if let Some((first, last)) = steps {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a small step number"
            )]
            let due = first + ((take.elapsed_s() - REST_S) / HOLD_S).max(0.0) as u32;
            if due > last {
                take.stop();
            } else if due != step {
                step = due;
                bench.set(|setup| setup.volume_step = step)?;
            }
        }
        if watch.is_due(take.elapsed_s(), order.real_time || steps.is_none()) {
            let peak = take.meters().get(input).map_or(0.0, |meter| meter.peak);
            let now = watch.look(&take.reading(), take.elapsed_s(), peak);
            if told(&now) != Go::On || watch.has_seen_enough(take.elapsed_s()) {
                take.stop();
            }
        }
        if take.elapsed_s() > LONGEST_S {
            take.stop();
        }
    }
    Ok(take.end().compute().keep(job)?.reading)
}

fn plan(
    order: &HeadroomOrder,
    output: &OutputTone,
    bench: &OpenRig,
    steps: Option<(u32, u32)>,
) -> Result<Plan> {
    let registry = Registry::built_in();
    let manifest = registry.manifest("headroom").map_err(|unknown| Error::input(unknown.to_string()))?;
    let mut parameters: Parameters = manifest
        .parameters(order.settings.iter().map(|(key, value)| (key.as_str(), value.as_str())))
        .map_err(|error| Error::input(error.to_string()))?;
    let first = order.first_step.or_else(|| steps.map(|(first, _)| i64::from(first)));
    if let Some(first) = first {
        parameters.set("first_step", ParameterValue::Number(first as f64));
    }
    let tone = Signal::Sine { frequency_hz: output.tone_hz };
    // A person's climb has no end of its own, so that whole seconds are repeated for it.
    let segments = match steps {
        Some((first, last)) => {
            let climb_s = f64::from(last - first + 2) * HOLD_S;
            vec![Segment::silence(REST_S), Segment::of(tone, climb_s, FULL_SCALE_DBFS, 0.0)]
        }
        None => vec![Segment::of(tone, 10.0, FULL_SCALE_DBFS, 0.0)],
    };
    let stimulus = Stimulus { name: format!("tone {} Hz", output.tone_hz), segments };
    Ok(Plan {
        parameters,
        stimulus: (!order.source_plays || steps.is_some()).then_some(stimulus),
        until: Until::Stopped,
        label: format!("{}, headroom", output.name),
        position: output.name.clone(),
        ..Plan::of(manifest, Stage::Source, bench.electrical_input(order.input.as_deref())?)
    })
}

/// What has been seen of one climb, and what is to be said of it.
pub(crate) struct ClimbWatch {
    output: String,
    volts_per_fs: Option<f64>,
    told_at: Instant,
    told_s: f64,
    /// When a step that is not clean was seen first.
    alarmed_s: Option<f64>,
    /// Whether what was seen ends the climb by itself.
    certain: bool,
}

/// The input's limit is near above this peak.
const NEAR_FULL_SCALE: f64 = 0.7;

impl ClimbWatch {
    pub(crate) fn new(output: &str, volts_per_fs: Option<f64>) -> Self {
        Self {
            output: output.to_owned(),
            volts_per_fs,
            told_at: Instant::now(),
            told_s: 0.0,
            alarmed_s: None,
            certain: false,
        }
    }

    /// Whether it is time to look: by the clock, or by the samples of a simulation that
    /// runs faster than that.
    fn is_due(&mut self, elapsed_s: f64, by_the_clock: bool) -> bool {
        let due = if by_the_clock {
            self.told_at.elapsed() >= TELL_EVERY
        } else {
            elapsed_s - self.told_s >= TELL_EVERY.as_secs_f64()
        };
        if due {
            self.told_at = Instant::now();
            self.told_s = elapsed_s;
        }
        due
    }

    /// What a look at the reading so far shows.
    pub(crate) fn look(&mut self, reading: &Reading, elapsed_s: f64, peak: f64) -> HeadroomNow {
        let found = output_headroom(&self.output, reading);
        let mut now = HeadroomNow { output: self.output.clone(), elapsed_s, ..headroom_now(reading) };
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
    pub(crate) fn has_seen_enough(&self, elapsed_s: f64) -> bool {
        self.certain && self.alarmed_s.is_some_and(|alarmed_s| elapsed_s - alarmed_s >= WATCHED_S)
    }
}

/// What `measure headroom` gives for a simulated car: the reading of the output that
/// limits it, its name, and a table of all outputs.
pub(crate) fn simulated_reading(
    order: &HeadroomOrder,
    progress: &mut dyn FnMut(&str, f64),
) -> Result<Reading> {
    let mut bench = OpenRig::open(RigChoice::fast_car(order.simulated.as_deref().unwrap_or_default()))?;
    let outputs = match bench.car() {
        Some(simulated) => simulated_outputs(&simulated.car, &[])?,
        None => Vec::new(),
    };
    let mut job = order.job.as_deref().map(jobs::open_or_create).transpose()?;
    let mut readings = Vec::new();
    for (number, output) in outputs.iter().enumerate() {
        progress(&format!("Measuring {}", output.name), number as f64 / outputs.len() as f64);
        let reading = climb(order, output, &mut bench, job.as_mut(), &mut |_| Go::On)?;
        readings.push((output.name.clone(), reading));
    }
    let verdict = SourceHeadroom::of(&readings, order.bass);
    if let Some(job) = &mut job {
        keep(&verdict, job)?;
    }
    let limiting = verdict.limit.limited_by.first().or_else(|| readings.first().map(|(name, _)| name));
    let Some(limiting) = limiting.cloned() else { return Err(Error::measurement("no output was measured")) };
    let Some((_, mut reading)) = readings.into_iter().find(|(name, _)| *name == limiting) else {
        return Err(Error::measurement("no output was measured"));
    };
    reading.label("output", &limiting);
    let number = |value: Option<f64>| value.map_or(Cell::Empty, Cell::Number);
    let rows = verdict
        .limit
        .outputs
        .iter()
        .map(|output| {
            vec![
                Cell::Text(output.output.clone()),
                output.clean_step.map_or(Cell::Empty, |step| Cell::Number(step as f64)),
                number(output.level_dbfs),
                number(output.level_v),
            ]
        })
        .collect();
    let columns = ["output", "clean_step", "level_dbfs", "level_v"].map(str::to_owned).to_vec();
    reading.tables.insert("outputs".to_owned(), measure::Table { columns, rows });
    Ok(reading)
}

#[cfg(test)]
mod tests {
    use super::*;

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

    fn order(car: &str) -> HeadroomOrder {
        HeadroomOrder { simulated: Some(car.to_owned()), ..HeadroomOrder::default() }
    }

    fn outputs(names: &[&str]) -> Vec<OutputTone> {
        names.iter().map(|name| OutputTone::parse(name).unwrap()).collect()
    }

    /// The truth that follows from the van's description: limiters at the front, a subwoofer
    /// output that clips first.
    #[test]
    fn the_simulated_climb_finds_the_truth() {
        let verdict = headroom_live(&order("box-van"), &mut |_| Go::On).unwrap();
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
        let order = HeadroomOrder { outputs: outputs(&["front-left"]), ..order("saloon-adapter") };
        let mut alarms = Vec::new();
        let verdict = headroom_live(&order, &mut |event| {
            if let HeadroomEvent::Now(now) = event {
                alarms.extend(now.alarm.then_some(now.step));
            }
            Go::On
        })
        .unwrap();
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
        let flat = HeadroomOrder { outputs: outputs(&["sub"]), ..order("saloon-adapter") };
        let full = HeadroomOrder { bass: Some(BassControl::Maximum), first_step: Some(12), ..flat.clone() };
        let flat = headroom_live(&flat, &mut |_| Go::On).unwrap().limit.clean_step.unwrap();
        let verdict = headroom_live(&full, &mut |_| Go::On).unwrap();
        // The control gives about 10 dB at 40 Hz, and a step is 1.5 dB there.
        let full = verdict.limit.clean_step.unwrap();
        assert!((5..=8).contains(&(flat - full)), "{flat} flat, {full} at maximum");
        assert!(verdict.limit.findings.iter().any(|finding| finding.code == "bass-control"));
    }

    /// Bar: a live run on the simulated rig tells what it sees ten times a second or more,
    /// and sounds once, at the first step that is not clean.
    #[test]
    fn a_live_run_tells_ten_times_a_second() {
        let order = HeadroomOrder {
            outputs: outputs(&["front-left"]),
            first_step: Some(25),
            real_time: true,
            ..order("saloon-adapter")
        };
        let (mut told, mut alarms, mut steps) = (Vec::new(), Vec::new(), Vec::new());
        headroom_live(&order, &mut |event| {
            if let HeadroomEvent::Now(now) = event {
                told.push(Instant::now());
                alarms.extend(now.alarm.then_some(now.step));
                steps.extend(now.step.filter(|step| steps.last() != Some(step)));
            }
            Go::On
        })
        .unwrap();
        let seconds = told[told.len() - 1].duration_since(told[0]).as_secs_f64();
        let rate = (told.len() - 1) as f64 / seconds;
        assert!(seconds > 1.5 && rate >= 10.0, "{rate:.1} a second over {seconds:.1} s");
        assert_eq!(alarms, [Some(28)], "{steps:?}");
        assert_eq!(steps[..4], [25, 26, 27, 28], "{steps:?}");
    }

    #[test]
    fn what_cannot_be_climbed_is_refused() {
        let refused = |order: &HeadroomOrder| headroom_live(order, &mut |_| Go::On).unwrap_err().to_string();
        assert!(refused(&HeadroomOrder::default()).contains("--rig"));
        let unknown = HeadroomOrder { outputs: outputs(&["roof"]), ..order("saloon-adapter") };
        assert!(refused(&unknown).contains("front-left"));
    }
}
