//! Carries out `tune`: the whole car tuned from the captures of a job, into the job.

use std::fmt::{self, Write as _};
use std::ops::ControlFlow;

use job::{Basis, JobData};
use library::Error;
use project::Change;
use project::derive::TuneInputs;
use serde::Serialize;
use tuning::{CarTune, Equalizer, Judgement, Profile, Seat, SideDeviation, TuneOptions};
use units::quantity::{decibels, sentence, signed_decibels};

use crate::flags::Tune;
use crate::job_project::{self, Aim, aim};
use crate::outcome::{Outcome, print};
use crate::progress::Progress;
use crate::runner;
use crate::tune::{filter_text, roles};

pub(crate) fn run(flags: &Tune) -> Outcome {
    let mut open = job_project::open(&flags.dir)?;
    let project = open.project();
    let Aim { target, profile, basis } = aim(project, flags.target.as_deref(), flags.processor.as_deref())?;
    let options = options(flags, &project.data, &profile)?;
    let refused = |why: String| Error::input(format!("{}: {why}", flags.dir.display()));
    let roles = roles(&flags.role)?;
    let basis = Basis { from_hz: None, to_hz: None, ..basis };
    let inputs = TuneInputs::of_job(project, &roles, target, profile, options, basis)
        .map_err(|error| refused(error.to_string()))?;
    let mut tune = if flags.quick {
        tuning::quick_tune(&inputs.input())
    } else {
        let token = runner::interruptible()?;
        let progress = Progress::new();
        tuning::tune_car(&inputs.input(), &mut |now| {
            #[expect(clippy::cast_precision_loss, reason = "thousands")]
            progress.show("Tuning", now.evaluations as f64 / now.of.max(1) as f64);
            if token.is_stopped() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })
    }
    .map_err(|error| refused(error.to_string()))?;
    inputs.explain(&mut tune);
    let changes = inputs.changes(project, &tune);
    open.apply(Change::Together(changes))?;
    print(&Tuned(tune), flags.json.json)
}

/// What may be done: as the command says, else as the job says, else as usual.
fn options(flags: &Tune, data: &JobData, profile: &Profile) -> Result<TuneOptions, Error> {
    let usual = TuneOptions::default();
    let choices = &data.choices;
    let max_boost_db = flags.max_boost.or(choices.max_boost_db);
    if max_boost_db.is_some_and(|boost| boost < 0.0) {
        return Err(Error::input("--max-boost: expected 0 or more dB"));
    }
    let max_bands = flags.max_bands.or(choices.max_bands.and_then(|most| usize::try_from(most).ok()));
    let asked = flags.equalizer.map(Equalizer::from);
    if let Some(asked) = asked.filter(|asked| !profile.equalizers.contains(asked)) {
        let there: Vec<&str> = profile.equalizers.iter().map(|one| one.word()).collect();
        let text = format!(
            "--equalizer {asked}: the processor `{}` has no such equalizer (it has {})",
            profile.name,
            there.join(", ")
        );
        return Err(Error::input(text));
    }
    Ok(TuneOptions {
        seat: flags.seat.map(Seat::from).or(choices.seat).unwrap_or(usual.seat),
        equalizer: profile.equalizer(asked.or(choices.equalizer)),
        max_boost_db,
        max_bands,
        effort: flags.effort.unwrap_or(usual.effort),
        ..usual
    })
}

/// A tune, in the order in which a person enters it.
#[derive(Serialize)]
#[serde(transparent)]
struct Tuned(CarTune);

