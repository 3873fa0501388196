//! Gain: the volts to turn to, the stages on the way, and the live meter.

use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

use host::Registry;
use job::{Job, Stage};
use library::{Error, Result};
use measure::{Segment, Signal, Stimulus};
use rig::Scene;
use serde::Serialize;
use tuning::{GainInput, GainPlan, Turn, gain_plan, turn_to};
use units::quantity::{decimals, meter_volts as volts, sentence};

use crate::capture::WAIT;
use crate::capture_run::{CaptureRun, Pumped};
use crate::session::{Session, Store};
use crate::{Instruction, Plan, Until};

/// What the gains are set for.
#[derive(Debug, Clone, PartialEq)]
pub struct GainOrder {
    /// What is known of the stages; the source's volts are those of the job where one is given.
    pub input: GainInput,
    /// The job whose source was measured.
    pub job: Option<PathBuf>,
    /// Which of its outputs feeds the processor; by default the one that limits it.
    pub output: Option<String>,
}

/// The plan, and where the source's volts come from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GainReport {
    /// The plan.
    #[serde(flatten)]
    pub plan: GainPlan,
    /// The source's RMS volts for a full-scale tone at its clean step.
    pub source_v: f64,
    /// The source's clean step, where the job knows it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clean_step: Option<u32>,
}

/// Computes the volts to turn to and the gain structure.
///
/// # Errors
/// When a number cannot be, or the job has no volts.
pub fn gain(order: &GainOrder) -> Result<GainReport> {
    let mut input = order.input.clone();
    let mut clean_step = None;
    if let Some(dir) = &order.job {
        let job = Job::open_to_read(dir)?;
        let source = &job.data().source;
        clean_step = source.clean_step;
        let wanted = order.output.as_deref().unwrap_or(&source.limited_by);
        let output = source.outputs.iter().find(|output| output.name == wanted);
        input.source_v = output.and_then(|output| output.volts_rms).ok_or_else(|| {
            let names: Vec<&str> = source.outputs.iter().map(|output| output.name.as_str()).collect();
            Error::input(if names.is_empty() {
                format!(
                    "{}: the source was not measured yet; run `headrest source headroom --job {}` first, or give \
                     --source-v",
                    dir.display(),
                    dir.display()
                )
            } else {
                format!(
                    "{}: no volts are known for the output `{wanted}` (there are {}); calibrate the input in volts and \
                     measure again, or give --source-v",
                    dir.display(),
                    names.join(", ")
                )
            })
        })?;
    }
    let plan = gain_plan(&input).map_err(|error| Error::input(error.to_string()))?;
    Ok(GainReport { plan, source_v: input.source_v, clean_step })
}

impl fmt::Display for GainReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let plan = &self.plan;
        let step = self.clean_step.map_or_else(String::new, |step| format!(", {step}"));
        writeln!(
            f,
            "Play the tone ({} dBFS) with the radio at its highest clean step{step}.",
            decimals(plan.tone_dbfs, 1)
        )?;
        writeln!(
            f,
            "Amplifier output    {:>9}   full-scale peaks just reach full power",
            volts(plan.target_v)
        )?;
        if plan.tone_dbfs < 0.0 {
            writeln!(
                f,
                "  peak allowance    {:>9}   the tone itself reaches full power; what is louder clips",
                volts(plan.full_power_target_v)
            )?;
        }
        writeln!(f, "Processor input     {:>9}   with this tone", volts(plan.processor_input_target_v))?;
        if let Some(gain_db) = plan.amplifier_gain_db {
            writeln!(f, "Amplifier gain      {:>9}", format!("{} dB", decimals(gain_db, 1)))?;
        }
        writeln!(f, "\n{:18}  {:>9}  {:>9}  {:>8}", "Full-scale peak", "level", "clips at", "headroom")?;
        for stage in &plan.stages {
            let first = if stage.stage == plan.clips_first { "  clips first" } else { "" };
            writeln!(
                f,
                "{:18}  {:>9}  {:>9}  {:>8}{first}",
                sentence(&stage.stage),
                volts(stage.level_v),
                volts(stage.clips_at_v),
                format!("{} dB", decimals(stage.headroom_db, 1))
            )?;
        }
        Ok(())
    }
}

