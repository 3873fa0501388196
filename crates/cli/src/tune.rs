//! The commands of tuning: bands, alignment, audit.

use std::path::{Path, PathBuf};

use job::{Basis, Crossover, Set, TimingRecord};
use library::Error;
use library::files::{is_standard, write_text};
use library::targets::{self, DriverEnds};
use project::Change;
use project::derive::{self, FitInputs, JobAudit, TimingWish};
use serde::Serialize;
use tuning::{CarAlignment, FitOptions, Role};
use units::quantity::{decibels, hertz, signed_decibels};

use crate::car::{self, CarOrder};
use crate::fitting::{self, ChannelResponses, FitOrder, Fitted, FittedChannels};
use crate::job_project::{self, Aim, aim};
use crate::outcome::{Ended, Outcome, files_written, one_output, print};
use crate::responses::AUDIBLE_HZ;
use crate::{args, flags, output, verify};

/// The processor when neither a job nor the command names one.
const PROCESSOR: &str = "parametric-free";

pub(crate) fn target(what: flags::TargetWhat) -> Outcome {
    use flags::TargetWhat;
    match what {
        TargetWhat::List { json } => print(&targets::list_targets(), json.json),
        TargetWhat::Show { target, json } => {
            let (ends, points) = driver(&target)?;
            print(&targets::show_target(&target.target, ends, points)?, json.json)
        }
        TargetWhat::Export { target, out, json } => {
            let (ends, points) = driver(&target)?;
            files_written(&targets::export_target(&target.target, ends, points, &out)?, json.json)
        }
        TargetWhat::Import { file, name, json } => {
            files_written(&targets::import_target(&file, name.as_deref())?, json.json)
        }
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
    let json = flags.json.json;
    one_output("--out", flags.out.as_ref(), json)?;
    let max_boost_db = match flags.max_boost {
        Some(boost) if !(boost.is_finite() && boost >= 0.0) => {
            return Err(Error::input(format!("--max-boost {boost}: expected 0 or more dB")).into());
        }
        boost => boost,
    };
    let (from_hz, to_hz) = (args::positive("--from", flags.from)?, args::positive("--to", flags.to)?);
    if let Some(dir) = &flags.job {
        let wish = FitWish { max_bands: flags.max_bands, from_hz, to_hz, max_boost_db };
        return fit_job(dir, &flags, wish);
    }
    let order = FitOrder {
        responses: flags.responses,
        target: flags.target.unwrap_or_else(|| "flat".to_owned()),
        processor: flags.processor.unwrap_or_else(|| PROCESSOR.to_owned()),
        max_bands: flags.max_bands,
        from_hz,
        to_hz,
        max_boost_db,
        lock: flags.lock,
        high_pass_hz: args::positive("--high-pass", flags.high_pass)?,
        low_pass_hz: args::positive("--low-pass", flags.low_pass)?,
    };
    let out = flags.out.as_deref();
    if !flags.channels.is_empty() {
        let fitted = fitting::fit_channels(&order, &channels(&flags.channels)?)?;
        return fitted_to(out, &fitted.bands_csv(), &fitted, &fitted, json);
    }
    let fitted = fitting::fit(&order)?;
    fitted_to(out, &fitted.bands_csv(), &fitted.result, &fitted, json)
}

/// What a fit may do, where it was said.
struct FitWish {
    max_bands: Option<usize>,
    from_hz: Option<f64>,
    to_hz: Option<f64>,
    max_boost_db: Option<f64>,
}

/// Fits bands to a set of a job; all that is found goes into the job.
fn fit_job(dir: &Path, flags: &flags::Fit, wish: FitWish) -> Outcome {
    let mut open = job_project::open(dir)?;
    let project = open.project();
    let Aim { target, profile, basis } = aim(project, flags.target.as_deref(), flags.processor.as_deref())?;
    let choices = &project.data.choices;
    let (from_hz, to_hz) = (
        wish.from_hz.or(choices.from_hz).unwrap_or(AUDIBLE_HZ.0),
        wish.to_hz.or(choices.to_hz).unwrap_or(AUDIBLE_HZ.1),
    );
    if from_hz >= to_hz {
        let text = format!("the range goes from {from_hz} Hz to {to_hz} Hz; --from must be lower than --to");
        return Err(Error::input(text).into());
    }
    let options = FitOptions {
        max_bands: wish.max_bands.or(choices.max_bands.and_then(|most| usize::try_from(most).ok())),
        max_boost_db: wish.max_boost_db.or(choices.max_boost_db),
        from_hz,
        to_hz,
        ..FitOptions::default()
    };
    let name = profile.name.clone();
    let set = Set::from_word(&flags.set).ok_or_else(|| Error::input("--set: expected a set's name"))?;
    let inputs = FitInputs::of_set(project, &set, target, profile, options, basis);
    if inputs.channels.is_empty() {
        return Err(Error::input(format!(
            "{}: no response is in the set `{set}`; put captures into it with `headrest job capture {} N --set {set}`",
            dir.display(),
            dir.display(),
            set = set.word()
        ))
        .into());
    }
    let refused = |(channel, error): (String, tuning::FitError)| {
        let of = if channel.is_empty() { String::new() } else { format!("{channel}: ") };
        Error::input(format!("{of}{error}"))
    };
    let fits = inputs.fits().map_err(refused)?;
    let changes = inputs.changes(project, inputs.fitted(&fits));
    open.apply(Change::Together(changes))?;
    let (out, json) = (flags.out.as_deref(), flags.json.json);
    if let [one] = fits.as_slice() {
        let fitted = Fitted::new(one.fit.clone(), &name);
        return fitted_to(out, &fitted.bands_csv(), &fitted.result, &fitted, json);
    }
    let fitted = FittedChannels::new(fits, &name);
    fitted_to(out, &fitted.bands_csv(), &fitted, &fitted, json)
}

/// Writes a band list where that is asked for, and says the rest: to standard error where the list
/// goes to standard output.
fn fitted_to(
    out: Option<&Path>,
    bands_csv: &str,
    document: &impl Serialize,
    text: &impl ToString,
    json: bool,
) -> Outcome {
    if let Some(path) = out {
        write_text(path, bands_csv)?;
    }
    if out.is_some_and(is_standard) {
        text.to_string().lines().for_each(output::say);
    } else if json {
        output::json(document)?;
    } else {
        output::text(&text.to_string())?;
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
    let alignment = verify::align(
        &flags.lower,
        &flags.upper,
        args::positive("--crossover", flags.crossover)?,
        args::positive("--max-delay-ms", flags.max_delay_ms)?,
        flags.processor.as_deref(),
    )?;
    if flags.json.json {
        output::json(&alignment)?;
    } else {
        output::text(&verify::alignment_text(&alignment))?;
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
    let roles = roles(&flags.role)?;
    let distances_m = args::named_distances("--distance", "NAME=DISTANCE", &flags.distance)?;
    let arrivals_ms = args::named_times("--arrival", "NAME=MS", &flags.arrival)?;
    if let Some(dir) = &flags.job {
        let wish = Arrivals { distances_m, arrivals_ms };
        return timing_job(dir, flags, crossovers, roles, wish);
    }
    let order = CarOrder {
        responses: args::named("DRIVER", "NAME=RESPONSE", &flags.drivers)?
            .into_iter()
            .map(|(name, file)| (name, PathBuf::from(file)))
            .collect(),
        distances_m,
        arrivals_ms,
        roles,
        processor: flags.processor.clone().unwrap_or_else(|| PROCESSOR.to_owned()),
        crossovers_hz: crossovers,
        filtered: flags.filtered,
        temperature_c: flags.temperature,
    };
    print(&car::align_car(&order)?, flags.json.json)
}

/// What each driver is for, as it was said.
pub(crate) fn roles(written: &[String]) -> Result<Vec<(String, Role)>, Error> {
    let role = |(name, word): (String, String)| match Role::understood(&word) {
        Some(role) => Ok((name, role)),
        None => {
            let all: Vec<&str> = Role::ALL.iter().map(|role| role.word()).collect();
            Err(Error::input(format!("--role {name}={word}: expected one of {}", all.join(", "))))
        }
    };
    args::named("--role", "NAME=ROLE", written)?.into_iter().map(role).collect()
}

/// When drivers are heard, as a person says it.
struct Arrivals {
    distances_m: Vec<(String, f64)>,
    arrivals_ms: Vec<(String, f64)>,
}

/// Aligns the drivers of a job; all that is found goes into the job.
fn timing_job(
    dir: &Path,
    flags: &flags::Timing,
    crossovers_hz: Vec<f64>,
    roles: Vec<(String, Role)>,
    arrivals: Arrivals,
) -> Outcome {
    let mut open = job_project::open(dir)?;
    let Aim { profile, basis, .. } = aim(open.project(), None, flags.processor.as_deref())?;
    let speed = tuning::speed_of_sound(flags.temperature);
    let arrivals_s = match (arrivals.distances_m.as_slice(), arrivals.arrivals_ms.as_slice()) {
        (distances, []) => distances.iter().map(|(name, m)| (name.clone(), m / speed)).collect(),
        ([], times) => times.iter().map(|(name, ms)| (name.clone(), ms / 1e3)).collect(),
        _ => return Err(Error::input("give --distance or --arrival for the drivers, not both").into()),
    };
    let wish = TimingWish {
        profile,
        filtered: flags.filtered,
        crossovers_hz,
        roles,
        arrivals_s,
        temperature_c: flags.temperature,
        basis: Basis { target: None, ..basis },
    };
    let found = derive::timing_job(open.project(), &wish)
        .map_err(|refused| Error::input(format!("{}: {refused}", dir.display())))?;
    open.apply(Change::Together(found.changes))?;
    print(&TimedJob { aligned: found.plan.aligned, record: found.record }, flags.json.json)
}

/// What was found for the drivers of a job.
#[derive(Serialize)]
struct TimedJob {
    #[serde(flatten)]
    record: TimingRecord,
    /// What was added, and what each side adds up to, over frequency.
    aligned: Option<CarAlignment>,
}

impl std::fmt::Display for TimedJob {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for driver in &self.record.drivers {
            let setting = &driver.setting;
            let inverted = if setting.inverted { ", inverted" } else { "" };
            writeln!(
                f,
                "{:16} delay {:.2} ms, gain {}{inverted}{}{}",
                setting.channel,
                1e3 * setting.delay_s,
                signed_decibels(setting.gain_db),
                filter_text("high-pass", setting.high_pass.as_ref()),
                filter_text("low-pass", setting.low_pass.as_ref())
            )?;
        }
        for crossover in &self.record.crossovers {
            writeln!(f, "{}", car::crossover_text(crossover))?;
        }
        for sum in &self.record.sums {
            writeln!(
                f,
                "Combined response, {}: worst dip {} at {}; {} before",
                sum.heard,
                decibels(sum.worst_db),
                hertz(sum.worst_hz),
                decibels(sum.before_worst_db)
            )?;
        }
        self.record.findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text))
    }
}

