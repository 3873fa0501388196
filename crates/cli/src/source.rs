//! Carries out `calibrate`, `source` and `gain`.

use std::path::{Path, PathBuf};

use job::{Basis, Job};
use library::Error;
use library::files::write_text;
use procedure::{
    Analysis, BassControl, CalibrateOrder, Event, GainMeter, GainOrder, Instruction, Named, NoiseOrder,
    OpenJob, OutputTone, PadOrder, Recorded, Request, SweepNow, ToneOrder, VolumeSweep, WhenKept,
};
use project::Change;
use rig::{OpenRig, Pace, RigChoice};
use tuning::{Attenuator, GainInput};
use units::quantity::spoken;

use crate::keyboard::{self, Screen};
use crate::outcome::{Ended, Outcome};
use crate::runner::Runner;
use crate::source_flags::{Bass, Calibrate, Gain, Headroom, Noise, Pad, Source, Tone, Volts, Where};
use crate::{args, job_project, output};

/// The rig that is named; there must be one.
fn named_rig(
    rig: &Option<PathBuf>,
    simulated: &Option<String>,
    pace: Pace,
    refusal: &str,
) -> Result<OpenRig, Error> {
    match RigChoice::of(rig.clone(), simulated.clone(), pace) {
        RigChoice::Default => Err(Error::input(refusal)),
        choice => OpenRig::open(choice),
    }
}

/// Enter means that it is done.
fn enter(_line: &str) -> Option<Instruction> {
    Some(Instruction::Continue)
}

pub(crate) fn calibrate(flags: Calibrate) -> Outcome {
    match flags {
        Calibrate::Volts(flags) => volts(&flags),
        Calibrate::Pad(flags) => pad(&flags),
    }
}

pub(crate) fn source(flags: Source) -> Outcome {
    match flags {
        Source::Headroom(flags) => headroom(&flags),
        Source::Tone(flags) => tone(&flags),
        Source::Noise(flags) => noise(&flags),
    }
}

/// How long the tone is heard when the meter's reading is already known.
const HEARD_S: f64 = 3.0;

fn volts(flags: &Volts) -> Outcome {
    let attenuator_db = match &flags.pad {
        Some(pair) => {
            let (series, shunt) = pair.split_once(',').ok_or_else(|| {
                Error::input(format!("--pad {pair}: expected the two resistors, such as 10k,1k"))
            })?;
            let pad = attenuator(series, shunt, flags.input_ohms.as_deref(), false)?;
            pad.check().map_err(|error| Error::input(error.to_string()))?;
            Some((pad.loss_db() * 1e4).round() / 1e4)
        }
        None => flags.attenuator_db,
    };
    if let Some(loss) = attenuator_db.filter(|loss| !(0.0..=120.0).contains(loss)) {
        return Err(Error::input(format!("--attenuator-db {loss}: expected 0 to 120 dB")).into());
    }
    if !(-60.0..=0.0).contains(&flags.level) {
        return Err(Error::input(format!("--level {}: expected −60 to 0 dBFS", flags.level)).into());
    }
    let mut meter_v = flags.meter.as_deref().map(|text| meter_volts("--meter", text)).transpose()?;
    if !(20.0..=20_000.0).contains(&flags.tone) {
        let text = format!("a tone of {} Hz; expected 20 to 20000 Hz, usually 1000", flags.tone);
        return Err(Error::input(text).into());
    }
    let screen = Screen::new();
    if meter_v.is_none() {
        guide(screen, flags);
    }
    let heard = match &flags.recording {
        Some(path) => {
            let channel = args::channel("--channel", flags.channel)?;
            procedure::recorded_tone(flags.rig.as_deref(), flags.input.as_deref(), path, channel)?
        }
        None => {
            let rig = named_rig(
                &flags.rig,
                &flags.simulated,
                if meter_v.is_none() { Pace::RealTime } else { Pace::AsFastAsPossible },
                "say what hears the tone: --rig FILE for an interface, --recording FILE for a recording of it, or \
                 --simulated to try it out",
            )?;
            let order = CalibrateOrder {
                input: flags.input.clone(),
                frequency_hz: flags.tone,
                play_dbfs: (!flags.source_plays).then_some(flags.level),
                seconds: meter_v.map(|_| HEARD_S),
            };
            let mut runner = Runner::new(rig, None, keyboard::instructions(meter_reading)?)?;
            let mut peak = 0.0f64;
            runner.run(
                &mut |event| {
                    if let (Event::Level { input, meters, .. }, None) = (event, meter_v) {
                        let meter = meters.get(*input).copied().unwrap_or_default();
                        peak = peak.max(meter.peak);
                        screen.show(&format!(
                            "the input hears {:6.1} dBFS, peak {:6.1} dBFS    the meter reads (RMS volts): ",
                            units::LevelDbfs::from_rms(meter.rms).0.max(-150.0),
                            units::LevelDbfs::from_peak(peak).0.max(-150.0)
                        ));
                    }
                },
                |session| procedure::calibration_tone(session, &order),
            )?
        }
    };
    meter_v = meter_v.or(heard.meter_v);
    if meter_v.is_none() && flags.recording.is_some() {
        let tone = &heard.tone;
        screen.say(&format!(
            "the recording holds {:.1} Hz at {:.2} dBFS; what did the meter read (RMS volts)?",
            tone.frequency_hz, tone.rms_dbfs
        ));
        if let Ok(Instruction::Meter(volts)) = keyboard::instructions(meter_reading)?.recv() {
            meter_v = Some(volts);
        }
    }
    let Some(meter_v) = meter_v else {
        return Err(Error::input("no reading of the meter was typed; give it with --meter VOLTS").into());
    };
    let calibrated = procedure::calibrate_volts(flags.rig.as_deref(), attenuator_db, &heard, meter_v)?;
    note_in_job(flags.job.as_deref(), &calibrated.to_string())?;
    if flags.json.json {
        output::json(&calibrated)?;
    } else {
        output::text(&calibrated.to_string())?;
    }
    Ok(output::remarks(&calibrated.findings)?)
}

