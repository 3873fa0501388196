//! Carries out one command.

use std::io::{self, IsTerminal};
use std::path::Path;
use std::process::ExitCode;

use ::job::{Conditions, Driver, Job, Set};
use library::files::is_standard;
use library::files::{Written, write_bytes};
use library::{Error, Fault};
use measure::Reading;
use procedure::papers::{self, PageSize, SheetForm};
use procedure::{Analysis, Captured, Event, ImportOrder, ListenOrder, MeasureOrder, OpenJob, Recorded};
use project::derive::Placing;
use rig::{OpenRig, Pace, RigChoice};

use crate::flags::{self, Command, PaperSize, PluginsWhat, SheetFormat, TrackFormat};
use crate::keyboard::{self, Screen};
use crate::outcome::{Ended, Outcome, files_written, one_output, print};
use crate::output::Growing;
use crate::progress::Progress;
use crate::runner::{self, Runner, Said};
use crate::{
    args, catalogue, compare, demo, job, job_set, jobs, output, places, preview, reading_csv, responses,
    shell, source, tune, tune_car,
};

/// Carries out a command and says how it ended.
pub(crate) fn run(command: Command, json: bool) -> ExitCode {
    match dispatch(command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(Ended::NoResult) => ExitCode::from(1),
        // A reader that closed the pipe has seen what it wanted.
        Err(Ended::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Err(Ended::Output(error)) => {
            report(&Error::input(format!("cannot write the result: {error}")), false)
        }
        Err(Ended::Refused(error)) => report(&error, json),
    }
}

/// Says why something could not be done; with `--json` as one document, too.
pub(crate) fn report(error: &Error, json: bool) -> ExitCode {
    if json {
        let kind = match error.fault() {
            Fault::Measurement => "measurement",
            Fault::Input => "input",
        };
        output::error_document(kind, &error.to_string(), error.file(), error.line());
    }
    output::refusal(&format!("headrest: {error}"));
    ExitCode::from(match error.fault() {
        Fault::Measurement => 1,
        Fault::Input => 2,
    })
}

fn dispatch(command: Command) -> Outcome {
    match command {
        Command::Demo(flags) => demo::run(&flags),
        Command::Devices(flags) => devices(&flags),
        Command::Tracks(flags) => tracks(&flags),
        Command::Measure(flags) => measure(flags),
        Command::Listen(flags) => listen(flags),
        Command::Analyze(flags) => analyze(flags),
        Command::Calibrate(flags) => source::calibrate(flags),
        Command::Source(flags) => source::source(flags),
        Command::Gain(flags) => source::gain(&flags),
        Command::Average(flags) => average(&flags),
        Command::Compare(flags) => compare::compare(&flags),
        Command::Target(what) => tune::target(what),
        Command::Fit(flags) => tune::fit(flags),
        Command::Align(flags) => tune::align(&flags),
        Command::Timing(flags) => tune::timing(&flags),
        Command::Tune(flags) => tune_car::run(&flags),
        Command::Preview(flags) => preview::run(flags),
        Command::Audit(flags) => tune::audit(&flags),
        Command::MeaningOfQ(flags) => tune::meaning_of_q(&flags),
        Command::Sheet(flags) => sheet(&flags),
        Command::Report(flags) => write_report(&flags),
        Command::Job(flags) => job_of(flags),
        Command::Plugins(flags) => plugins(&flags),
        Command::Completions { shell } => Ok(shell::completions(shell)?),
        Command::Man { dir: Some(dir) } => files_written(&[shell::man_pages(&dir)?], false),
        Command::Man { dir: None } => Ok(shell::man_page()?),
    }
}

fn devices(flags: &flags::Json) -> Outcome {
    let devices = catalogue::devices()?;
    if flags.json {
        output::json(&devices)?;
    } else {
        output::text(&devices.to_string())?;
    }
    Ok(())
}

fn tracks(flags: &flags::Tracks) -> Outcome {
    let progress = Progress::new();
    let rate_hz = flags.rate.parse().map_err(|_| Error::input(format!("--rate {}", flags.rate)))?;
    let bits = flags.bits.parse().map_err(|_| Error::input(format!("--bits {}", flags.bits)))?;
    let written = procedure::write_tracks(
        &flags.dir,
        rate_hz,
        bits,
        flags.format == TrackFormat::Flac,
        &mut |what, share| progress.show(what, share),
    )?;
    drop(progress);
    files_written(&written, flags.json.json)
}

fn measure(flags: flags::Measure) -> Outcome {
    if !(flags.after.is_finite() && (0.0..=3600.0).contains(&flags.after)) {
        return Err(Error::input(format!("--after {}: expected 0 to 3600 seconds", flags.after)).into());
    }
    let order = MeasureOrder {
        id: flags.id,
        label: flags.label,
        set: flags.set.as_deref().and_then(Set::from_word),
        inputs: flags.input,
        driver: flags.driver.as_deref().map(|name| driver(flags.job.as_deref(), name)),
        settings: args::key_values(&flags.parameters)?,
        after_s: flags.after,
    };
    // What cannot be measured is told before a rig is opened.
    let registry = procedure::registry(&order.id);
    registry.manifest(&order.id).map_err(|unknown| procedure::unknown(&registry, &unknown))?;
    let rig = OpenRig::open(RigChoice::of(flags.rig, flags.simulated, Pace::AsFastAsPossible))?;
    let inputs: Vec<String> = rig.spec().inputs.iter().map(|input| input.name.clone()).collect();
    let progress = Progress::new();
    let mut runner = Runner::new(rig, flags.job.as_ref(), keyboard::nobody())?;
    let mut said = Said::default();
    flags.conditions.note(&mut said.conditions)?;
    (said.position, said.driver, said.channel) = (flags.position, flags.driver, flags.channel);
    runner.keeper.say(said);
    let captured =
        runner.run(&mut |event| progress.tell(event), |session| procedure::measure(session, &order))?;
    drop(progress);
    if let Some(path) = captured.iter().find_map(|captured| captured.recording.as_ref()) {
        output::say(&format!("The recording is kept in {}", path.display()));
    }
    match captured.as_slice() {
        [] => Err(Error::measurement("it was stopped before anything was measured").into()),
        [captured] => print_reading(&captured.reading, flags.json.json),
        several => print_captures(several, &inputs, flags.json.json),
    }
}

/// A driver as a job knows it; by its name alone where the job does not.
fn driver(job: Option<&Path>, name: &str) -> Driver {
    let known = job.and_then(|dir| Job::open_to_read(dir).ok());
    let known = known.and_then(|job| job.data().intake.drivers.iter().find(|one| one.name == name).cloned());
    known.unwrap_or_else(|| Driver { name: name.to_owned(), ..Driver::default() })
}

/// What several inputs gave at the same time.
fn print_captures(captured: &[Captured], inputs: &[String], json: bool) -> Outcome {
    let name = |captured: &Captured| inputs.get(captured.input).map_or("", String::as_str).to_owned();
    if json {
        let captures: Vec<serde_json::Value> = captured
            .iter()
            .map(|one| {
                serde_json::json!({
                    "input": name(one),
                    "label": one.label,
                    "capture": one.id.map(|id| id.0),
                    "reading": one.reading,
                })
            })
            .collect();
        output::json(&serde_json::json!({ "captures": captures }))?;
    } else {
        for one in captured {
            output::text(&format!("{}\n", name(one)))?;
            output::reading(&one.reading)?;
        }
    }
    let measured = captured.iter().any(|one| one.reading.stopped().is_none());
    if measured { Ok(()) } else { Err(Ended::NoResult) }
}

fn listen(flags: flags::Listen) -> Outcome {
    let mut play = flags.play;
    if play.is_empty() && flags.simulated.is_some() {
        play.push("sweep-full".to_owned());
    }
    let order = ListenOrder {
        input: None,
        set: flags.set.as_deref().and_then(Set::from_word),
        tracks: flags.tracks.max(1),
        seconds: args::positive("--for", flags.seconds)?,
        play: play.iter().map(|name| procedure::track_named("--play", name)).collect::<Result<_, _>>()?,
    };
    let rig = OpenRig::open(RigChoice::of(flags.rig, flags.simulated, Pace::AsFastAsPossible))?;
    let mut runner = Runner::new(rig, flags.job.as_ref(), keyboard::nobody())?;
    let mut conditions = Conditions::default();
    flags.conditions.note(&mut conditions)?;
    runner.keeper.say(Said { conditions, ..Said::default() });
    let (screen, mut elapsed_s, mut measured) = (Screen::new(), 0.0, false);
    let mut document = flags.json.json.then(|| Growing::new("tracks")).transpose()?;
    // Printed or kept as it comes. When nobody reads any more, listening goes on: a job keeps what is heard.
    let mut told = Ok(());
    let findings = runner.run(
        &mut |event| match event {
            Event::Level { elapsed_s: now_s, .. } => elapsed_s = *now_s,
            Event::Recording(path) => screen.say(&format!("The recording is kept in {}", path.display())),
            Event::Progress { what, .. } => screen.say(what),
            Event::Recognised { track, to_s, .. } => {
                let left_s = (to_s - elapsed_s).max(0.0);
                screen.say(&format!("{track} is being played, {left_s:.0} s to go"));
            }
            Event::Finding(finding) => screen.say(&finding.text),
            _ => {}
        },
        |session| {
            procedure::listen(session, &order, &mut |heard| {
                measured |= heard.reading.stopped().is_none();
                let title = || format!("{}: {}\n", heard.track, heard.reading.measurement);
                if told.is_ok() {
                    told = match &mut document {
                        Some(document) => document.push(&heard),
                        None => output::text(&title()).and_then(|()| output::reading(&heard.reading)),
                    };
                }
            })
        },
    )?;
    told?;
    if let Some(document) = document {
        document.print(&findings)?;
    }
    output::remarks(&findings)?;
    if !measured {
        output::say("No track was heard to its end and measured.");
        return Err(Ended::NoResult);
    }
    Ok(())
}

/// How a recording was made, checked; channels are counted from 0 from here on.
fn recorded(flags: flags::Recorded) -> Result<Recorded, Error> {
    let reference = flags.reference_channel.map(|number| args::channel("--reference-channel", number));
    Ok(Recorded {
        channel: args::channel("--channel", flags.channel)?,
        reference_channel: reference.transpose()?,
        mic_cal: flags.mic_cal,
        dbfs_at_94: args::finite("--dbfs-at-94", flags.dbfs_at_94)?,
        volts_per_fs: args::positive("--volts-per-fs", flags.volts_per_fs)?,
        calibration: None,
    })
}

fn analyze(flags: flags::Analyze) -> Outcome {
    one_output("--csv", flags.csv.as_ref(), flags.json.json)?;
    let analysis = Analysis {
        id: flags.id,
        recording: flags.recording,
        track: flags.track,
        stimulus: flags.stimulus,
        recorded: recorded(flags.recorded)?,
        settings: args::key_values(&flags.parameters)?,
    };
    let reading = procedure::analyze(&analysis)?;
    if let (Some(path), None) = (&flags.csv, reading.stopped()) {
        reading_csv::write_csv(&reading, path, analysis.recorded.reference_channel.is_some())?;
    }
    if let (Some(dir), None) = (&flags.spots, reading.stopped()) {
        for written in procedure::write_spots(&reading, dir, 48_000)? {
            output::say(&written.to_string());
        }
    }
    if flags.csv.is_some_and(|path| is_standard(&path)) && reading.stopped().is_none() {
        return Ok(output::findings(&reading)?);
    }
    print_reading(&reading, flags.json.json)
}

fn print_reading(reading: &Reading, json: bool) -> Outcome {
    if json {
        output::json(reading)?;
    } else {
        output::reading(reading)?;
    }
    if reading.stopped().is_some() { Err(Ended::NoResult) } else { Ok(()) }
}

fn average(flags: &flags::Average) -> Outcome {
    let written = responses::average(&flags.responses, &flags.out)?;
    files_written(&written, flags.json.json)
}

fn sheet(flags: &flags::Sheet) -> Outcome {
    let form = if flags.json && flags.out.is_none() { SheetForm::Json } else { sheet_form(flags)? };
    let sheet = papers::sheet(&flags.job, form, page_size(flags.paper.paper))?;
    match flags.out.as_ref().filter(|path| !is_standard(path)) {
        Some(path) => {
            write_bytes(path, &sheet)?;
            files_written(&[Written::new(path, "the entry sheet")], flags.json)
        }
        None if form == SheetForm::Pdf && io::stdout().is_terminal() => {
            Err(Error::input("a terminal cannot show PDF; add --out FILE.pdf").into())
        }
        None if form == SheetForm::Pdf => Ok(output::bytes(&sheet)?),
        None => Ok(output::text(&String::from_utf8_lossy(&sheet))?),
    }
}

/// The form that was asked for, or else that of the file's ending.
fn sheet_form(flags: &flags::Sheet) -> Result<SheetForm, Error> {
    Ok(match (flags.format, &flags.out) {
        (Some(SheetFormat::Text), _) | (None, None) => SheetForm::Text,
        (Some(SheetFormat::Csv), _) => SheetForm::Csv,
        (Some(SheetFormat::Json), _) => SheetForm::Json,
        (Some(SheetFormat::Html), _) => SheetForm::Html,
        (Some(SheetFormat::Pdf), _) => SheetForm::Pdf,
        (None, Some(path)) => papers::sheet_form(path)?,
    })
}

fn page_size(paper: PaperSize) -> PageSize {
    match paper {
        PaperSize::A4 => PageSize::A4,
        PaperSize::Letter => PageSize::Letter,
    }
}

fn write_report(flags: &flags::Report) -> Outcome {
    let words = papers::wording(flags.words.as_deref())?;
    papers::write_report(&flags.job, &flags.out, page_size(flags.paper.paper), &words)?;
    files_written(&[Written::new(&flags.out, "the customer's report")], flags.json.json)
}

fn job_of(command: flags::Job) -> Outcome {
    match command {
        flags::Job::New { dir, name, car, json } => {
            jobs::new_job(&dir, name.as_deref(), &car)?;
            files_written(&[Written::new(&dir, "a new job")], json.json)
        }
        flags::Job::Import(flags) => import(flags),
        flags::Job::Set(flags) => job_set::set(&flags),
        flags::Job::Capture(flags) => job::capture(&flags),
        flags::Job::Compute(flags) => job::compute(&flags),
        flags::Job::Export(flags) => job::export(&flags),
        flags::Job::Show { dir, json } => print(&jobs::show_job(&dir)?, json.json),
        flags::Job::List { dir, json } => print(&jobs::list_jobs(&dir)?, json.json),
        flags::Job::Check { dir, json } => {
            let check = jobs::check_job(&dir)?;
            print(&check, json.json)?;
            if check.is_sound() { Ok(()) } else { Err(Ended::NoResult) }
        }
    }
}

/// A job to be looked at: what its captures are, and not what is in them.
fn job_file(dir: &Path) -> Result<Job, Error> {
    Ok(Job::open_to_read(dir)?)
}

fn import(flags: flags::Import) -> Outcome {
    let mut placing = if flags.job.join("job.json").is_file() {
        Placing::of(OpenJob::new(job_file(&flags.job)?).project())
    } else {
        Placing::default()
    };
    placing.said = places::said(&flags.places)?;
    if let Some(table) = &flags.table {
        placing.said.extend(places::table(table)?);
    }
    placing.set = flags.set.as_deref().and_then(Set::from_word);
    placing.again = flags.again;
    flags.conditions.note(&mut placing.conditions)?;
    if let (Some(said), 2..) = (placing.said.iter().find(|said| said.file.is_none()), flags.recordings.len())
    {
        let text = format!(
            "{}: of which of the {} recordings? Name its file in a table, or import it alone",
            said.written,
            flags.recordings.len()
        );
        return Err(Error::input(text).into());
    }
    let order = ImportOrder {
        job: flags.job,
        recordings: flags.recordings,
        tracks: flags.stimulus,
        recorded: recorded(flags.recorded)?,
        placing,
        told: args::stretches("--at", &flags.at)?,
    };
    let progress = Progress::new();
    let imported = runner::import(&order.job, &mut |event| progress.tell(event), &order)?;
    drop(progress);
    print(&imported, flags.json.json)?;
    if imported.captures() == 0 && !imported.all_known() { Err(Ended::NoResult) } else { Ok(()) }
}

fn plugins(flags: &flags::Plugins) -> Outcome {
    match &flags.what {
        None => list_measurements(flags.json.json),
        Some(PluginsWhat::List { json }) => list_measurements(json.json || flags.json.json),
        Some(PluginsWhat::Show { id, json }) => {
            print(&catalogue::measurement(id)?, json.json || flags.json.json)
        }
        Some(PluginsWhat::Check { file, json }) => {
            let check = procedure::check_plugin(file)?;
            print(&check, json.json || flags.json.json)?;
            output::remarks(check.findings())?;
            if check.failed() { Err(Ended::NoResult) } else { Ok(()) }
        }
    }
}

fn list_measurements(json: bool) -> Outcome {
    let measurements = catalogue::measurements();
    print(&measurements, json)?;
    Ok(output::remarks(measurements.unfit())?)
}
