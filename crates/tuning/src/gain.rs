//! Gain: the volts to turn each stage to, and which stage clips first.

use measure::Finding;
use serde::{Deserialize, Serialize};

/// What the gains are to be set for.
#[derive(Debug, Clone, PartialEq)]
pub struct GainInput {
    /// What the amplifier can deliver into its load.
    pub power_w: f64,
    /// That load.
    pub load_ohm: f64,
    /// The level of the tone that plays while the gain is set.
    pub tone_dbfs: f64,
    /// The RMS volts of the source for a full-scale tone at its clean step.
    pub source_v: f64,
    /// The RMS volts at which the source itself clips; absent to take its clean step for that.
    pub source_clip_v: Option<f64>,
    /// The RMS volts of a sine that fills the processor's input.
    pub processor_input_v: Option<f64>,
    /// The RMS volts of a sine that fills the processor's output.
    pub processor_output_v: Option<f64>,
    /// What the processor's channel adds at the loudest frequency: gain and bands together.
    pub processor_gain_db: f64,
    /// The RMS volts of the largest sine that the amplifier's input takes.
    pub amplifier_input_v: Option<f64>,
}

/// The volts to turn to, and every stage on the way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GainPlan {
    /// The amplifier's output at full power.
    pub full_power_v: f64,
    /// The level of the tone that is to be played.
    pub tone_dbfs: f64,
    /// What to turn the amplifier to with that tone, so that a full-scale peak just
    /// reaches full power.
    pub target_v: f64,
    /// What to turn it to with a peak allowance: the tone itself reaches full power, and a
    /// full-scale peak asks for more by as much as the tone lies below it.
    pub full_power_target_v: f64,
    /// What reaches the processor's input with that tone at the clean step.
    pub processor_input_target_v: f64,
    /// The gain that the amplifier then has, where what enters it is known.
    pub amplifier_gain_db: Option<f64>,
    /// From source to amplifier: level and limit for a full-scale peak.
    pub stages: Vec<GainStage>,
    /// The stage that clips first when the volume goes beyond the clean step.
    pub clips_first: String,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// One stage with a full-scale peak at the clean step, the amplifier set to `target_v`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GainStage {
    /// Its name.
    pub stage: String,
    /// The RMS volts there.
    pub level_v: f64,
    /// The RMS volts of the largest sine that stays clean there.
    pub clips_at_v: f64,
    /// What lies between.
    pub headroom_db: f64,
}

/// Numbers of which no gain can be computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{what} is {value}; expected {expected}")]
pub struct GainError {
    what: &'static str,
    value: f64,
    expected: &'static str,
}

/// Stages whose headroom differs by less clip together.
const TOGETHER_DB: f64 = 0.1;

/// Computes the target volts and the gain structure.
///
/// `V = √(P·R)` at full power; with a tone of `L` dB a full-scale peak reaches that when
/// the tone reads `V·10^(L/20)`. Headroom is `20·lg(limit/level)`.
///
/// # Errors
/// A number that cannot be.
///
/// References: Ohm's law. Accuracy: exact;
/// proven by `ohms_law` and `amplifier_gains`.
pub fn gain_plan(input: &GainInput) -> Result<GainPlan, GainError> {
    check(input)?;
    let full_power_v = (input.power_w * input.load_ohm).sqrt();
    let ratio = |db: f64| 10f64.powf(db / 20.0);
    let mut stages = vec![stage("source", input.source_v, input.source_clip_v.unwrap_or(input.source_v))];
    if let Some(clip_v) = input.processor_input_v {
        stages.push(stage("processor input", input.source_v, clip_v));
    }
    // A processor of unity gain when its two full scales are not known.
    let through = match (input.processor_input_v, input.processor_output_v) {
        (Some(input_v), Some(output_v)) => output_v / input_v,
        _ => 1.0,
    };
    let processed_v = input.source_v * through * ratio(input.processor_gain_db);
    if let Some(clip_v) = input.processor_output_v {
        stages.push(stage("processor output", processed_v, clip_v));
    }
    if let Some(clip_v) = input.amplifier_input_v {
        stages.push(stage("amplifier input", processed_v, clip_v));
    }
    stages.push(stage("amplifier output", full_power_v, full_power_v));
    let amplifier_gain_db = Some(20.0 * (full_power_v / processed_v).log10());
    let (clips_first, findings) = judge(input, &stages);
    Ok(GainPlan {
        full_power_v,
        tone_dbfs: input.tone_dbfs,
        target_v: full_power_v * ratio(input.tone_dbfs),
        full_power_target_v: full_power_v,
        processor_input_target_v: input.source_v * ratio(input.tone_dbfs),
        amplifier_gain_db,
        stages,
        clips_first,
        findings,
    })
}