/// Adds what was found to a job's notes, with the day.
fn note_in_job(dir: Option<&Path>, found: &str) -> Result<(), Error> {
    let Some(dir) = dir else { return Ok(()) };
    let mut open = OpenJob::new(Job::open(dir)?);
    let now = jiff::Timestamp::now().to_string();
    let day = now.split('T').next().unwrap_or_default();
    let mut notes = open.project().data.notes.trim_end().to_owned();
    if !notes.is_empty() {
        notes.push('\n');
    }
    notes.push_str(&format!("{day}: {}", found.trim_end()));
    open.apply(Change::Notes(notes))
}

/// What a person reads from the meter.
fn meter_reading(line: &str) -> Option<Instruction> {
    let volts = tuning::parse_volts(line);
    if volts.is_none() {
        let text =
            format!("`{}` is no voltage; type what the meter shows, such as 2.05 or 850mV", line.trim());
        Screen::new().say(&text);
    }
    volts.map(Instruction::Meter)
}

fn guide(screen: Screen, flags: &Volts) {
    screen.say("Calibration in volts");
    screen.say("1. Set the meter to AC volts, and connect it and the input to the same output.");
    screen
        .say("   A bridged output has no ground side: use a differential probe or an isolated input there.");
    if flags.recording.is_some() {
        return;
    }
    if flags.source_plays {
        screen.say("2. Play the 1 kHz tone from the source, and turn it up to a volt or two.");
    } else {
        screen
            .say("2. The tone plays now. Turn the source up to a volt or two, the input well below 0 dBFS.");
    }
    screen.say("3. Type what the meter shows, and press Enter.");
}

fn meter_volts(option: &str, text: &str) -> Result<f64, Error> {
    tuning::parse_volts(text).ok_or_else(|| {
        Error::input(format!(
            "{option} `{}`: expected volts RMS, such as 2.05, 2,05 V or 850 mV",
            text.trim()
        ))
    })
}

fn ohms(option: &str, text: &str) -> Result<f64, Error> {
    tuning::parse_ohms(text).ok_or_else(|| {
        Error::input(format!("{option} `{}`: expected ohms, such as 470, 10k or 4k7", text.trim()))
    })
}

fn attenuator(series: &str, shunt: &str, input: Option<&str>, balanced: bool) -> Result<Attenuator, Error> {
    Ok(Attenuator {
        series_ohm: ohms("the series resistor", series)?,
        shunt_ohm: ohms("the shunt resistor", shunt)?,
        input_ohm: input.map(|text| ohms("--input-ohms", text)).transpose()?,
        balanced,
    })
}

