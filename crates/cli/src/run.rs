//! Carries out one command.

use std::io;
use std::process::ExitCode;

use session::{
    Analysis, Error, Fault, ImportOrder, ListenOrder, LiveOrder, Measured, Reading, Recorded, SheetForm,
    Written,
};

use crate::flags::{self, Command, PluginsWhat, SheetFormat, TrackFormat};
use crate::progress::Progress;
use crate::{args, demo, output, preview, source, tune};

/// Why a command ended early.
pub(crate) enum Ended {
    /// With a message for the person.
    Refused(Error),
    /// A reading without a result; it has been printed.
    NoResult,
    /// Standard output is gone.
    Output(io::Error),
}

impl From<Error> for Ended {
    fn from(error: Error) -> Self {
        Self::Refused(error)
    }
}

impl From<io::Error> for Ended {
    fn from(error: io::Error) -> Self {
        Self::Output(error)
    }
}

pub(crate) type Outcome = Result<(), Ended>;

/// Carries out a command and says how it ended.
pub(crate) fn run(command: Command) -> ExitCode {
    match dispatch(command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(Ended::NoResult) => ExitCode::from(1),
        // A reader that closed the pipe has seen what it wanted.
        Err(Ended::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Err(Ended::Output(error)) => report(&Error::input(format!("cannot write the result: {error}"))),
        Err(Ended::Refused(error)) => report(&error),
    }
}

pub(crate) fn report(error: &Error) -> ExitCode {
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
        Command::Compare(flags) => compare(&flags),
        Command::Target(what) => tune::target(what),
        Command::Fit(flags) => tune::fit(flags),
        Command::Align(flags) => tune::align(&flags),
        Command::Timing(flags) => tune::timing(&flags),
        Command::Preview(flags) => preview::run(flags),
        Command::Audit(flags) => tune::audit(&flags),
        Command::MeaningOfQ(flags) => tune::meaning_of_q(&flags),
        Command::Sheet(flags) => sheet(&flags),
        Command::Report(flags) => write_report(&flags),
        Command::Job(flags) => job(flags),
        Command::Plugins(flags) => plugins(&flags),
    }
}

fn devices(flags: &flags::Json) -> Outcome {
    let devices = session::devices()?;
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
    let written = session::write_tracks(
        &flags.dir,
        rate_hz,
        bits,
        flags.format == TrackFormat::Flac,
        &mut |what, share| progress.show(what, share),
    )?;
    drop(progress);
    files_written(&written)
}

fn measure(flags: flags::Measure) -> Outcome {
    if !(flags.after.is_finite() && (0.0..=3600.0).contains(&flags.after)) {
        return Err(Error::input(format!("--after {}: expected 0 to 3600 seconds", flags.after)).into());
    }
    let order = LiveOrder {
        id: flags.id,
        rig: flags.rig,
        simulated: flags.simulated,
        job: flags.job,
        label: flags.label,
        set: flags.set,
        input: flags.input,
        settings: args::key_values(&flags.parameters)?,
        after_s: flags.after,
    };
    let progress = Progress::new();
    let Measured { reading, recording } =
        session::measure(&order, &mut |what, share| progress.show(what, share))?;
    drop(progress);
    if let Some(path) = recording {
        output::say(&format!("The recording is kept in {}", path.display()));
    }
    print_reading(&reading, flags.json.json)
}

fn listen(flags: flags::Listen) -> Outcome {
    let order = ListenOrder {
        rig: flags.rig,
        simulated: flags.simulated,
        job: flags.job,
        set: flags.set,
        tracks: flags.tracks,
        seconds: args::positive("--for", flags.seconds)?,
        play: flags.play,
    };
    let listened = session::listen(&order, &mut |what| output::say(&what.to_string()))?;
    if flags.json.json {
        output::json(&listened)?;
    } else {
        for heard in &listened.tracks {
            output::text(&format!("{}: {}\n", heard.track, heard.reading.measurement))?;
            output::reading(&heard.reading)?;
        }
    }
    let measured = listened.tracks.iter().any(|heard| heard.reading.stopped().is_none());
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
    })
}