fn stage(name: &str, level_v: f64, clips_at_v: f64) -> GainStage {
    let headroom_db = 20.0 * (clips_at_v / level_v).log10();
    // A rounding error of the logarithm is no headroom.
    let headroom_db = if headroom_db.abs() < 1e-9 { 0.0 } else { headroom_db };
    GainStage { stage: name.to_owned(), level_v, clips_at_v, headroom_db }
}

fn check(input: &GainInput) -> Result<(), GainError> {
    let volts = "a voltage between 0.01 and 300 V RMS";
    let checks = [
        ("the amplifier's power", Some(input.power_w), 0.1..=50_000.0, "0.1 to 50000 W"),
        ("the load", Some(input.load_ohm), 0.1..=64.0, "0.1 to 64 ohms"),
        ("the tone's level", Some(input.tone_dbfs), -40.0..=0.0, "−40 to 0 dBFS"),
        ("the source's voltage", Some(input.source_v), 0.01..=300.0, volts),
        ("the voltage at which the source clips", input.source_clip_v, 0.01..=300.0, volts),
        ("the processor's input limit", input.processor_input_v, 0.01..=300.0, volts),
        ("the processor's output limit", input.processor_output_v, 0.01..=300.0, volts),
        ("the processor's gain", Some(input.processor_gain_db), -60.0..=30.0, "−60 to 30 dB"),
        ("the amplifier's input limit", input.amplifier_input_v, 0.01..=300.0, volts),
    ];
    for (what, value, range, expected) in checks {
        if let Some(value) = value.filter(|value| !range.contains(value)) {
            return Err(GainError { what, value, expected });
        }
    }
    Ok(())
}

/// The first stage to clip, the first of several alike, and what is to be said.
fn judge(input: &GainInput, stages: &[GainStage]) -> (String, Vec<Finding>) {
    let least = stages.iter().map(|stage| stage.headroom_db).fold(f64::INFINITY, f64::min);
    let first = stages.iter().find(|stage| stage.headroom_db < least + TOGETHER_DB);
    let mut findings = Vec::new();
    for stage in stages.iter().filter(|stage| stage.headroom_db < -TOGETHER_DB) {
        let text = format!(
            "The {} already clips at the clean step: {:.2} V arrive and {:.2} V fit. Take {:.1} dB off ahead of it.",
            stage.stage, stage.level_v, stage.clips_at_v, -stage.headroom_db
        );
        findings.push(Finding::caution("stage-clips", text));
    }
    for stage in stages.iter().filter(|stage| stage.headroom_db > 6.0) {
        let text = format!(
            "The {} is driven {:.1} dB below its limit: that much of its signal-to-noise ratio is given away. Raise the \
             gain ahead of it, or lower its input range.",
            stage.stage, stage.headroom_db
        );
        findings.push(Finding::note("range-unused", text));
    }
    if input.processor_input_v.is_some() != input.processor_output_v.is_some() {
        let text =
            "Only one of the processor's two limits is known; it was taken to pass volts on unchanged.";
        findings.push(Finding::note("unity-assumed", text));
    }
    (first.map_or_else(String::new, |stage| stage.stage.clone()), findings)
}

/// Which way to turn, and how far.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Turn {
    /// What the meter reads now.
    pub now_v: f64,
    /// What it should read.
    pub target_v: f64,
    /// How much more is wanted; negative for less.
    pub turn_db: f64,
    /// Whether it is near enough: within 0.2 dB.
    pub done: bool,
    /// The same in words.
    pub text: String,
}

/// A gain control turned this near is right: 0.2 dB is 2.3 % of a voltage.
const NEAR_ENOUGH_DB: f64 = 0.2;