fn pad(flags: &Pad) -> Outcome {
    let order = PadOrder {
        pad: attenuator(&flags.series, &flags.shunt, flags.input_ohms.as_deref(), flags.balanced)?,
        largest_v: flags.largest_v.as_deref().map(|text| meter_volts("--largest-v", text)).transpose()?,
        rig: flags.rig.clone(),
        input: flags.input.clone(),
    };
    let report = procedure::pad(&order)?;
    note_in_job(flags.job.as_deref(), &report.to_string())?;
    if flags.json.json {
        output::json(&report)?;
    } else {
        output::text(&report.to_string())?;
    }
    Ok(output::remarks(&report.findings)?)
}

fn headroom(flags: &Headroom) -> Outcome {
    if !(0.05..=30.0).contains(&flags.thd_limit) {
        return Err(
            Error::input(format!("--thd-limit {}: expected 0.05 to 30 percent", flags.thd_limit)).into()
        );
    }
    let bass = flags.bass.map(|bass| match bass {
        Bass::Flat => BassControl::Flat,
        Bass::Max => BassControl::Maximum,
    });
    let settings = vec![("thd_limit".to_owned(), flags.thd_limit.to_string())];
    let verdict = if flags.recordings.is_empty() {
        let order = VolumeSweep {
            outputs: flags.outputs.iter().map(|text| OutputTone::parse(text)).collect::<Result<_, _>>()?,
            input: flags.input.clone(),
            first_step: flags.first_step,
            bass,
            settings,
            source_plays: flags.source_plays,
            until_stopped: false,
        };
        sweep(flags, &order)?
    } else {
        let recordings: Vec<Named> =
            flags.recordings.iter().map(|text| Named::parse(text)).collect::<Result<_, _>>()?;
        let first = flags.first_step.map(|step| ("first_step".to_owned(), step.to_string()));
        let common = Analysis {
            recorded: Recorded {
                volts_per_fs: args::positive("--volts-per-fs", flags.volts_per_fs)?,
                ..Recorded::default()
            },
            settings: settings.into_iter().chain(first).collect(),
            ..Analysis::default()
        };
        procedure::headroom_from_recordings(&recordings, &common, bass, flags.job.as_deref())?
    };
    if flags.json.json {
        output::json(&verdict)?;
    } else {
        output::text(&verdict.to_string())?;
    }
    output::remarks(&verdict.limit.findings)?;
    if verdict.is_known() { Ok(()) } else { Err(Ended::NoResult) }
}

/// Sweeps live; a person turns the volume unless it is a simulated car's.
fn sweep(flags: &Headroom, order: &VolumeSweep) -> Result<procedure::SourceHeadroom, Ended> {
    let pace = if flags.real_time { Pace::RealTime } else { Pace::AsFastAsPossible };
    let refusal = "say what to measure with: --rig FILE, --simulated, or recordings as NAME=FILE";
    let rig = named_rig(&flags.rig, &flags.simulated, pace, refusal)?;
    // A simulated car climbs by itself, and no key ends that.
    let inbox = if rig.is_simulated() { keyboard::nobody() } else { keyboard::instructions(enter)? };
    let mut runner = Runner::new(rig, flags.job.as_ref(), inbox)?;
    let (screen, mut shown) = (Screen::new(), None);
    let verdict = runner.run(
        &mut |event| match event {
            Event::Asked { request: Request::RaiseVolume { output, tone_hz }, by_hand } => {
                shown = None;
                if *by_hand {
                    screen.say(&format!(
                        "\nConnect the input to `{output}` and turn the volume low. Press Enter: a full-scale tone of {tone_hz:.0} Hz begins."
                    ));
                    screen.say(
                        "Then raise the volume one step at a time, half a second or more on each; Enter ends it.",
                    );
                } else {
                    screen.say(&format!("{output}: a tone of {tone_hz:.0} Hz"));
                }
            }
            Event::Step(now) => {
                let text = now_text(now);
                screen.show(&text);
                if now.step.is_some() && (now.step, now.clean) != shown.unwrap_or_default() {
                    shown = Some((now.step, now.clean));
                    screen.say(&text);
                }
                if now.alarm {
                    screen.ring();
                    screen.say("NOT CLEAN: one step too many");
                }
            }
            _ => {}
        },
        |session| procedure::volume_sweep(session, order),
    )?;
    Ok(verdict)
}

