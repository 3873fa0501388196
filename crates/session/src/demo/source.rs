//! Source and Gain: the clean limit of every output, and the volts there.

use cabin::{Car, Output};
use engine::InputRole;
use host::Registry;
use job::{SourceOutput, Stage};
use measure::{ParameterValue, Reading, Segment, Signal, Stimulus};
use units::Volts;

use super::Demo;
use crate::take::{self, Plan, Until};
use crate::{Error, Result};

/// How long each volume step is held.
const HOLD_S: f64 = 0.6;

/// How many steps from the top are tried.
const STEPS: u32 = 18;

/// The peak of a tone that is meant to reach full scale, less what keeps dither
/// from passing it.
const FULL_SCALE_DBFS: f64 = -0.01;

/// The amplifier of the example: 100 W into 4 Ω, and the moderate overlap
/// (common practice, no source).
const AMPLIFIER: (f64, f64, f64) = (100.0, 4.0, -5.0);

impl Demo<'_> {
    /// Finds the highest step at which every output is clean.
    pub(super) fn source(&mut self, car: &Car) -> Result<u32> {
        let mut found: Vec<SourceOutput> = Vec::new();
        for (number, output) in car.radio.outputs.iter().enumerate() {
            (self.progress)("Source", number as f64 / car.radio.outputs.len() as f64);
            let reading = self.ladder(car, output)?;
            let value = |name: &str| reading.values.get(name).copied();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a small step number"
            )]
            found.push(SourceOutput {
                name: output.name.clone(),
                clean_step: value("clean_step").map(|step| step as u32),
                volts_rms: value("clean_level_v"),
            });
        }
        let limit = found
            .iter()
            .filter_map(|output| Some((output.clean_step?, output.name.clone())))
            .min()
            .ok_or_else(|| Error::measurement("no output of the source showed a clean step"))?;
        let (clean_step, limited_by) = limit;
        let volts = found.iter().find(|output| output.name == limited_by).and_then(|output| output.volts_rms);
        let line = format!("clean to step {clean_step} · {:.2} V at {limited_by}", volts.unwrap_or(0.0));
        self.result(Stage::Source, "Source", &line)?;
        for output in &found {
            let step = output.clean_step.map_or_else(|| "unknown".to_owned(), |step| step.to_string());
            self.detail(&format!("{:12} clean to step {step}", output.name));
        }
        self.job.edit(|data| {
            data.source.clean_step = Some(clean_step);
            data.source.limited_by = limited_by;
            data.source.outputs = found;
        })?;
        Ok(clean_step)
    }

    /// Climbs the volume steps of one output under its test tone.
    fn ladder(&mut self, car: &Car, output: &Output) -> Result<Reading> {
        let last = car.radio.last_step();
        let first = last.saturating_sub(STEPS).max(1);
        let length_s = f64::from(last - first + 1) * HOLD_S;
        let registry = Registry::built_in();
        let manifest = registry.manifest("headroom").map_err(|unknown| Error::input(unknown.to_string()))?;
        let mut parameters = manifest.defaults();
        parameters.set("first_step", ParameterValue::Number(f64::from(first)));
        let tone = Signal::Sine { frequency_hz: output.test_tone_hz };
        let plan = Plan {
            measurement: "headroom".to_owned(),
            parameters,
            stimulus: Some(Stimulus {
                name: format!("tone {} Hz", output.test_tone_hz),
                segments: vec![Segment::of(tone, length_s, FULL_SCALE_DBFS, 0.02)],
            }),
            peak_dbfs: None,
            until: Until::Played,
            input: self.bench.input(InputRole::Electrical).unwrap_or(0),
            reference: None,
            label: format!("Headroom of {}", output.name),
            set: None,
            stage: Stage::Source,
            position: output.name.clone(),
        };
        self.bench.set(|setup| {
            setup.tap_output.clone_from(&output.name);
            setup.volume_step = first;
        })?;
        let mut step = first;
        let taken = take::take(&plan, &mut self.bench, Some(&mut self.job), None, &mut |take, bench| {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a small step number"
            )]
            let due = (first + (take.elapsed_s() / HOLD_S) as u32).min(last);
            if due != step {
                step = due;
                bench.set(|setup| setup.volume_step = step)?;
            }
            Ok(())
        })?;
        match taken.reading.stopped() {
            Some(finding) => Err(finding.into()),
            None => Ok(taken.reading),
        }
    }

    /// What the clean step means for the amplifier.
    pub(super) fn gain(&mut self, car: &Car) -> Result<()> {
        let (power_w, load_ohm, overlap_db) = AMPLIFIER;
        let full = Volts::for_power(power_w, load_ohm);
        let target = Volts(full.0 * units::amplitude_from_db(overlap_db));
        let line = format!(
            "set the amplifier for {:.2} V: {power_w:.0} W into {load_ohm:.0} ohms is {:.2} V, with {overlap_db:.0} dB overlap",
            target.0, full.0
        );
        self.result(Stage::Gain, "Gain", &line)?;
        let clipping = car.processor.input_full_scale_v;
        self.detail(&format!("the processor's inputs reach full scale at {clipping:.1} V peak"));
        Ok(())
    }
}
