//! Electrical calibration: a tone, a meter, and the rig file that remembers.

use std::fmt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use host::Registry;
use job::Stage;
use library::{Error, Result};
use measure::{Finding, Reading, Segment, Signal, Stimulus};
use rig::{electrical_input, read_spec, write_calibration};
use serde::Serialize;
use tuning::{HeardTone, VoltsCalibration};
use units::quantity::{decimals, spoken};

use crate::capture::WAIT;
use crate::capture_run::{CaptureRun, Pumped};
use crate::session::{Session, Store};
use crate::{Analysis, Instruction, Plan, Recorded, Until, analyze};

/// How often the live level is told.
const TELL_EVERY: Duration = Duration::from_millis(50);

/// How long a tone must sound before it can be read.
const SHORTEST_S: f64 = 1.0;

/// The tone that an input is calibrated with.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibrateOrder {
    /// The input's name; by default the only electrical one.
    pub input: Option<String>,
    /// The tone's frequency.
    pub frequency_hz: f64,
    /// How loud it is played; nothing is played without, for a source that plays itself.
    pub play_dbfs: Option<f64>,
    /// How long it sounds, where the meter's reading is known already; else until the person gives it
    /// ([`Instruction::Meter`]), or says that it is enough ([`Instruction::Continue`]).
    pub seconds: Option<f64>,
}

/// The tone as an input heard it, and which input that was.
#[derive(Debug, Clone, PartialEq)]
pub struct HeardInput {
    /// The tone.
    pub tone: HeardTone,
    /// The input's name; empty for a recording without a rig.
    pub input: String,
    /// What it was calibrated to before.
    pub before: Option<f64>,
    /// What the person read from the meter meanwhile.
    pub meter_v: Option<f64>,
    /// What the meter would read in a simulated car, for trying this out.
    pub simulated_meter_v: Option<f64>,
}

/// A calibration that was made, and where it is kept.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VoltsCalibrated {
    /// The input.
    pub input: String,
    /// The voltage, ahead of any attenuator, of a sample value of 1.0.
    pub volts_per_fs: f64,
    /// The largest sine that the input takes, RMS.
    pub largest_sine_v_rms: f64,
    /// The attenuator that is part of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub attenuator_db: Option<f64>,
    /// The day.
    pub calibrated_on: String,
    /// The rig file that was written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rig: Option<PathBuf>,
    /// Remarks.
    pub findings: Vec<Finding>,
}

/// The tone in a recording of an input, by its channel from 0.
///
/// # Errors
/// When something that was given cannot be used, or no steady tone was found.
pub fn recorded_tone(
    rig: Option<&Path>,
    input: Option<&str>,
    recording: &Path,
    channel: usize,
) -> Result<HeardInput> {
    let (input, before) = match rig {
        Some(rig) => {
            let spec = read_spec(rig)?;
            let index = electrical_input(&spec, input)?;
            (spec.inputs[index].name.clone(), spec.inputs[index].volts_per_fs)
        }
        None => (input.unwrap_or_default().to_owned(), None),
    };
    let read = |id: &str| {
        analyze(&Analysis {
            id: id.to_owned(),
            recording: recording.to_owned(),
            recorded: Recorded::on(channel),
            ..Analysis::default()
        })
    };
    let tone = heard_tone(&read("tone")?)?;
    let peak_dbfs = read("level")?.values.get("peak_dbfs").copied().unwrap_or(0.0);
    Ok(HeardInput {
        tone: HeardTone { peak_dbfs, ..tone },
        input,
        before,
        meter_v: None,
        simulated_meter_v: None,
    })
}

