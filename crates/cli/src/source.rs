//! Carries out `calibrate`, `source` and `gain`.

use session::{
    Analysis, Attenuator, BassControl, Error, GainInput, GainMeterOrder, GainOrder, Go, HeadroomEvent,
    HeadroomNow, HeadroomOrder, Named, NoiseOrder, OutputTone, PadOrder, Recorded, ToneOrder, VoltsOrder,
};

use crate::args;
use crate::hands::{Hands, Typed};
use crate::output;
use crate::run::{Ended, Outcome};
use crate::source_flags::{Bass, Calibrate, Gain, Headroom, Noise, Pad, Source, Tone, Volts, Where};

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
    let order = VoltsOrder {
        rig: flags.rig.clone(),
        simulated: flags.simulated.clone(),
        input: flags.input.clone(),
        recording: flags
            .recording
            .clone()
            .map(|path| Ok::<_, Error>((path, args::channel("--channel", flags.channel)?)))
            .transpose()?,
        frequency_hz: flags.tone,
        play_dbfs: (!flags.source_plays).then_some(flags.level),
        real_time: meter_v.is_none(),
    };
    let hands = Hands::new()?;
    if meter_v.is_none() {
        guide(&hands, flags);
    }
    let mut typed = None;
    let heard = session::hear_tone(&order, &mut |now| {
        if meter_v.is_some() {
            return if now.elapsed_s < HEARD_S { Go::On } else { Go::Stop };
        }
        hands.show(&format!(
            "the input hears {:6.1} dBFS, peak {:6.1} dBFS    the meter reads (RMS volts): ",
            now.rms_dbfs, now.peak_dbfs
        ));
        match hands.typed() {
            Typed::Nothing => Go::On,
            Typed::Line(line) if session::parse_volts(&line).is_none() => {
                hands.say(&format!(
                    "`{}` is no voltage; type what the meter shows, such as 2.05 or 850mV",
                    line.trim()
                ));
                Go::On
            }
            Typed::Line(line) => {
                typed = Some(line);
                // What was heard must be long enough to be read.
                if now.elapsed_s < 1.0 { Go::On } else { Go::Stop }
            }
            Typed::Nobody if now.elapsed_s < 1.0 => Go::On,
            Typed::Nobody => Go::Stop,
        }
    })?;
    if meter_v.is_none() && typed.is_none() && order.recording.is_some() {
        let tone = &heard.tone;
        hands.say(&format!(
            "the recording holds {:.1} Hz at {:.2} dBFS; what did the meter read (RMS volts)?",
            tone.frequency_hz, tone.rms_dbfs
        ));
        typed = match hands.wait() {
            Typed::Line(line) => Some(line),
            _ => None,
        };
    }
    if let (None, Some(line)) = (meter_v, &typed) {
        meter_v = Some(meter_volts("the meter's reading", line)?);
    }
    let Some(meter_v) = meter_v else {
        return Err(Error::input("no reading of the meter was typed; give it with --meter VOLTS").into());
    };
    let calibrated = session::calibrate_volts(order.rig.as_deref(), attenuator_db, &heard, meter_v)?;
    if flags.json.json {
        output::json(&calibrated)?;
    } else {
        output::text(&calibrated.to_string())?;
    }
    Ok(output::remarks(&calibrated.findings)?)
}

fn guide(hands: &Hands, flags: &Volts) {
    hands.say("Calibration in volts");
    hands.say("1. Set the meter to AC volts, and connect it and the input to the same output.");
    hands.say("   A bridged output has no ground side: use a differential probe or an isolated input there.");
    if flags.recording.is_some() {
        return;
    }
    if flags.source_plays {
        hands.say("2. Play the 1 kHz tone from the source, and turn it up to a volt or two.");
    } else {
        hands.say("2. The tone plays now. Turn the source up to a volt or two, the input well below 0 dBFS.");
    }
    hands.say("3. Type what the meter shows, and press Enter.");
}

fn meter_volts(option: &str, text: &str) -> Result<f64, Error> {
    session::parse_volts(text).ok_or_else(|| {
        Error::input(format!(
            "{option} `{}`: expected volts RMS, such as 2.05, 2,05 V or 850 mV",
            text.trim()
        ))
    })
}