fn now_text(now: &SweepNow) -> String {
    let step = now.step.map_or_else(|| "step –".to_owned(), |step| format!("step {step}"));
    let level = match (now.level_v, now.level_dbfs) {
        (Some(volts), _) => format!("{volts:.3} V"),
        (None, Some(dbfs)) => format!("{dbfs:.2} dBFS"),
        (None, None) => String::new(),
    };
    let thd = now.thd_percent.map_or_else(String::new, |thd| format!("THD {}", spoken("percent", thd).value));
    let word = match now.clean {
        Some(true) => "clean",
        Some(false) => "not clean",
        None => "",
    };
    let warning = now.warning.as_deref().unwrap_or_default();
    format!("  {step:8} {level:>12}   {thd:14} {word:9} {warning}").trim_end().to_owned()
}

fn tone(flags: &Tone) -> Outcome {
    let order = ToneOrder {
        recordings: flags.recordings.iter().map(|text| Named::parse(text)).collect::<Result<_, _>>()?,
        track: Some(flags.track.clone()),
        stimulus: flags.stimulus.clone(),
        outputs: flags.outputs.clone(),
        steps: flags.steps.clone(),
        input: flags.input.clone(),
        sum: flags.sum.clone(),
        processor: flags.processor.clone(),
    };
    let screen = Screen::new();
    let with_rig = flags.rig.is_some() || flags.simulated.is_some();
    let report = if let (true, false, Some(dir)) = (order.recordings.is_empty(), with_rig, &flags.job) {
        procedure::tone_from_job(&order, &mut job_project::open(dir)?)?
    } else if order.recordings.is_empty() {
        let mut runner = source_runner(&flags.rig, &flags.simulated, flags.job.as_ref())?;
        runner.run(
            &mut |event| {
                let Event::Asked { request: Request::Connect { output, step }, by_hand } = event else {
                    return;
                };
                if *by_hand {
                    let at =
                        step.map_or_else(String::new, |step| format!(" and set the volume to step {step}"));
                    screen.say(&format!(
                        "Connect the input to `{output}`{at}. Press Enter: two sweeps follow."
                    ));
                } else {
                    let at = step.map_or_else(String::new, |step| format!(" at step {step}"));
                    screen.show(&format!("{output}{at}"));
                }
            },
            |session| procedure::source_tone(session, &order),
        )?
    } else {
        procedure::tone_from_recordings(&order, &mut WhenKept::new(flags.job.as_deref()))?
    };
    screen.show("");
    if let (Some(path), Some(fit)) = (&flags.out, &report.bands) {
        let typed: Vec<tuning::Band> = fit.bands.iter().map(tuning::FittedBand::typed).collect();
        write_text(path, &tuning::bands_csv(&tuning::band_entries("", &typed)))?;
    }
    if flags.json.json {
        output::json(&report)?;
    } else {
        output::text(&report.to_string())?;
    }
    Ok(output::remarks(&report.findings)?)
}

/// What measures the source: a rig, or a simulated car that sets itself.
fn source_runner(
    rig: &Option<PathBuf>,
    simulated: &Option<String>,
    job: Option<&PathBuf>,
) -> Result<Runner, Ended> {
    let refusal = "say what to measure: recordings as NAME=FILE, --rig FILE, or --simulated";
    let rig = named_rig(rig, simulated, Pace::AsFastAsPossible, refusal)?;
    let inbox = if rig.is_simulated() { keyboard::nobody() } else { keyboard::instructions(enter)? };
    Ok(Runner::new(rig, job, inbox)?)
}

fn noise(flags: &Noise) -> Outcome {
    let known = flags.job.as_deref().map(job_volts).transpose()?.flatten();
    let typed = flags.clean_v.as_deref().map(|text| meter_volts("--clean-v", text)).transpose()?;
    let order = NoiseOrder {
        recordings: flags.recordings.iter().map(|text| Named::parse(text)).collect::<Result<_, _>>()?,
        volts_per_fs: args::positive("--volts-per-fs", flags.volts_per_fs)?,
        speeds_rpm: flags.rpm.clone(),
        input: flags.input.clone(),
        volume_step: None,
        clean_v: known.or(typed),
        clean_dbfs: args::finite("--clean-dbfs", flags.clean_dbfs)?,
    };
    let screen = Screen::new();
    let report = if order.recordings.is_empty() {
        let mut runner = source_runner(&flags.rig, &flags.simulated, flags.job.as_ref())?;
        runner.run(
            &mut |event| {
                let Event::Asked { request: Request::EngineSpeed { rpm }, by_hand: true } = event else {
                    return;
                };
                let engine = if *rpm > 0.0 {
                    format!("Outdoors: let the engine run at {rpm:.0} rpm")
                } else {
                    "Switch the engine off".to_owned()
                };
                screen.say(&format!("{engine}, the source at its clean step, nothing playing. Press Enter."));
            },
            |session| procedure::source_noise(session, &order),
        )?
    } else {
        procedure::noise_from_recordings(&order, &mut WhenKept::new(flags.job.as_deref()))?
    };
    if flags.json.json {
        output::json(&report)?;
    } else {
        output::text(&report.to_string())?;
    }
    Ok(output::remarks(&report.findings)?)
}

