//! Files in and out, with messages that name them.

use std::fmt;
use std::io::{Read, Write as _};
use std::path::{Path, PathBuf};

use crate::{Error, Result};

/// The largest text file that is read: a response of a million points is well
/// under this, and a recording named by mistake is not read whole.
const LARGEST_TEXT_BYTES: u64 = 64 << 20;

/// Something that was written, for telling the person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// Where it is.
    pub path: PathBuf,
    /// What it is.
    pub what: String,
}

impl Written {
    /// What was written where.
    pub fn new(path: &Path, what: impl Into<String>) -> Self {
        Self { path: path.to_owned(), what: what.into() }
    }
}

impl fmt::Display for Written {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}  {}", self.path.display(), self.what)
    }
}

/// Reads a text file.
///
/// # Errors
/// When the system refuses, it is no UTF-8 text, or so large that it cannot have been meant.
pub fn read_text(path: &Path) -> Result<String> {
    let refused = |error| Error::io("read", path, &error);
    let length = std::fs::metadata(path).map_err(refused)?.len();
    if length > LARGEST_TEXT_BYTES {
        return Err(too_large(path, format!("{} MB", length >> 20)));
    }
    text_of(std::fs::File::open(path).map_err(refused)?, path)
}

/// Reads standard input as a text.
///
/// # Errors
/// As [`read_text`].
pub fn read_standard_input() -> Result<String> {
    text_of(std::io::stdin().lock(), Path::new("-"))
}

/// A device, a pipe or a file that grows says nothing of how much it holds.
fn text_of(source: impl Read, path: &Path) -> Result<String> {
    let refused = |error| Error::io("read", path, &error);
    let mut bytes = Vec::new();
    source.take(LARGEST_TEXT_BYTES + 1).read_to_end(&mut bytes).map_err(refused)?;
    if bytes.len() as u64 > LARGEST_TEXT_BYTES {
        return Err(too_large(path, format!("more than {} MB", LARGEST_TEXT_BYTES >> 20)));
    }
    String::from_utf8(bytes).map_err(|_| refused(std::io::ErrorKind::InvalidData.into()))
}

fn too_large(path: &Path, holds: String) -> Error {
    Error::input(format!("{} holds {holds}; a text file was expected", path.display()))
}

/// Whether a path is the word for standard input or output, `-`.
#[must_use]
pub fn is_standard(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// Writes a text file whole or not at all; the folder must exist. `-` is standard output.
///
/// # Errors
/// When the system refuses. A reader of standard output that has gone is no error: it has seen what it wanted.
pub fn write_text(path: &Path, text: &str) -> Result<()> {
    write_bytes(path, text.as_bytes())
}

/// Writes a file whole or not at all, or to standard output.
///
/// # Errors
/// As [`write_text`].
pub fn write_bytes(path: &Path, bytes: &[u8]) -> Result<()> {
    if is_standard(path) {
        return match std::io::stdout().lock().write_all(bytes) {
            Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
                Err(Error::io("write", Path::new("standard output"), &error))
            }
            _ => Ok(()),
        };
    }
    recording::save_atomically(path, |writer| writer.write_all(bytes))
        .map_err(|error| Error::io("write", path, &error))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_no_end_is_not_read_to_it() {
        let message = text_of(std::io::repeat(b'1'), Path::new("zeros")).unwrap_err().to_string();
        assert_eq!(message, "zeros holds more than 64 MB; a text file was expected");
        let message = text_of(&b"\xff\xfe"[..], Path::new("x")).unwrap_err().to_string();
        assert_eq!(message, "cannot read x: it is not UTF-8 text");
        assert_eq!(text_of(&b"20 1"[..], Path::new("x")).unwrap(), "20 1");
    }
}
