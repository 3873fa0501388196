//! Electrical calibration: a tone, a meter, and the rig file that remembers.

use std::fmt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use engine::Pace;
use host::Registry;
use job::Stage;
use measure::{Finding, Reading, Segment, Signal, Stimulus};
use serde::Serialize;
use tuning::{HeardTone, VoltsCalibration};

use super::Go;
use crate::take::{Plan, Pumped, Take, Until};
use crate::{Analysis, Error, Recorded, Result, analyze};
use rig::{OpenRig, RigChoice, electrical_input, read_spec, write_calibration};

/// How often the live level is told.
const TELL_EVERY: Duration = Duration::from_millis(50);

/// What is calibrated, and with what.
#[derive(Debug, Clone, PartialEq)]
pub struct VoltsOrder {
    /// The rig file whose input is calibrated, and which then holds the result.
    pub rig: Option<PathBuf>,
    /// A simulated car's name or file instead; nothing is written.
    pub simulated: Option<String>,
    /// The input's name; by default the only electrical one.
    pub input: Option<String>,
    /// A recording of the tone through that input, instead of hearing it now, and its
    /// channel from 0.
    pub recording: Option<(PathBuf, usize)>,
    /// The tone's frequency.
    pub frequency_hz: f64,
    /// How loud it is played; nothing is played without, for a source that plays itself.
    pub play_dbfs: Option<f64>,
    /// Whether a simulated car runs by the clock.
    pub real_time: bool,
}

/// What the input hears at the moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneNow {
    /// Since the tone began.
    pub elapsed_s: f64,
    /// Its level.
    pub rms_dbfs: f64,
    /// The highest sample.
    pub peak_dbfs: f64,
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

/// Hears the tone: from the recording, or through the rig until `told` says stop (or, when
/// it never does, for five minutes).
///
/// # Errors
/// When something that was given cannot be used, or no steady tone was heard.
pub fn hear_tone(order: &VoltsOrder, told: &mut dyn FnMut(&ToneNow) -> Go) -> Result<HeardInput> {
    if !(20.0..=20_000.0).contains(&order.frequency_hz) {
        return Err(Error::input(format!(
            "a tone of {} Hz; expected 20 to 20000 Hz, usually 1000",
            order.frequency_hz
        )));
    }
    match &order.recording {
        Some((path, channel)) => from_recording(order, path, *channel),
        None => from_rig(order, told),
    }
}

fn from_recording(order: &VoltsOrder, path: &Path, channel: usize) -> Result<HeardInput> {
    let (input, before) = match &order.rig {
        Some(rig) => {
            let spec = read_spec(rig)?;
            let index = electrical_input(&spec, order.input.as_deref())?;
            (spec.inputs[index].name.clone(), spec.inputs[index].volts_per_fs)
        }
        None => (order.input.clone().unwrap_or_default(), None),
    };
    let read = |id: &str| {
        analyze(&Analysis {
            id: id.to_owned(),
            recording: path.to_owned(),
            recorded: Recorded::on(channel),
            ..Analysis::default()
        })
    };
    let tone = heard_tone(&read("tone")?)?;
    let peak_dbfs = read("level")?.values.get("peak_dbfs").copied().unwrap_or(0.0);
    Ok(HeardInput { tone: HeardTone { peak_dbfs, ..tone }, input, before, simulated_meter_v: None })
}

