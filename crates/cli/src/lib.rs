//! The command line: flags to requests, results to lines or JSON.
//!
//! Every command runs the same procedures that the window runs. Results go to
//! standard output, everything else to standard error. The exit status is 0
//! when it is done, 1 when the measurement could not be made, 2 when what was
//! given cannot be used.

mod args;
mod car;
mod catalogue;
mod compare;
mod conditions;
mod demo;
mod examples;
mod fitting;
mod flags;
mod job;
mod job_project;
mod job_set;
mod jobs;
mod keyboard;
mod memory;
mod number;
mod outcome;
mod output;
mod places;
mod preview;
mod preview_tuning;
mod progress;
mod reading_csv;
mod responses;
mod run;
mod runner;
mod shell;
mod source;
mod source_flags;
mod tune;
mod tune_car;
mod verify;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::FromArgMatches;

pub use memory::out_of_memory;

/// What the person asked for.
#[derive(Debug)]
pub enum Choice {
    /// No command: the window.
    Window,
    /// A command was carried out, or refused; this is the exit status.
    Done(ExitCode),
}

/// Tells the person on standard error why nothing could be done, and gives the
/// exit status for that.
#[must_use]
pub fn refuse(message: &str) -> ExitCode {
    run::report(&library::Error::input(message), false)
}

/// No help is longer; a refusal that is repeats an argument.
const LONGEST_USAGE: usize = 20_000;

/// Reads the arguments (the first is the program's name) and carries out the
/// command, if there is one.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> Choice {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    // Wherever it stands: what is wrong may be the usage itself.
    let json = arguments.iter().any(|argument| argument == "--json");
    memory::tell_in_json(json);
    let parsed = shell::command().try_get_matches_from(arguments);
    let flags = match parsed.and_then(|matches| flags::Flags::from_arg_matches(&matches)) {
        Ok(flags) => flags,
        Err(refusal) => {
            // Help and version are asked for, and go to standard output with
            // status 0; a wrong usage goes to standard error with status 2.
            let status = u8::try_from(refusal.exit_code()).unwrap_or(2);
            let plain = refusal.render().to_string();
            if json && status != 0 {
                output::error_document("usage", plain.trim_end(), None, None);
            }
            if plain.len() > LONGEST_USAGE || plain.contains(|c: char| c.is_control() && c != '\n') {
                // It repeats an argument that is endless or holds what a terminal would obey.
                output::refusal(plain.trim_end());
            } else {
                let _ = refusal.print();
            }
            return Choice::Done(ExitCode::from(status));
        }
    };
    output::say_notes(!flags.quiet);
    match flags.command {
        None => Choice::Window,
        Some(command) => Choice::Done(run::run(command, json)),
    }
}
