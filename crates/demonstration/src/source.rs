//! Source and Gain: the clean limit over all outputs, the tone and the noise there, what rattles,
//! and the volts to turn to.

use cabin::Car;
use job::Stage;
use procedure::{NoiseOrder, ToneOrder, VolumeSweep, rattle, source_noise, source_tone, spots, volume_sweep};
use tuning::GainInput;
use units::quantity::{decibels, decimals, hertz};

use super::working::Demo;
use library::{Error, Result};

/// The amplifier of the example: 100 W into 4 Ω, its gain set with the tone of −5 dBFS
/// (common practice, no source).
const AMPLIFIER: (f64, f64, f64) = (100.0, 4.0, -5.0);

impl Demo<'_> {
    /// Finds the highest step at which every output is clean, the tone and the noise there.
    pub(super) fn source(&mut self) -> Result<u32> {
        let verdict = self.run(|session| volume_sweep(session, &VolumeSweep::default()))?;
        let clean_step = verdict.limit.clean_step.and_then(|step| u32::try_from(step).ok());
        let clean_step =
            clean_step.ok_or_else(|| Error::measurement("no output of the source showed a clean step"))?;
        let limiting =
            verdict.limit.limited_by.first().or(verdict.limit.outputs.first().map(|one| &one.output));
        let limiting = limiting.cloned().unwrap_or_default();
        let volts = |name: &str| {
            verdict.limit.outputs.iter().find(|one| one.output == name).and_then(|one| one.level_v)
        };
        let clean_v = volts(&limiting);
        let line = format!("clean to step {clean_step} · {:.2} V at {limiting}", clean_v.unwrap_or(0.0));
        self.result(Stage::Source, "Source", &line)?;
        for output in &verdict.limit.outputs {
            let own = output.clean_step.map_or_else(|| "unknown".to_owned(), |step| step.to_string());
            let level = output
                .level_v
                .map_or_else(String::new, |volts| format!(", {volts:.2} V at step {clean_step}"));
            self.detail(&format!("{:12} clean to step {own}{level}", output.output));
        }
        self.tone(&limiting, clean_step)?;
        self.noise(clean_step, clean_v)?;
        self.rattle(clean_step)?;
        Ok(clean_step)
    }

    /// The tone of the limiting output at a low, a usual and the clean step.
    fn tone(&mut self, output: &str, clean_step: u32) -> Result<()> {
        let steps = [clean_step * 2 / 5, clean_step * 3 / 4, clean_step].map(|step| i64::from(step.max(1)));
        let order =
            ToneOrder { outputs: vec![output.to_owned()], steps: steps.to_vec(), ..ToneOrder::default() };
        let report = self.run(|session| source_tone(session, &order))?;
        for tone in &report.outputs {
            self.detail(&format!("tone of {output}: flat within ±{:.1} dB", tone.shape.flatness_db));
        }
        for finding in report.findings.iter().filter(|finding| finding.code == "tone-follows-volume") {
            self.detail(&finding.text);
        }
        Ok(())
    }

    /// The noise of the tap with the engine off, idling and faster.
    fn noise(&mut self, clean_step: u32, clean_v: Option<f64>) -> Result<()> {
        let order = NoiseOrder { volume_step: Some(clean_step), clean_v, ..NoiseOrder::default() };
        let report = self.run(|session| source_noise(session, &order))?;
        if let Some(off) = report.recordings.first()
            && let Some(snr) = off.snr_a_db
        {
            self.detail(&format!("signal to noise {snr:.0} dB(A) at the clean step, engine off"));
        }
        for lines in &report.engine {
            let named: Vec<String> = lines.moving.iter().map(|line| hertz(line.second_hz)).collect();
            self.detail(&format!("whine that follows the engine: {} at {}", named.join(", "), lines.second));
        }
        Ok(())
    }

    /// Sweeps the cabin at the clean step for panels that buzz.
    fn rattle(&mut self, clean_step: u32) -> Result<()> {
        let captured = self.run(|session| rattle(session, "driver's seat", Some(clean_step)))?;
        let found = captured.map_or_else(Vec::new, |captured| spots(&captured.reading));
        for spot in &found {
            self.detail(&format!(
                "something buzzes between {} and {}, {:.0} dB below the sweep",
                hertz(spot.from_hz),
                hertz(spot.to_hz),
                -spot.level_db
            ));
        }
        if found.is_empty() {
            self.detail("no panel buzzes");
        }
        Ok(())
    }

    /// What the clean step means for the amplifier, and which stage clips first.
    pub(super) fn gain(&mut self, car: &Car) -> Result<()> {
        let (power_w, load_ohm, tone_dbfs) = AMPLIFIER;
        let source = &self.job.job().data().source;
        let volts = source
            .outputs
            .iter()
            .find(|output| output.name == source.limited_by)
            .and_then(|one| one.volts_rms);
        let rms = |peak_v: f64| peak_v / std::f64::consts::SQRT_2;
        let input = GainInput {
            power_w,
            load_ohm,
            tone_dbfs,
            source_v: volts.ok_or_else(|| Error::measurement("the source's volts are not known"))?,
            source_clip_v: None,
            processor_input_v: Some(rms(car.processor.input_full_scale_v)),
            processor_output_v: Some(rms(car.processor.output_full_scale_v)),
            processor_gain_db: 0.0,
            amplifier_input_v: None,
        };
        let plan = tuning::gain_plan(&input).map_err(|error| Error::input(error.to_string()))?;
        let line = format!(
            "{:.2} V at the amplifier with a tone of {} dBFS; {power_w:.0} W into {load_ohm:.0} ohms is {:.2} V",
            plan.target_v,
            decimals(tone_dbfs, 0),
            plan.full_power_v
        );
        self.result(Stage::Gain, "Gain", &line)?;
        for stage in &plan.stages {
            let first = if stage.stage == plan.clips_first { ", clips first" } else { "" };
            self.detail(&format!(
                "{:17} {:6.2} V of {:6.2} V, headroom {}{first}",
                stage.stage,
                stage.level_v,
                stage.clips_at_v,
                decibels(stage.headroom_db)
            ));
        }
        Ok(())
    }
}