fn from_rig(order: &VoltsOrder, told: &mut dyn FnMut(&ToneNow) -> Go) -> Result<HeardInput> {
    let pace = if order.real_time { Pace::RealTime } else { Pace::AsFastAsPossible };
    let mut bench = match RigChoice::of(order.rig.clone(), order.simulated.clone(), pace) {
        RigChoice::Default => {
            return Err(Error::input(
                "say what hears the tone: --rig FILE for an interface, --recording FILE for a recording of it, or \
                 --simulated to try it out",
            ));
        }
        choice => OpenRig::open(choice)?,
    };
    let input = bench.electrical_input(order.input.as_deref())?;
    let registry = Registry::built_in();
    let manifest = registry.manifest("tone").map_err(|unknown| Error::input(unknown.to_string()))?;
    let signal = Signal::Sine { frequency_hz: order.frequency_hz };
    let stimulus = order.play_dbfs.map(|peak_dbfs| Stimulus {
        name: format!("tone {} Hz", order.frequency_hz),
        segments: vec![Segment::of(signal, 10.0, peak_dbfs, 0.0)],
    });
    let plan = Plan {
        stimulus,
        until: Until::Seconds(LONGEST_S),
        label: "Calibration in volts".to_owned(),
        ..Plan::of(manifest, Stage::Source, input)
    };
    let mut take = Take::begin(&plan, &mut bench, None, None)?;
    let (mut looked, mut looked_s, mut peak) = (Instant::now(), 0.0, 0.0f64);
    while take.pump(Duration::from_millis(20)) != Pumped::Over {
        let meter = take.meters().get(input).copied();
        peak = meter.map_or(peak, |meter| peak.max(meter.peak));
        let due = take.elapsed_s() - looked_s >= TELL_EVERY.as_secs_f64();
        if due && (!order.real_time || looked.elapsed() >= TELL_EVERY) {
            (looked, looked_s) = (Instant::now(), take.elapsed_s());
            let rms = meter.map_or(0.0, |meter| meter.rms);
            let now = ToneNow {
                elapsed_s: take.elapsed_s(),
                rms_dbfs: units::LevelDbfs::from_rms(rms).0.max(-150.0),
                peak_dbfs: units::LevelDbfs::from_peak(peak).0.max(-150.0),
            };
            if told(&now) != Go::On {
                take.stop();
            }
        }
    }
    let spec = bench.spec().inputs[input].clone();
    let reading = take.end().compute().keep(None)?.reading;
    let tone = heard_tone(&reading)?;
    let tone = HeardTone { peak_dbfs: units::LevelDbfs::from_peak(peak).0, ..tone };
    let simulated_meter_v = bench
        .car()
        .and(spec.volts_per_fs)
        .map(|volts| volts / std::f64::consts::SQRT_2 * units::amplitude_from_db(tone.rms_dbfs));
    Ok(HeardInput { tone, input: spec.name, before: spec.volts_per_fs, simulated_meter_v })
}

/// The longest that a tone is heard.
const LONGEST_S: f64 = 300.0;

/// What a `tone` reading found, as a calibration takes it.
pub(crate) fn heard_tone(reading: &Reading) -> Result<HeardTone> {
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
        writeln!(f, "volts_per_fs    {:.6}   (a sample value of 1.0)", self.volts_per_fs)?;
        writeln!(f, "largest sine    {:.3} V RMS before this input clips", self.largest_sine_v_rms)?;
        if let Some(loss) = self.attenuator_db {
            writeln!(f, "attenuator      {loss:.2} dB, part of it")?;
        }
        match &self.rig {
            Some(rig) => writeln!(
                f,
                "written to      {}, input `{}`, {}",
                rig.display(),
                self.input,
                self.calibrated_on
            ),
            None => writeln!(
                f,
                "not written; give --rig FILE to keep it, or --volts-per-fs {:.6} to use it",
                self.volts_per_fs
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use engine::RigSpec;
    use testkit::near;

    use super::*;

    fn simulated() -> VoltsOrder {
        VoltsOrder {
            rig: None,
            simulated: Some("straight-wire".to_owned()),
            input: None,
            recording: None,
            frequency_hz: 1_000.0,
            play_dbfs: Some(-12.0),
            real_time: false,
        }
    }

    fn two_seconds(now: &ToneNow) -> Go {
        if now.elapsed_s < 2.0 { Go::On } else { Go::Stop }
    }

    /// The simulated tap's own scale comes back from what a meter would read there.
    #[test]
    fn the_simulated_tap_is_calibrated_to_its_truth() {
        let order = simulated();
        let heard = hear_tone(&order, &mut |now| two_seconds(now)).unwrap();
        let meter = heard.simulated_meter_v.unwrap();
        let calibrated = calibrate_volts(None, None, &heard, meter).unwrap();
        near("volts per full scale", calibrated.volts_per_fs, heard.before.unwrap(), 1e-3);
        assert!(calibrated.findings.is_empty(), "{:?}", calibrated.findings);
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
        let order =
            VoltsOrder { rig: Some(rig.clone()), simulated: None, recording: Some((wav, 0)), ..simulated() };
        let heard = hear_tone(&order, &mut |_| Go::On).unwrap();
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