fn analyze(flags: flags::Analyze) -> Outcome {
    let analysis = Analysis {
        id: flags.id,
        recording: flags.recording,
        track: flags.track,
        stimulus: flags.stimulus,
        recorded: recorded(flags.recorded)?,
        settings: args::key_values(&flags.parameters)?,
    };
    let reading = session::analyze(&analysis)?;
    if let (Some(path), None) = (&flags.csv, reading.stopped()) {
        session::write_csv(&reading, path, analysis.recorded.reference_channel.is_some())?;
    }
    if let (Some(dir), None) = (&flags.spots, reading.stopped()) {
        for written in session::write_spots(&reading, dir, 48_000)? {
            output::say(&written.to_string());
        }
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
    let written = session::average(&flags.responses, &flags.out)?;
    files_written(&written)
}

fn compare(flags: &flags::Compare) -> Outcome {
    let comparison = session::compare(
        &flags.before,
        &flags.after,
        args::positive("--from", flags.from)?,
        args::positive("--to", flags.to)?,
        flags.smoothing,
    )?;
    if flags.json.json {
        output::json(&comparison)?;
    } else {
        output::text(&format!(
            "RMS difference  {:.2} dB\ngreatest        {:.2} dB at {:.1} Hz\nfrom {:.1} to {:.1} Hz\n",
            comparison.rms_db, comparison.max_db, comparison.at_hz, comparison.from_hz, comparison.to_hz
        ))?;
    }
    Ok(())
}

fn sheet(flags: &flags::Sheet) -> Outcome {
    let form = match flags.format {
        SheetFormat::Text => SheetForm::Text,
        SheetFormat::Csv => SheetForm::Csv,
        SheetFormat::Json => SheetForm::Json,
        SheetFormat::Html => SheetForm::Html,
        SheetFormat::Pdf => SheetForm::Pdf,
    };
    let sheet = session::sheet(&flags.job, form)?;
    match &flags.out {
        Some(path) => {
            session::write_text(path, &sheet)?;
            files_written(&[Written::new(path, "the entry sheet")])
        }
        None => Ok(output::text(&sheet)?),
    }
}

fn write_report(flags: &flags::Report) -> Outcome {
    session::write_report(&flags.job, &flags.out)?;
    files_written(&[Written::new(&flags.out, "the customer's report")])
}

fn job(command: flags::Job) -> Outcome {
    match command {
        flags::Job::New { dir, name, car } => {
            session::new_job(&dir, name.as_deref(), &car)?;
            files_written(&[Written::new(&dir, "a new job")])
        }
        flags::Job::Import(flags) => import(flags),
        flags::Job::Show { dir, json } => print(&session::show_job(&dir)?, json.json),
        flags::Job::List { dir, json } => print(&session::list_jobs(&dir)?, json.json),
        flags::Job::Check { dir, json } => {
            let check = session::check_job(&dir)?;
            print(&check, json.json)?;
            if check.is_sound() { Ok(()) } else { Err(Ended::NoResult) }
        }
    }
}

fn import(flags: flags::Import) -> Outcome {
    let order = ImportOrder {
        job: flags.job,
        recordings: flags.recordings,
        tracks: flags.stimulus,
        recorded: recorded(flags.recorded)?,
        set: flags.set,
        told: args::stretches("--at", &flags.at)?,
    };
    let progress = Progress::new();
    let imported = session::import(&order, &mut |what, share| progress.show(what, share))?;
    drop(progress);
    print(&imported, flags.json.json)?;
    if imported.captures() == 0 { Err(Ended::NoResult) } else { Ok(()) }
}

fn plugins(flags: &flags::Plugins) -> Outcome {
    match &flags.what {
        None => list_measurements(flags.json.json),
        Some(PluginsWhat::List { json }) => list_measurements(json.json || flags.json.json),
        Some(PluginsWhat::Show { id, json }) => {
            print(&session::measurement(id)?, json.json || flags.json.json)
        }
        Some(PluginsWhat::Check { file, json }) => {
            let check = session::check_plugin(file)?;
            print(&check, json.json || flags.json.json)?;
            output::remarks(check.findings())?;
            if check.failed() { Err(Ended::NoResult) } else { Ok(()) }
        }
    }
}

fn list_measurements(json: bool) -> Outcome {
    let measurements = session::measurements();
    print(&measurements, json)?;
    Ok(output::remarks(measurements.unfit())?)
}

pub(crate) fn print(document: &(impl serde::Serialize + std::fmt::Display), json: bool) -> Outcome {
    if json {
        output::json(document)?;
    } else {
        output::text(&document.to_string())?;
    }
    Ok(())
}

/// Says on standard output what was written where, a line each.
pub(crate) fn files_written(files: &[Written]) -> Outcome {
    let lines: String = files.iter().map(|file| format!("{file}\n")).collect();
    Ok(output::text(&lines)?)
}