/// What the live meter watches.
#[derive(Debug, Clone, PartialEq)]
pub struct GainMeter {
    /// The input that is connected to what is turned; by default the electrical one.
    pub input: Option<String>,
    /// What it should read.
    pub target_v: f64,
    /// The tone that is played, and its frequency; nothing for a source that plays itself.
    pub play: Option<(f64, f64)>,
    /// The volume step of a simulated car; by default its highest clean one.
    pub volume_step: Option<u32>,
}

/// How often the meter is told.
const TELL_EVERY: Duration = Duration::from_millis(50);

/// Shows live how far a gain is still to be turned, until the person says that it is done
/// ([`Instruction::Continue`]). Gives what was read last. Nothing is kept: it is no measurement.
///
/// # Errors
/// When something that was given cannot be used, the input is not calibrated in volts, or
/// the rig refuses.
pub fn gain_meter(
    session: &mut Session<'_>,
    order: &GainMeter,
    on_turn: &mut dyn FnMut(Option<&Turn>),
) -> Result<Option<Turn>> {
    /// Where nobody turns anything, one settled reading is all there is to see.
    const LOOKS_ALONE: u32 = 25;
    let input = session.rig.electrical_input(order.input.as_deref())?;
    let Some(volts_per_fs) = session.rig.calibration(input).volts_per_fs else {
        return Err(Error::input(format!(
            "the input `{}` is not calibrated in volts; run `headrest calibrate volts` with this rig first",
            session.rig.spec().inputs[input].name
        )));
    };
    if let Some(simulated) = session.rig.car() {
        let step = order.volume_step.unwrap_or(simulated.truth.clean_step);
        session.rig.set_scene(&Scene { volume_step: Some(step), ..Scene::default() })?;
    }
    let registry = Registry::built_in();
    let manifest = registry.manifest("level").map_err(|unknown| Error::input(unknown.to_string()))?;
    let stimulus = order.play.map(|(frequency_hz, peak_dbfs)| Stimulus {
        name: format!("tone {frequency_hz} Hz"),
        segments: vec![Segment::of(Signal::Sine { frequency_hz }, 10.0, peak_dbfs, 0.0)],
    });
    let plan = Plan {
        stimulus,
        until: Until::Told,
        label: "Gain".to_owned(),
        ..Plan::of(manifest, Stage::Gain, input)
    };
    let mut run = CaptureRun::begin(&plan, session.rig, &Store::Nowhere, Some(session.token.clone()))?;
    let mut ticker = session.ticker(TELL_EVERY);
    let (mut last, mut looks) = (None, 0);
    while run.pump(WAIT) != Pumped::Over {
        let (instruction, alone) = session.next_instruction();
        if ticker.is_due(run.elapsed_s()) {
            let rms = run.meters().get(input).map_or(0.0, |meter| meter.rms);
            let turn = turn_to(order.target_v, volts_per_fs * rms);
            on_turn(turn.as_ref());
            session.tell(&mut run, &plan.label);
            last = turn.or(last);
            looks += 1;
        }
        if matches!(instruction, Some(Instruction::Continue | Instruction::Skip))
            || (alone && looks >= LOOKS_ALONE)
        {
            run.finish();
        }
    }
    drop(run.end());
    Ok(last)
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::testing::Trial;

    /// The tap of the simulated adapter at its clean step: about 4.3 V with the tone at
    /// full scale, so that a target of 5 V is 1.3 dB away.
    #[test]
    fn the_live_meter_says_how_far_to_turn() {
        let order = GainMeter { input: None, target_v: 5.0, play: Some((1_000.0, -0.01)), volume_step: None };
        let mut seen = 0;
        // Nobody is there to say that it is done.
        let last = Trial::car("saloon-adapter")
            .run(|session| gain_meter(session, &order, &mut |turn| seen += usize::from(turn.is_some())))
            .unwrap();
        let car = cabin::Car::preset("saloon-adapter").unwrap();
        let volts = car.truth().outputs[0].volts_at_cars_clean_step;
        let last = last.unwrap();
        assert!(seen >= 20, "{seen} looks");
        near("volts", last.now_v, volts, 0.01 * volts);
        near("turn", last.turn_db, 20.0 * (5.0 / volts).log10(), 0.1);
        assert!(last.text.starts_with("turn up by"), "{}", last.text);
    }
}