impl fmt::Display for Tuned {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let tune = &self.0;
        let seat = match tune.seat {
            Seat::Driver => "for the driver",
            Seat::Both => "for both front seats",
        };
        writeln!(f, "{}, {}", sentence(seat), equalizer(tune.equalizer))?;
        let width = tune.channels.iter().map(|one| one.channel.chars().count()).max().unwrap_or(0);
        let mut section = |title: &str, line: &dyn Fn(&tuning::TunedChannel) -> Option<(String, String)>| {
            let mut lines = String::new();
            for channel in &tune.channels {
                if let Some((value, why)) = line(channel) {
                    let _ =
                        writeln!(lines, "  {:width$}  {value}\n  {:width$}    {why}", channel.channel, "");
                }
            }
            if lines.is_empty() { Ok(()) } else { write!(f, "\n{title}\n{lines}") }
        };
        section("LEVELS", &|one| Some((signed_decibels(one.gain_db), one.why.gain_db.clone())))?;
        section("POLARITY", &|one| {
            let word = if one.inverted { "inverted" } else { "normal" };
            Some((word.to_owned(), one.why.inverted.clone()))
        })?;
        section("DELAYS", &|one| Some((format!("{:.2} ms", 1e3 * one.delay_s), one.why.delay_s.clone())))?;
        section("CROSSOVERS", &|one| {
            let setting = |filter: Option<tuning::CarFilter>| filter.map(project::derive::crossover);
            let text = format!(
                "{}{}",
                filter_text("high-pass", setting(one.high_pass).as_ref()),
                filter_text("low-pass", setting(one.low_pass).as_ref())
            );
            let why = [&one.why.high_pass, &one.why.low_pass];
            let why: Vec<&str> = why.into_iter().flatten().map(String::as_str).collect();
            (!text.is_empty()).then(|| (text.trim_start_matches(", ").to_owned(), why.join(" ")))
        })?;
        let channels = tune.channels.iter().map(|one| (one.channel.as_str(), &one.bands));
        let inputs = tune.inputs.iter().map(|one| (one.input.word(), &one.bands));
        for (name, bands) in inputs.chain(channels).filter(|(_, bands)| !bands.is_empty()) {
            writeln!(f, "\nBANDS, {name}")?;
            for (number, band) in (1..).zip(bands) {
                writeln!(f, "{number:4}  {}\n      {}", band.typed().sentence(), band.why)?;
            }
        }
        writeln!(
            f,
            "\n{:26}  {:>8}  {:>9}  {:>8}",
            "Deviation from target", "before", "predicted", "kept out"
        )?;
        let judged = [Some(&tune.before), Some(&tune.predicted), tune.kept_out.as_ref()];
        let mut row = |name: &str, of: &dyn Fn(&Judgement) -> f64| {
            let cell = |judged: Option<&Judgement>| {
                judged.map_or_else(|| "–".to_owned(), |judged| decibels(of(judged)))
            };
            let [before, predicted, kept_out] = judged.map(cell);
            writeln!(f, "{name:26}  {before:>8}  {predicted:>9}  {kept_out:>8}")
        };
        for name in ["left", "right", "both together"] {
            row(&format!("{name}, average"), &|judged| side(judged, name).average_rms_db)?;
            row(&format!("{name}, each place"), &|judged| side(judged, name).each_rms_db)?;
        }
        row("left against right", &|one| one.left_right.rms_db)?;
        row("left louder by", &|one| one.left_right.level_db)?;
        for (place, _) in (0..).zip(&tune.predicted.both.places) {
            let name = format!("at {}", tune.predicted.both.places[place].place);
            row(&name, &|one| one.both.places.get(place).map_or(f64::NAN, |place| place.rms_db))?;
        }
        let drive: Vec<String> =
            tune.drive_db.iter().map(|(channel, db)| format!("{channel} {}", signed_decibels(*db))).collect();
        writeln!(f, "Drive                       {}", drive.join(", "))?;
        if let Some(db) = tune.separation_db {
            writeln!(f, "Separation of the sides     {}", decibels(db))?;
        }
        tune.findings.iter().try_for_each(|finding| writeln!(f, "{}", finding.text))
    }
}

/// One side, or both together.
fn side<'a>(judged: &'a Judgement, name: &str) -> &'a SideDeviation {
    match name {
        "left" => &judged.left,
        "right" => &judged.right,
        _ => &judged.both,
    }
}

fn equalizer(equalizer: Equalizer) -> &'static str {
    match equalizer {
        Equalizer::Channels => "an equalizer for each channel",
        Equalizer::Sides => "an equalizer for each side",
        Equalizer::One => "one equalizer for all",
    }
}
