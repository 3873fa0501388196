//! The commands of tuning: bands, alignment, audit.

use std::path::PathBuf;

use session::{CarOrder, ChannelResponses, DriverEnds, Error, FitOrder};

use crate::run::{Outcome, files_written, print};
use crate::{args, flags, output};

pub(crate) fn target(what: flags::TargetWhat) -> Outcome {
    use flags::TargetWhat;
    match what {
        TargetWhat::List { json } => print(&session::list_targets(), json.json),
        TargetWhat::Show { target, json } => {
            let (ends, points) = driver(&target)?;
            print(&session::show_target(&target.target, ends, points)?, json.json)
        }
        TargetWhat::Export { target, out } => {
            let (ends, points) = driver(&target)?;
            files_written(&session::export_target(&target.target, ends, points, &out)?)
        }
        TargetWhat::Import { file, name } => files_written(&session::import_target(&file, name.as_deref())?),
    }
}

/// The driver that a target is for, and how many points an octave it has, checked.
fn driver(flags: &flags::OneTarget) -> Result<(DriverEnds, f64), Error> {
    if !(0.1..=96.0).contains(&flags.points) {
        return Err(Error::input(format!("--points {}: expected 0.1 to 96 an octave", flags.points)));
    }
    let ends = DriverEnds {
        high_pass_hz: args::positive("--high-pass", flags.high_pass)?,
        low_pass_hz: args::positive("--low-pass", flags.low_pass)?,
    };
    Ok((ends, flags.points))
}

pub(crate) fn fit(flags: flags::Fit) -> Outcome {
    let order = FitOrder {
        responses: flags.responses,
        target: flags.target,
        processor: flags.processor,
        max_bands: flags.max_bands,
        from_hz: args::positive("--from", flags.from)?,
        to_hz: args::positive("--to", flags.to)?,
        max_boost_db: match flags.max_boost {
            Some(boost) if !(boost.is_finite() && boost >= 0.0) => {
                return Err(Error::input(format!("--max-boost {boost}: expected 0 or more dB")).into());
            }
            boost => boost,
        },
        lock: flags.lock,
        high_pass_hz: args::positive("--high-pass", flags.high_pass)?,
        low_pass_hz: args::positive("--low-pass", flags.low_pass)?,
    };
    if !flags.channels.is_empty() {
        let fitted = session::fit_channels(&order, &channels(&flags.channels)?)?;
        if let Some(path) = &flags.out {
            session::write_text(path, &fitted.bands_csv())?;
        }
        return print(&fitted, flags.json.json);
    }
    let fitted = session::fit(&order)?;
    if let Some(path) = &flags.out {
        session::write_text(path, &fitted.bands_csv())?;
    }
    if flags.json.json {
        output::json(&fitted.result)?;
    } else {
        output::text(&fitted.to_string())?;
    }
    Ok(())
}

/// Splits `NAME=A,B` for each channel; a name is given once.
fn channels(written: &[String]) -> Result<Vec<ChannelResponses>, Error> {
    let mut channels: Vec<ChannelResponses> = Vec::new();
    for (name, files) in args::named("--channel", "NAME=RESPONSE[,RESPONSE...]", written)? {
        if channels.iter().any(|(other, _)| *other == name) {
            return Err(Error::input(format!(
                "--channel {name} again; list all its responses behind one `=`, with commas"
            )));
        }
        channels.push((name, files.split(',').map(|file| PathBuf::from(file.trim())).collect()));
    }
    Ok(channels)
}

pub(crate) fn align(flags: &flags::Align) -> Outcome {
    let alignment = session::align(
        &flags.lower,
        &flags.upper,
        args::positive("--crossover", flags.crossover)?,
        args::positive("--max-delay-ms", flags.max_delay_ms)?,
        flags.processor.as_deref(),
    )?;
    if flags.json.json {
        output::json(&alignment)?;
    } else {
        output::text(&session::alignment_text(&alignment))?;
    }
    Ok(())
}

pub(crate) fn timing(flags: &flags::Timing) -> Outcome {
    let crossovers: Vec<f64> = flags
        .crossover
        .iter()
        .filter_map(|&hz| args::positive("--crossover", Some(hz)).transpose())
        .collect::<Result<_, Error>>()?;
    if !(-60.0..=80.0).contains(&flags.temperature) {
        let message = format!("--temperature {}: expected -60 to 80 degrees Celsius", flags.temperature);
        return Err(Error::input(message).into());
    }
    let order = CarOrder {
        responses: args::named("DRIVER", "NAME=RESPONSE", &flags.drivers)?
            .into_iter()
            .map(|(name, file)| (name, PathBuf::from(file)))
            .collect(),
        distances_m: args::named_distances("--distance", "NAME=DISTANCE", &flags.distance)?,
        arrivals_ms: args::named_times("--arrival", "NAME=MS", &flags.arrival)?,
        processor: flags.processor.clone(),
        crossovers_hz: crossovers,
        filtered: flags.filtered,
        temperature_c: flags.temperature,
    };
    print(&session::align_car(&order)?, flags.json.json)
}

pub(crate) fn audit(flags: &flags::Audit) -> Outcome {
    let audit = session::audit(&flags.before, &flags.after, &flags.bands, &flags.processor)?;
    if flags.json.json {
        output::json(&audit)?;
    } else {
        output::text(&session::audit_text(&audit))?;
    }
    Ok(())
}

pub(crate) fn meaning_of_q(flags: &flags::MeaningOfQ) -> Outcome {
    if !(8_000.0..=768_000.0).contains(&flags.processor_rate) {
        let message = format!("--processor-rate {}: expected 8000 to 768000 Hz", flags.processor_rate);
        return Err(Error::input(message).into());
    }
    let meaning = session::meaning_of_q(&flags.flat, &flags.with_band, &flags.bands, flags.processor_rate)?;
    if flags.json.json {
        output::json(&meaning)?;
    } else {
        output::text(&session::meaning_of_q_text(&meaning))?;
    }
    Ok(())
}
