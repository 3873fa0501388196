//! What can go wrong with a job folder, and what to do about it.

use std::io;
use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::CaptureId;

/// What went wrong. Every text says what to do; none of these loses anything
/// that was on disk.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum JobError {
    /// The folder has no `job.json`.
    #[error(
        "`{}` is not a job folder: it has no `job.json`. Give the folder that holds it, or make a job there \
         with `headrest job new`; captures already in the folder are kept and join the new job",
        .dir.display()
    )]
    NotAJob {
        /// The folder.
        dir: PathBuf,
    },
    /// The folder is a job already.
    #[error("`{}` is a job already; open it, or choose another folder for the new one", .dir.display())]
    AlreadyAJob {
        /// The folder.
        dir: PathBuf,
    },
    /// The folder holds something else.
    #[error(
        "`{}` is not empty and holds no captures, so it is left as it is; choose a new or an empty folder",
        .dir.display()
    )]
    FolderInUse {
        /// The folder.
        dir: PathBuf,
    },
    /// A file is not the JSON that it should be.
    #[error(
        "{}:{line}:{column}: {problem}. The file was changed or damaged; nothing in the folder was touched. \
         {}", .file.display(), advice(.file)
    )]
    Syntax {
        /// The file.
        file: PathBuf,
        /// The line, from 1.
        line: usize,
        /// The column, from 1.
        column: usize,
        /// What is wrong there.
        problem: String,
    },
    /// A file is JSON, but of another kind.
    #[error(
        "`{}` should hold \"format\": \"{expected}\" but {}; if another program wrote it, choose the right \
         folder", .file.display(), found_format(.found.as_deref())
    )]
    WrongFormat {
        /// The file.
        file: PathBuf,
        /// What its `format` says, if it has one.
        found: Option<String>,
        /// What it should say.
        expected: &'static str,
    },
    /// A number in a file cannot mean what its key says.
    #[error(
        "`{}`: `{key}`: {problem}. Correct it in a text editor; nothing was changed", .file.display()
    )]
    Senseless {
        /// The file.
        file: PathBuf,
        /// Where in it, as in `channels[0].delay_s`.
        key: String,
        /// What is wrong there.
        problem: String,
    },
    /// What should be a file is something else.
    #[error("`{}` is no file; move it out of the job's folder", .file.display())]
    NoFile {
        /// What it is called.
        file: PathBuf,
    },
    /// A file is far larger than any that this program writes.
    #[error("`{}` has {bytes} bytes, which no file of a job has; move it out of the job's folder", .file.display())]
    TooLarge {
        /// The file.
        file: PathBuf,
        /// Its size.
        bytes: u64,
    },
    /// A file was written by a newer Headrest.
    #[error(
        "`{}` has version {found} of its format, and this Headrest reads up to version {known}; open it with a \
         newer Headrest. Nothing was changed", .file.display()
    )]
    Newer {
        /// The file.
        file: PathBuf,
        /// Its version.
        found: u64,
        /// The newest version that can be read.
        known: u64,
    },
    /// Another process writes to the job.
    #[error(
        "the job `{}` is open in another Headrest{holder}; close it there first. It can still be read from here",
        .dir.display()
    )]
    Locked {
        /// The job's folder.
        dir: PathBuf,
        /// Who holds it, as in ` (process 4711)`, or empty.
        holder: String,
    },
    /// The job was opened for reading only.
    #[error("the job `{}` was opened for reading only; open it for writing to change it", .dir.display())]
    ReadOnly {
        /// The job's folder.
        dir: PathBuf,
    },
    /// No number is left for a capture.
    #[error("`{}` holds a capture of the highest number there is; give it a lower one", .dir.display())]
    Full {
        /// The folder of the captures.
        dir: PathBuf,
    },
    /// There is no such capture.
    #[error("the job has no capture {id}; `headrest job show` lists them")]
    NoCapture {
        /// Its number.
        id: CaptureId,
    },
    /// An order that does not name every capture once.
    #[error("the new order must name each of the job's {captures} captures exactly once")]
    Order {
        /// How many captures there are.
        captures: usize,
    },
    /// Something that cannot be written because it could not be read again.
    #[error("`{}` was not written: {problem}. The file is as it was before", .file.display())]
    Unwritable {
        /// The file.
        file: PathBuf,
        /// What is wrong with the contents.
        problem: String,
    },
    /// The system refused.
    #[error("could not {doing} `{}`: {source}{}", .path.display(), hint(.source))]
    Io {
        /// What was being done.
        doing: &'static str,
        /// To what.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl JobError {
    pub(crate) fn io<'a>(doing: &'static str, path: &'a Path) -> impl FnOnce(io::Error) -> Self + 'a {
        move |source| Self::Io { doing, path: path.to_owned(), source }
    }
}

/// What a person can do about a damaged file depends on which one it is.
fn advice(file: &Path) -> &'static str {
    match file.file_name().and_then(|name| name.to_str()) {
        Some("job.json") => {
            "Correct that line in a text editor, or rename the file and make a new one with \
             `headrest job new`: the captures are kept"
        }
        Some("capture.json") => {
            "Correct that line in a text editor, or rename the file and run `headrest job check`: \
             the recording beside it is kept"
        }
        Some("reading.json") => {
            "Correct that line in a text editor, or rename the file and analyze `audio.wav` again"
        }
        _ => "Correct that line in a text editor",
    }
}

fn found_format(found: Option<&str>) -> String {
    found.map_or_else(|| "has no format".to_owned(), |format| format!("says \"{format}\""))
}

fn hint(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::PermissionDenied => ". Check who may write there, or choose another folder",
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            ". Free some space; what was there before is unharmed"
        }
        io::ErrorKind::ReadOnlyFilesystem => ". Copy the job to a disk that can be written",
        io::ErrorKind::NotFound => ". Check the path",
        _ => "",
    }
}