/// A crossover filter in a line of settings.
pub(crate) fn filter_text(side: &str, filter: Option<&Crossover>) -> String {
    filter.map_or_else(String::new, |filter| {
        format!(", {side} {} {} {} dB/octave", hertz(filter.frequency_hz), filter.family, 6 * filter.order)
    })
}

pub(crate) fn audit(flags: &flags::Audit) -> Outcome {
    if let Some(dir) = &flags.job {
        return audit_job(dir, flags);
    }
    let (Some(before), Some(after), Some(bands)) = (&flags.before, &flags.after, &flags.bands) else {
        return Err(Error::input("give --before, --after and --bands, or --job").into());
    };
    let audit = verify::audit(before, after, bands, flags.processor.as_deref().unwrap_or(PROCESSOR))?;
    if flags.json.json {
        output::json(&audit)?;
    } else {
        output::text(&verify::audit_text(&audit))?;
    }
    audited(audit.bands.iter().any(|band| derive::is_mistake(band.verdict)))
}

/// A mistake that was found is an exit status of its own.
fn audited(mistake: bool) -> Outcome {
    if mistake { Err(Ended::NoResult) } else { Ok(()) }
}

/// Audits what a job says was entered; the verdicts go into the job.
fn audit_job(dir: &Path, flags: &flags::Audit) -> Outcome {
    let mut open = job_project::open(dir)?;
    let project = open.project();
    let Aim { target, profile, basis } = aim(project, None, flags.processor.as_deref())?;
    let audit = derive::audit_job(project, &profile, basis)
        .map_err(|error| Error::input(format!("{}: {error}", dir.display())))?;
    let choices = &project.data.choices;
    let range_hz = (choices.from_hz.unwrap_or(AUDIBLE_HZ.0), choices.to_hz.unwrap_or(AUDIBLE_HZ.1));
    let mut changes = vec![Change::AuditFound(Some(audit.record.clone()))];
    if project.data.target.is_some() {
        changes.extend(derive::outcome_changes(project, &target, range_hz));
    }
    open.apply(Change::Together(changes))?;
    let mistake = audit.has_mistake();
    print(&AuditedJob(audit), flags.json.json)?;
    audited(mistake)
}