/// How far a gain control is still to be turned. Nothing is said about silence.
#[must_use]
pub fn turn_to(target_v: f64, now_v: f64) -> Option<Turn> {
    if !(now_v > 1e-4 && target_v > 0.0 && now_v.is_finite() && target_v.is_finite()) {
        return None;
    }
    let turn_db = 20.0 * (target_v / now_v).log10();
    let done = turn_db.abs() <= NEAR_ENOUGH_DB;
    let text = if done {
        "there: leave it".to_owned()
    } else {
        format!("turn {} by {:.1} dB", if turn_db > 0.0 { "up" } else { "down" }, turn_db.abs())
    };
    Some(Turn { now_v, target_v, turn_db, done, text })
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    fn input(power_w: f64, load_ohm: f64, source_v: f64) -> GainInput {
        GainInput {
            power_w,
            load_ohm,
            tone_dbfs: 0.0,
            source_v,
            source_clip_v: None,
            processor_input_v: None,
            processor_output_v: None,
            processor_gain_db: 0.0,
            amplifier_input_v: None,
        }
    }

    /// Source: Ohm's law, `V = √(P·R)`, tabled by an independent script.
    #[test]
    fn ohms_law() {
        for (power_w, volts) in [
            (5.0, [2.236_067_977, 3.162_277_660, 4.472_135_955, 6.324_555_320]),
            (18.0, [4.242_640_687, 6.0, 8.485_281_374, 12.0]),
            (50.0, [7.071_067_812, 10.0, 14.142_135_624, 20.0]),
            (100.0, [10.0, 14.142_135_624, 20.0, 28.284_271_247]),
        ] {
            for (load_ohm, volts) in [1.0, 2.0, 4.0, 8.0].into_iter().zip(volts) {
                let plan = gain_plan(&input(power_w, load_ohm, 2.0)).unwrap();
                near(&format!("{power_w} W into {load_ohm} ohms"), plan.full_power_v, volts, 1e-8);
            }
        }
        for (tone_dbfs, target_v) in
            [(0.0, 20.0), (-5.0, 11.246_826_503_806_982), (-10.0, 6.324_555_320_336_759)]
        {
            let plan = gain_plan(&GainInput { tone_dbfs, ..input(100.0, 4.0, 4.0) }).unwrap();
            near("target", plan.target_v, target_v, 1e-9);
            near("with the peak allowance", plan.full_power_target_v, 20.0, 1e-9);
            near("into the processor", plan.processor_input_target_v, target_v / 5.0, 1e-9);
        }
    }

    /// Source: arithmetic, by an independent script.
    #[test]
    fn amplifier_gains() {
        for (source_v, power_w, load_ohm, gain_db) in [
            (2.0, 100.0, 4.0, 20.0),
            (4.0, 100.0, 4.0, 13.979_400_086_720_377),
            (5.0, 500.0, 2.0, 16.020_599_913_279_62),
            (2.0, 500.0, 4.0, 26.989_700_043_360_187),
        ] {
            let plan = gain_plan(&input(power_w, load_ohm, source_v)).unwrap();
            near("gain", plan.amplifier_gain_db.unwrap(), gain_db, 1e-9);
        }
    }

    /// A source of 4 V into a processor whose input takes 4.5 V and whose output gives
    /// 3 V: 1.02 dB are left at both, and 6 dB of boost are 4.98 dB too many.
    #[test]
    fn the_stage_that_clips_first_is_named() {
        let mut given = GainInput {
            source_clip_v: Some(4.4),
            processor_input_v: Some(4.5),
            processor_output_v: Some(3.0),
            ..input(100.0, 4.0, 4.0)
        };
        let plan = gain_plan(&given).unwrap();
        let headroom: Vec<f64> = plan.stages.iter().map(|stage| stage.headroom_db).collect();
        for (got, wanted) in headroom.iter().zip([0.827_9, 1.023, 1.023, 0.0]) {
            near("headroom", *got, wanted, 1e-3);
        }
        assert_eq!(plan.clips_first, "amplifier output");
        assert!(plan.findings.is_empty(), "{:?}", plan.findings);
        given.processor_gain_db = 6.0;
        let plan = gain_plan(&given).unwrap();
        assert_eq!(plan.clips_first, "processor output");
        assert!(plan.findings.iter().any(|f| f.code == "stage-clips" && f.text.contains("5.0 dB")));
    }

    #[test]
    fn numbers_that_cannot_be_are_named() {
        let wrong = |input: GainInput| gain_plan(&input).unwrap_err().to_string();
        assert!(wrong(input(0.0, 4.0, 4.0)).contains("power"));
        assert!(wrong(input(100.0, f64::NAN, 4.0)).contains("load"));
        assert!(wrong(GainInput { tone_dbfs: 3.0, ..input(100.0, 4.0, 4.0) }).contains("−40 to 0"));
        assert!(
            wrong(GainInput { processor_input_v: Some(0.0), ..input(100.0, 4.0, 4.0) })
                .contains("input limit")
        );
    }

    #[test]
    fn the_meter_says_which_way_to_turn() {
        let up = turn_to(20.0, 10.0).unwrap();
        near("up", up.turn_db, 6.020_6, 1e-4);
        assert_eq!((up.done, up.text.as_str()), (false, "turn up by 6.0 dB"));
        assert_eq!(turn_to(20.0, 25.0).unwrap().text, "turn down by 1.9 dB");
        assert!(turn_to(20.0, 20.3).unwrap().done);
        assert_eq!(turn_to(20.0, 0.0), None);
        assert_eq!(turn_to(20.0, f64::NAN), None);
    }
}