/// The volts at the clean step of the output that limits the job's source.
fn job_volts(dir: &Path) -> Result<Option<f64>, Error> {
    if !dir.join("job.json").exists() {
        return Ok(None);
    }
    let job = Job::open_to_read(dir)?;
    let source = &job.data().source;
    let output = source.outputs.iter().find(|output| output.name == source.limited_by);
    Ok(output.and_then(|output| output.volts_rms))
}

pub(crate) fn gain(flags: &Gain) -> Outcome {
    let volts = |option: &str, text: &Option<String>| {
        text.as_deref().map(|text| meter_volts(option, text)).transpose()
    };
    let order = GainOrder {
        input: GainInput {
            power_w: flags.power,
            load_ohm: flags.load,
            tone_dbfs: flags.tone_dbfs,
            source_v: volts("--source-v", &flags.source_v)?.unwrap_or(1.0),
            source_clip_v: volts("--source-clips-v", &flags.source_clips_v)?,
            processor_input_v: volts("--processor-in-v", &flags.processor_in_v)?,
            processor_output_v: volts("--processor-out-v", &flags.processor_out_v)?,
            processor_gain_db: flags.processor_gain,
            amplifier_input_v: volts("--amplifier-in-v", &flags.amplifier_in_v)?,
        },
        job: flags.job.clone(),
        output: flags.output.clone(),
    };
    if flags.live.is_some() && flags.rig.is_none() && flags.simulated.is_none() {
        return Err(Error::input("--live needs what hears the tone: --rig FILE, or --simulated").into());
    }
    if flags.live == Some(Where::Amplifier) && flags.simulated.is_some() {
        let text = "--live amplifier: the simulated car's tap reaches the radio's outputs only; use --live processor";
        return Err(Error::input(text).into());
    }
    let report = procedure::gain(&order)?;
    if let Some(dir) = &flags.job {
        let mut open = OpenJob::new(Job::open(dir).map_err(Error::from)?);
        let basis = Basis {
            program: env!("CARGO_PKG_VERSION").to_owned(),
            made: Some(jiff::Timestamp::now()),
            ..Basis::default()
        };
        let input = GainInput { source_v: report.source_v, ..order.input };
        let changes = project::derive::gain_changes(&input, &report.plan, basis);
        open.apply(Change::Together(changes))?;
    }
    if flags.json.json {
        output::json(&report)?;
    } else {
        output::text(&report.to_string())?;
    }
    output::remarks(&report.plan.findings)?;
    match flags.live {
        Some(place) => live_gain(flags, place, &report),
        None => Ok(()),
    }
}

fn live_gain(flags: &Gain, place: Where, report: &procedure::GainReport) -> Outcome {
    let target_v = match place {
        Where::Processor => report.plan.processor_input_target_v,
        Where::Amplifier => report.plan.target_v,
    };
    let order = GainMeter {
        input: flags.input.clone(),
        target_v,
        play: Some((1_000.0, flags.tone_dbfs.min(-0.01))),
        volume_step: None,
    };
    let refusal = "the live meter needs a rig: --rig FILE, or --simulated";
    let rig = named_rig(&flags.rig, &flags.simulated, Pace::RealTime, refusal)?;
    let screen = Screen::new();
    let mut runner = Runner::new(rig, None, keyboard::instructions(enter)?)?;
    screen.say(&format!("Turn until the meter shows {target_v:.2} V; Enter ends it."));
    let last = runner.run(&mut |_| {}, |session| {
        procedure::gain_meter(session, &order, &mut |turn| {
            screen.show(&turn.map_or_else(
                || "no tone".to_owned(),
                |turn| format!("{:8.3} V   {}", turn.now_v, turn.text),
            ));
        })
    })?;
    if let Some(turn) = last {
        screen.say(&format!("{:.3} V: {}", turn.now_v, turn.text));
    }
    Ok(())
}
