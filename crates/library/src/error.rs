//! Why something could not be done, whose fault it was, and what to do.

use std::fmt;
use std::path::Path;

use job::JobError;
use measure::Finding;
use tuning::TextError;

/// Who has to act.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The person gave something that cannot be used: exit status 2.
    Input,
    /// The measurement could not be made: exit status 1.
    Measurement,
}

/// One message that says what was wrong and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Error {
    fault: Fault,
    message: String,
    file: Option<String>,
    line: Option<usize>,
}

impl Error {
    /// Something given by the person cannot be used.
    pub fn input(message: impl Into<String>) -> Self {
        Self { fault: Fault::Input, message: message.into(), file: None, line: None }
    }

    /// The measurement could not be made.
    pub fn measurement(message: impl Into<String>) -> Self {
        Self { fault: Fault::Measurement, message: message.into(), file: None, line: None }
    }

    /// A file could not be read or written; `doing` is what was tried, such as `read`.
    #[must_use]
    pub fn io(doing: &str, path: &Path, error: &std::io::Error) -> Self {
        let why = match error.kind() {
            std::io::ErrorKind::NotFound => "there is no such file or folder".to_owned(),
            std::io::ErrorKind::PermissionDenied => "permission was refused".to_owned(),
            std::io::ErrorKind::IsADirectory => "it is a folder, a file was expected".to_owned(),
            std::io::ErrorKind::NotADirectory => {
                "part of the path is a file, a folder was expected".to_owned()
            }
            std::io::ErrorKind::InvalidData => "it is not UTF-8 text".to_owned(),
            std::io::ErrorKind::StorageFull => "the disk is full".to_owned(),
            _ => error.to_string(),
        };
        let message = format!("cannot {doing} {}: {why}", path.display());
        Self { file: Some(path.display().to_string()), ..Self::input(message) }
    }

    /// A line of a file says something that cannot be used.
    #[must_use]
    pub fn in_file(file: &str, line: usize, problem: impl fmt::Display) -> Self {
        let message = format!("{file}, line {line}: {problem}");
        Self { file: Some(file.to_owned()), line: Some(line), ..Self::input(message) }
    }

    /// The file that is at fault, where one is.
    #[must_use]
    pub fn file(&self) -> Option<&str> {
        self.file.as_deref()
    }

    /// The line of that file, counted from 1, where one line is at fault.
    #[must_use]
    pub fn line(&self) -> Option<usize> {
        self.line
    }

    /// Who has to act.
    #[must_use]
    pub fn fault(&self) -> Fault {
        self.fault
    }
}

impl From<&Finding> for Error {
    fn from(finding: &Finding) -> Self {
        Self::measurement(finding.text.clone())
    }
}

impl From<TextError> for Error {
    fn from(error: TextError) -> Self {
        Self { file: Some(error.name.clone()), line: error.line, ..Self::input(error.to_string()) }
    }
}

impl From<JobError> for Error {
    fn from(error: JobError) -> Self {
        use JobError::{
            AlreadyAJob, FolderInUse, Full, Io, Locked, Newer, NoFile, NotAJob, ReadOnly, Senseless, Syntax,
            TooLarge, Unwritable, WrongFormat,
        };
        let line = if let Syntax { line, .. } = error { Some(line) } else { None };
        let path = match &error {
            NotAJob { dir }
            | AlreadyAJob { dir }
            | FolderInUse { dir }
            | Locked { dir, .. }
            | ReadOnly { dir, .. }
            | Full { dir, .. } => Some(dir),
            Syntax { file, .. }
            | WrongFormat { file, .. }
            | Senseless { file, .. }
            | NoFile { file, .. }
            | TooLarge { file, .. }
            | Newer { file, .. }
            | Unwritable { file, .. } => Some(file),
            Io { path, .. } => Some(path),
            _ => None,
        };
        let file = path.map(|path| path.display().to_string());
        Self { file, line, ..Self::input(error.to_string()) }
    }
}

impl From<recording::WriteError> for Error {
    fn from(error: recording::WriteError) -> Self {
        use recording::WriteError::{Exists, Io, Unfit};
        let (Io { path, .. } | Exists { path } | Unfit { path, .. }) = &error;
        Self { file: Some(path.display().to_string()), ..Self::input(error.to_string()) }
    }
}

impl From<recording::ReadError> for Error {
    fn from(error: recording::ReadError) -> Self {
        use recording::ReadError::{Damaged, Empty, Missing, NoFrames, NotAudio, Rate, TooLong, Unreadable};
        let (Missing { path }
        | Unreadable { path, .. }
        | Empty { path }
        | NotAudio { path, .. }
        | Damaged { path, .. }
        | NoFrames { path }
        | Rate { path, .. }
        | TooLong { path, .. }) = &error;
        Self { file: Some(path.display().to_string()), ..Self::input(error.to_string()) }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Error {}

/// What most operations on behalf of a person return.
pub type Result<T> = std::result::Result<T, Error>;

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    #[test]
    fn an_error_names_its_file_and_line() {
        let text = tuning::Response::parse("100 -1\n50 -1\n", "mine.csv").unwrap_err();
        let error = Error::from(text);
        assert_eq!((error.fault(), error.file(), error.line()), (Fault::Input, Some("mine.csv"), Some(2)));
        let gone = std::io::Error::from(std::io::ErrorKind::NotFound);
        let error = Error::io("read", Path::new("none.csv"), &gone);
        assert_eq!((error.file(), error.line()), (Some("none.csv"), None));
        assert!(error.to_string().contains("there is no such file"), "{error}");
        assert_eq!(Error::measurement("too noisy").fault(), Fault::Measurement);
        let missing = recording::read("none.wav").unwrap_err();
        assert_eq!(Error::from(missing).file(), Some("none.wav"));
        let no_job = job::Job::open_to_read("no-job").unwrap_err();
        assert_eq!(Error::from(no_job).file(), Some("no-job"));
    }
}