/// Plays the tone, or lets the source play it, and reads it at an input, until the person gives what the
/// meter shows; five minutes at the most.
///
/// # Errors
/// When something that was given cannot be used, the rig refuses, or no steady tone was found.
pub fn calibration_tone(session: &mut Session<'_>, order: &CalibrateOrder) -> Result<HeardInput> {
    check_frequency(order.frequency_hz)?;
    let input = session.rig.electrical_input(order.input.as_deref())?;
    let registry = Registry::built_in();
    let manifest = registry.manifest("tone").map_err(|unknown| Error::input(unknown.to_string()))?;
    let signal = Signal::Sine { frequency_hz: order.frequency_hz };
    let stimulus = order.play_dbfs.map(|peak_dbfs| Stimulus {
        name: format!("tone {} Hz", order.frequency_hz),
        segments: vec![Segment::of(signal, 10.0, peak_dbfs, 0.0)],
    });
    let plan = Plan {
        stimulus,
        until: Until::Told,
        label: "Calibration in volts".to_owned(),
        ..Plan::of(manifest, Stage::Source, input)
    };
    let mut run = CaptureRun::begin(&plan, session.rig, &Store::Nowhere, Some(session.token.clone()))?;
    let mut ticker = session.ticker(TELL_EVERY);
    let (mut peak, mut meter_v, mut enough) = (0.0f64, None, false);
    while run.pump(WAIT) != Pumped::Over {
        peak = run.meters().get(input).map_or(peak, |meter| peak.max(meter.peak));
        if ticker.is_due(run.elapsed_s()) {
            session.tell(&mut run, &plan.label);
        }
        let (instruction, alone) = session.next_instruction();
        match instruction {
            Some(Instruction::Meter(volts)) => (meter_v, enough) = (Some(volts), true),
            Some(Instruction::Continue | Instruction::Skip) => enough = true,
            _ => enough |= alone && order.seconds.is_none(),
        }
        let least_s = order.seconds.unwrap_or(SHORTEST_S);
        let over = order.seconds.is_some() || enough;
        if (over && run.elapsed_s() >= least_s) || run.elapsed_s() > LONGEST_S {
            run.finish();
        }
    }
    let spec = session.rig.spec().inputs[input].clone();
    let reading = run.end().compute().remove(0).reading;
    let tone = heard_tone(&reading)?;
    let tone = HeardTone { peak_dbfs: units::LevelDbfs::from_peak(peak).0, ..tone };
    let simulated_meter_v = session
        .rig
        .car()
        .and(spec.volts_per_fs)
        .map(|volts| volts / std::f64::consts::SQRT_2 * units::amplitude_from_db(tone.rms_dbfs));
    Ok(HeardInput { tone, input: spec.name, before: spec.volts_per_fs, meter_v, simulated_meter_v })
}

fn check_frequency(frequency_hz: f64) -> Result<()> {
    if (20.0..=20_000.0).contains(&frequency_hz) {
        return Ok(());
    }
    Err(Error::input(format!("a tone of {frequency_hz} Hz; expected 20 to 20000 Hz, usually 1000")))
}

/// The longest that a tone is heard.
const LONGEST_S: f64 = 300.0;

/// What a `tone` reading found, as a calibration takes it.
///
/// # Errors
/// When it has no result.
pub fn heard_tone(reading: &Reading) -> Result<HeardTone> {
    if let Some(stop) = reading.stopped() {
        return Err(stop.into());
    }
    let value = |name: &str| reading.values.get(name).copied().unwrap_or(f64::NAN);
    Ok(HeardTone {
        frequency_hz: value("frequency_hz"),
        rms_dbfs: value("rms_dbfs"),
        thd_n_percent: value("thd_n_percent"),
        peak_dbfs: value("rms_dbfs"),
    })
}

/// Computes the calibration from what the meter shows, and writes it into the rig file with what
/// lies between the meter's point and the input.
///
/// # Errors
/// When the meter's reading makes no sense with what was heard, or the file cannot be
/// written.
pub fn calibrate_volts(
    rig: Option<&Path>,
    attenuator_db: Option<f64>,
    heard: &HeardInput,
    meter_v_rms: f64,
) -> Result<VoltsCalibrated> {
    let VoltsCalibration { volts_per_fs, largest_sine_v_rms, findings } =
        VoltsCalibration::from_meter(&heard.tone, meter_v_rms, heard.before)
            .map_err(|refusal| Error::input(refusal.to_string()))?;
    let calibrated_on = today();
    // Seven digits are more than any meter has.
    let volts_per_fs = rounded(volts_per_fs);
    if let Some(path) = rig {
        let change = engine::InputCalibration {
            input: heard.input.clone(),
            volts_per_fs,
            attenuator_db,
            calibrated_on: calibrated_on.clone(),
        };
        write_calibration(path, &change)?;
    }
    Ok(VoltsCalibrated {
        input: heard.input.clone(),
        volts_per_fs,
        largest_sine_v_rms,
        attenuator_db,
        calibrated_on,
        rig: rig.map(Path::to_owned),
        findings,
    })
}

/// The day, as a person at this place has it.
pub(super) fn today() -> String {
    jiff::Timestamp::now().to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%Y-%m-%d").to_string()
}

/// A number to seven significant digits.
pub(super) fn rounded(value: f64) -> f64 {
    format!("{value:.6e}").parse().unwrap_or(value)
}