/// An audit of a job: the bands as `audit` prints them, each with its channel, and the channels.
struct AuditedJob(JobAudit);

impl Serialize for AuditedJob {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Band<'a> {
            #[serde(skip_serializing_if = "str::is_empty")]
            channel: &'a str,
            #[serde(flatten)]
            band: &'a tuning::AuditedBand,
        }
        #[derive(Serialize)]
        struct Document<'a> {
            bands: Vec<Band<'a>>,
            channels: &'a [tuning::AuditedChannel],
            residual_rms_db: Option<f64>,
            findings: &'a [measure::Finding],
        }
        let JobAudit { bands, entry, record } = &self.0;
        let bands = bands
            .iter()
            .flat_map(|(channel, audit)| audit.bands.iter().map(move |band| Band { channel, band }));
        Document {
            bands: bands.collect(),
            channels: entry.as_ref().map_or(&[], |entry| entry.channels.as_slice()),
            residual_rms_db: record.residual_rms_db,
            findings: &record.findings,
        }
        .serialize(serializer)
    }
}

impl std::fmt::Display for AuditedJob {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let record = &self.0.record;
        record.channels.iter().try_for_each(|channel| writeln!(f, "{}", channel.text))?;
        record.bands.iter().try_for_each(|band| writeln!(f, "{}", band.text))?;
        if let Some(residual_db) = record.residual_rms_db {
            writeln!(f, "Leftover: {} RMS", decibels(residual_db))?;
        }
        record.findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text))
    }
}

pub(crate) fn meaning_of_q(flags: &flags::MeaningOfQ) -> Outcome {
    if !(8_000.0..=768_000.0).contains(&flags.processor_rate) {
        let message = format!("--processor-rate {}: expected 8000 to 768000 Hz", flags.processor_rate);
        return Err(Error::input(message).into());
    }
    let meaning = verify::meaning_of_q(&flags.flat, &flags.with_band, &flags.bands, flags.processor_rate)?;
    if flags.json.json {
        output::json(&meaning)?;
    } else {
        output::text(&verify::meaning_of_q_text(&meaning))?;
    }
    Ok(())
}