fn ohms(option: &str, text: &str) -> Result<f64, Error> {
    session::parse_ohms(text).ok_or_else(|| {
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
    let report = session::pad(&order)?;
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
        let order = HeadroomOrder {
            rig: flags.rig.clone(),
            simulated: flags.simulated.clone(),
            job: flags.job.clone(),
            outputs: flags.outputs.iter().map(|text| OutputTone::parse(text)).collect::<Result<_, _>>()?,
            input: flags.input.clone(),
            first_step: flags.first_step,
            bass,
            settings,
            real_time: flags.real_time,
            source_plays: flags.source_plays,
        };
        climb(&order)?
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
        session::headroom_from_recordings(&recordings, &common, bass, flags.job.as_deref())?
    };
    if flags.json.json {
        output::json(&verdict)?;
    } else {
        output::text(&verdict.to_string())?;
    }
    output::remarks(&verdict.limit.findings)?;
    if verdict.is_known() { Ok(()) } else { Err(Ended::NoResult) }
}

/// Climbs live, with a person's hands on the volume unless it is a simulated car's.
fn climb(order: &HeadroomOrder) -> Result<session::SourceHeadroom, Ended> {
    let hands = Hands::new()?;
    let by_hand = order.rig.is_some();
    let mut shown = None;
    Ok(session::headroom_live(order, &mut |event| match event {
        HeadroomEvent::Connect(output) => {
            shown = None;
            if by_hand {
                hands.say(&format!(
                    "\nConnect the input to `{}` and turn the volume low. Press Enter: a full-scale tone of {:.0} Hz begins.",
                    output.name, output.tone_hz
                ));
                hands.say(
                    "Then raise the volume one step at a time, half a second or more on each; Enter ends it.",
                );
                hands.wait();
            } else {
                hands.say(&format!("{}: a tone of {:.0} Hz", output.name, output.tone_hz));
            }
            Go::On
        }
        HeadroomEvent::Now(now) => {
            let text = now_text(now);
            hands.show(&text);
            if now.step.is_some() && (now.step, now.clean) != shown.unwrap_or_default() {
                shown = Some((now.step, now.clean));
                hands.say(&text);
            }
            if now.alarm {
                hands.ring();
                hands.say("NOT CLEAN: that was one step too many");
            }
            match by_hand.then(|| hands.typed()) {
                Some(Typed::Line(_)) => Go::Next,
                _ => Go::On,
            }
        }
        HeadroomEvent::Done(_) => Go::On,
    })?)
}

fn now_text(now: &HeadroomNow) -> String {
    let step = now.step.map_or_else(|| "step –".to_owned(), |step| format!("step {step}"));
    let level = match (now.level_v, now.level_dbfs) {
        (Some(volts), _) => format!("{volts:.3} V"),
        (None, Some(dbfs)) => format!("{dbfs:.2} dBFS"),
        (None, None) => String::new(),
    };
    let thd = now.thd_percent.map_or_else(String::new, |thd| format!("THD {thd:.3} %"));
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
        rig: flags.rig.clone(),
        simulated: flags.simulated.clone(),
        outputs: flags.outputs.clone(),
        steps: flags.steps.clone(),
        input: flags.input.clone(),
        job: flags.job.clone(),
        sum: flags.sum.clone(),
        processor: flags.processor.clone(),
        bands_out: flags.out.clone(),
    };
    let hands = Hands::new()?;
    let report = session::source_tone(&order, &mut |output, step| {
        let at = step.map_or_else(String::new, |step| format!(" and set the volume to step {step}"));
        if flags.rig.is_some() {
            hands.say(&format!("Connect the input to `{output}`{at}. Press Enter: two sweeps follow."));
            hands.wait();
        } else {
            hands.show(&format!(
                "{output}{}",
                step.map_or_else(String::new, |step| format!(" at step {step}"))
            ));
        }
        Go::On
    })?;
    hands.show("");
    if flags.json.json {
        output::json(&report)?;
    } else {
        output::text(&report.to_string())?;
    }
    Ok(output::remarks(&report.findings)?)
}

fn noise(flags: &Noise) -> Outcome {
    let order = NoiseOrder {
        recordings: flags.recordings.iter().map(|text| Named::parse(text)).collect::<Result<_, _>>()?,
        volts_per_fs: args::positive("--volts-per-fs", flags.volts_per_fs)?,
        rig: flags.rig.clone(),
        simulated: flags.simulated.clone(),
        speeds_rpm: flags.rpm.clone(),
        input: flags.input.clone(),
        job: flags.job.clone(),
        clean_v: flags.clean_v.as_deref().map(|text| meter_volts("--clean-v", text)).transpose()?,
        clean_dbfs: args::finite("--clean-dbfs", flags.clean_dbfs)?,
    };
    let hands = Hands::new()?;
    let report = session::source_noise(&order, &mut |rpm| {
        if flags.rig.is_some() {
            let engine = if rpm > 0.0 {
                format!("Outdoors: let the engine run at {rpm:.0} turns a minute")
            } else {
                "Switch the engine off".to_owned()
            };
            hands.say(&format!("{engine}, the source at its clean step, nothing playing. Press Enter."));
            hands.wait();
        }
        Go::On
    })?;
    if flags.json.json {
        output::json(&report)?;
    } else {
        output::text(&report.to_string())?;
    }
    Ok(output::remarks(&report.findings)?)
}

pub(crate) fn gain(flags: &Gain) -> Outcome {
    let volts = |option: &str, text: &Option<String>| {
        text.as_deref().map(|text| meter_volts(option, text)).transpose()
    };
    let order = GainOrder {
        input: GainInput {
            power_w: flags.power,
            load_ohm: flags.load,
            tone_dbfs: flags.overlap,
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
    let report = session::gain(&order)?;
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

fn live_gain(flags: &Gain, place: Where, report: &session::GainReport) -> Outcome {
    let target_v = match place {
        Where::Processor => report.plan.processor_input_target_v,
        Where::Amplifier => report.plan.target_v,
    };
    let order = GainMeterOrder {
        rig: flags.rig.clone(),
        simulated: flags.simulated.clone(),
        input: flags.input.clone(),
        target_v,
        play: Some((1_000.0, flags.overlap.min(-0.01))),
        real_time: true,
    };
    let hands = Hands::new()?;
    hands.say(&format!("Turn until the meter shows {target_v:.2} V; Enter ends it."));
    let (mut last, mut looks) = (None, 0);
    session::gain_meter(&order, &mut |turn| {
        hands.show(
            &turn
                .map_or_else(|| "no tone".to_owned(), |turn| format!("{:8.3} V   {}", turn.now_v, turn.text)),
        );
        last = turn.cloned().or(last.take());
        looks += 1;
        match hands.typed() {
            Typed::Nothing => Go::On,
            Typed::Line(_) => Go::Stop,
            // Nobody turns anything: one settled reading is all there is to see.
            Typed::Nobody if looks < 25 => Go::On,
            Typed::Nobody => Go::Stop,
        }
    })?;
    if let Some(turn) = last {
        hands.say(&format!("{:.3} V: {}", turn.now_v, turn.text));
    }
    Ok(())
}