impl fmt::Display for VoltsCalibrated {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "Full scale    {} V for a sample value of 1.0", decimals(self.volts_per_fs, 4))?;
        writeln!(
            f,
            "Largest sine  {} RMS before this input clips",
            spoken("v", self.largest_sine_v_rms).value
        )?;
        if let Some(loss) = self.attenuator_db {
            writeln!(f, "Attenuator    {} dB, included", decimals(loss, 2))?;
        }
        match &self.rig {
            Some(rig) => {
                writeln!(f, "Written to    {}, input `{}`, {}", rig.display(), self.input, self.calibrated_on)
            }
            None => writeln!(
                f,
                "Not written: give --rig FILE to keep it, or --volts-per-fs {:.6} to use it",
                self.volts_per_fs
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use rig::RigSpec;
    use testkit::near;

    use super::*;
    use crate::testing::Trial;

    fn order() -> CalibrateOrder {
        CalibrateOrder { input: None, frequency_hz: 1_000.0, play_dbfs: Some(-12.0), seconds: Some(2.0) }
    }

    /// The simulated tap's own scale comes back from what a meter would read there.
    #[test]
    fn the_simulated_tap_is_calibrated_to_its_truth() {
        let heard = Trial::car("straight-wire").run(|session| calibration_tone(session, &order())).unwrap();
        let meter = heard.simulated_meter_v.unwrap();
        let calibrated = calibrate_volts(None, None, &heard, meter).unwrap();
        near("volts per full scale", calibrated.volts_per_fs, heard.before.unwrap(), 1e-3);
        assert!(calibrated.findings.is_empty(), "{:?}", calibrated.findings);
    }

    #[test]
    fn the_tone_ends_when_the_meter_was_read() {
        let mut trial = Trial::car("straight-wire");
        trial.say(Instruction::Meter(2.05));
        let order = CalibrateOrder { seconds: None, ..order() };
        let heard = trial.run(|session| calibration_tone(session, &order)).unwrap();
        assert_eq!(heard.meter_v, Some(2.05));
        let wrong = CalibrateOrder { frequency_hz: 2.0, ..order };
        let refused = trial.run(|session| calibration_tone(session, &wrong)).unwrap_err();
        assert!(refused.to_string().contains("20 to 20000 Hz"), "{refused}");
    }

    #[test]
    fn the_rig_file_keeps_everything_else() {
        let folder = tempfile::tempdir().unwrap();
        let (rig, wav) = (folder.path().join("rig.toml"), folder.path().join("tone.wav"));
        let before = "# My rig.\nname = \"Bench\"\n\n[[input]] # the red cable\nchannel = 1\nname = \"tap\"\nrole = \"electrical\"\n";
        std::fs::write(&rig, before).unwrap();
        let samples = (0..96_000)
            .map(|n| (0.25 * (2.0 * std::f64::consts::PI * 1_000.0 * f64::from(n) / 48_000.0).sin()) as f32)
            .collect();
        recording::write_wav(&wav, &recording::Audio::new(48_000, vec![samples]), recording::Depth::Int24, 1)
            .unwrap();
        let heard = recorded_tone(Some(&rig), None, &wav, 0).unwrap();
        assert_eq!((heard.input.as_str(), heard.before), ("tap", None));
        let calibrated = calibrate_volts(Some(&rig), Some(20.0), &heard, 5.0).unwrap();
        // A peak of 0.25 is 5 V RMS: full scale is 20·√2 V.
        near("volts per full scale", calibrated.volts_per_fs, 20.0 * 2f64.sqrt(), 1e-3);
        let after = std::fs::read_to_string(&rig).unwrap();
        assert!(after.contains("# My rig.") && after.contains("# the red cable"), "{after}");
        let spec = RigSpec::parse(&after, "rig.toml").unwrap();
        assert_eq!(spec.inputs[0].volts_per_fs, Some(calibrated.volts_per_fs));
        assert_eq!(spec.inputs[0].attenuator_db, Some(20.0));
        assert_eq!(spec.inputs[0].calibrated_on.as_deref(), Some(calibrated.calibrated_on.as_str()));
        // Nonsense leaves the file as it was.
        let message = calibrate_volts(Some(&rig), None, &heard, 0.0).unwrap_err().to_string();
        assert!(message.contains("AC volts"), "{message}");
        assert_eq!(std::fs::read_to_string(&rig).unwrap(), after);
    }
}
