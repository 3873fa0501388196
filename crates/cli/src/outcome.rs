//! How a command ends, and what it prints then.

use std::io;
use std::path::PathBuf;

use library::Error;
use library::files::{Written, is_standard};

use crate::output;

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

/// How a command ended.
pub(crate) type Outcome = Result<(), Ended>;

/// Prints what a command answers, as text or as one document.
pub(crate) fn print(document: &(impl serde::Serialize + std::fmt::Display), json: bool) -> Outcome {
    if json {
        output::json(document)?;
    } else {
        output::text(&document.to_string())?;
    }
    Ok(())
}

/// Says on standard output what was written where, a line each or as one document; on standard error
/// where standard output is what was written.
pub(crate) fn files_written(files: &[Written], json: bool) -> Outcome {
    let onto_output = files.iter().any(|file| is_standard(&file.path));
    if onto_output {
        files.iter().for_each(|file| output::say(&file.what));
    } else if json {
        let written: Vec<serde_json::Value> = files
            .iter()
            .map(|file| serde_json::json!({ "path": file.path.display().to_string(), "what": file.what }))
            .collect();
        output::json(&serde_json::json!({ "written": written }))?;
    } else {
        let name = |file: &Written| file.path.display().to_string();
        let width = files.iter().map(|file| name(file).chars().count()).max().unwrap_or(0);
        let line = |file: &Written| format!("{:width$}  {}\n", name(file), file.what);
        output::text(&files.iter().map(line).collect::<String>())?;
    }
    Ok(())
}

/// Refuses `--json` beside something that goes to standard output as well.
pub(crate) fn one_output(option: &str, path: Option<&PathBuf>, json: bool) -> Result<(), Error> {
    if json && path.is_some_and(|path| is_standard(path)) {
        let text = format!("--json and {option} - both write to standard output; give {option} a file");
        return Err(Error::input(text));
    }
    Ok(())
}
