//! Reading and writing the JSON files of a job, with their format and version.

use std::fs;
use std::io;
use std::path::Path;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::JobError;
use crate::save::write_atomically;
use crate::seal::{Seal, opened, sealed, sha256};
use crate::sense::{may_hide, nonsense, show_plainly};

/// No file of a job is larger; one that is would only fill the memory.
const MOST_BYTES: u64 = 256 << 20;

/// A JSON file of a job.
pub(crate) trait Document: Serialize + DeserializeOwned + PartialEq {
    /// What stands under `format`.
    const FORMAT: &'static str;
    /// The newest version that is understood; it is the one that is written.
    const VERSION: u64;
    /// Whether each number is what its key says; what a measurement found may be anything.
    const IS_CHECKED: bool;
}

/// The part of a file that every version of every format has.
#[derive(Deserialize)]
struct Envelope {
    format: Option<Value>,
    version: Option<Value>,
}

/// A file as it was read.
pub(crate) struct Found<D> {
    /// What it holds.
    pub(crate) document: D,
    /// Whether it is as it was written.
    pub(crate) seal: Seal,
    /// The SHA-256 of its bytes.
    pub(crate) sha256: String,
}

/// Reads a file; `None` when it is not there.
pub(crate) fn read<D: Document>(file: &Path) -> Result<Option<D>, JobError> {
    Ok(read_sealed(file)?.map(|found| found.document))
}

/// Reads a file and looks at its seal; `None` when it is not there.
pub(crate) fn read_sealed<D: Document>(file: &Path) -> Result<Option<Found<D>>, JobError> {
    let bytes = match fs::metadata(file) {
        // A pipe would be waited for without end.
        Ok(metadata) if !metadata.is_file() => return Err(JobError::NoFile { file: file.to_owned() }),
        Ok(metadata) if metadata.len() > MOST_BYTES => {
            return Err(JobError::TooLarge { file: file.to_owned(), bytes: metadata.len() });
        }
        Ok(_) => fs::read(file),
        Err(error) => Err(error),
    };
    match bytes {
        Ok(bytes) => {
            let (plain, seal) = opened(&bytes);
            Ok(Some(Found { document: parse(file, &plain)?, seal, sha256: sha256(&bytes) }))
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(JobError::io("read", file)(error)),
    }
}

/// Writes a file, whole or not at all, and gives the SHA-256 of its bytes.
pub(crate) fn write<D: Document>(file: &Path, document: &D) -> Result<String, JobError> {
    let bytes = sealed(render(file, document)?);
    write_atomically(file, &bytes)?;
    Ok(sha256(&bytes))
}

/// Understands the bytes of a file, which have no seal any more.
pub(crate) fn parse<D: Document>(file: &Path, bytes: &[u8]) -> Result<D, JobError> {
    // Some editors put a byte order mark in front when a file is saved by hand.
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let syntax = |error: serde_json::Error| JobError::Syntax {
        file: file.to_owned(),
        line: error.line().max(1),
        column: error.column().max(1),
        problem: problem(&error, bytes),
    };
    let envelope: Envelope = serde_json::from_slice(bytes).map_err(syntax)?;
    match &envelope.format {
        Some(Value::String(format)) if format == D::FORMAT => {}
        other => {
            let found = other.as_ref().map(|format| match format {
                Value::String(text) => text.clone(),
                value => value.to_string(),
            });
            return Err(JobError::WrongFormat { file: file.to_owned(), found, expected: D::FORMAT });
        }
    }
    match envelope.version.as_ref().and_then(Value::as_u64) {
        Some(found) if found > D::VERSION => {
            Err(JobError::Newer { file: file.to_owned(), found, known: D::VERSION })
        }
        _ => {
            let document = serde_json::from_slice(bytes).map_err(syntax)?;
            if !D::IS_CHECKED && !may_hide(bytes) {
                return Ok(document);
            }
            let mut value: Value = serde_json::from_slice(bytes).map_err(syntax)?;
            if let Some((key, problem)) = nonsense(&value).filter(|_| D::IS_CHECKED) {
                return Err(JobError::Senseless { file: file.to_owned(), key, problem });
            }
            show_plainly(&mut value);
            serde_json::from_value(value).map_err(syntax)
        }
    }
}

/// The bytes of a file. They are read back before anything on disk is touched: what would
/// not come back as it is, such as a number that JSON cannot hold, is refused.
pub(crate) fn render<D: Document>(file: &Path, document: &D) -> Result<Vec<u8>, JobError> {
    let mut bytes = Vec::new();
    let mut serializer = serde_json::Serializer::with_formatter(&mut bytes, Layout::default());
    document
        .serialize(&mut serializer)
        .map_err(|error| JobError::Unwritable { file: file.to_owned(), problem: error.to_string() })?;
    bytes.push(b'\n');
    match serde_json::from_slice::<D>(&bytes) {
        Ok(back) if back == *document => Ok(bytes),
        _ => Err(JobError::Unwritable {
            file: file.to_owned(),
            problem: "it holds a number that is not finite, which JSON cannot".to_owned(),
        }),
    }
}

/// What is wrong, without the place, which the message says by itself.
fn problem(error: &serde_json::Error, bytes: &[u8]) -> String {
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return "the file is empty".to_owned();
    }
    let text = error.to_string();
    match text.rfind(" at line ") {
        Some(end) => text[..end].to_owned(),
        None => text,
    }
}

/// JSON for people: one key to a line, but the numbers of a curve in one line.
#[derive(Default)]
struct Layout {
    open: Vec<Open>,
}

/// An array or object that is being written.
struct Open {
    array: bool,
    /// Whether its contents stand on lines of their own.
    spread: bool,
}

impl Layout {
    fn line<W: ?Sized + io::Write>(&self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b"\n")?;
        for _ in &self.open {
            writer.write_all(b"  ")?;
        }
        Ok(())
    }

    fn begin<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        bracket: &[u8],
        array: bool,
    ) -> io::Result<()> {
        if let Some(around) = self.open.last_mut()
            && around.array
        {
            around.spread = true;
            self.line(writer)?;
        }
        self.open.push(Open { array, spread: false });
        writer.write_all(bracket)
    }

    fn end<W: ?Sized + io::Write>(&mut self, writer: &mut W, bracket: &[u8]) -> io::Result<()> {
        if self.open.pop().is_some_and(|ended| ended.spread) {
            self.line(writer)?;
        }
        writer.write_all(bracket)
    }
}

impl serde_json::ser::Formatter for Layout {
    fn begin_array<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.begin(writer, b"[", true)
    }

    fn end_array<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.end(writer, b"]")
    }

    fn begin_object<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.begin(writer, b"{", false)
    }

    fn end_object<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.end(writer, b"}")
    }

    fn begin_object_key<W: ?Sized + io::Write>(&mut self, writer: &mut W, first: bool) -> io::Result<()> {
        if !first {
            writer.write_all(b",")?;
        }
        if let Some(object) = self.open.last_mut() {
            object.spread = true;
        }
        self.line(writer)
    }

    fn begin_object_value<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b": ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Sample {
        format: String,
        version: u64,
        rows: Vec<Vec<f64>>,
        #[serde(default)]
        none: Vec<u32>,
    }

    impl Document for Sample {
        const FORMAT: &'static str = "headrest-sample";
        const VERSION: u64 = 3;
        const IS_CHECKED: bool = true;
    }

    fn message(text: &str) -> String {
        parse::<Sample>(Path::new("x/sample.json"), text.as_bytes()).unwrap_err().to_string()
    }

    #[test]
    fn numbers_of_a_row_share_a_line() {
        let sample = Sample {
            format: Sample::FORMAT.to_owned(),
            version: 3,
            rows: vec![vec![1.0, 2.5], vec![]],
            none: vec![],
        };
        let bytes = render(Path::new("x"), &sample).unwrap();
        let text = String::from_utf8(bytes.clone()).unwrap();
        let wanted = concat!(
            "{\n  \"format\": \"headrest-sample\",\n  \"version\": 3,\n",
            "  \"rows\": [\n    [1.0,2.5],\n    []\n  ],\n  \"none\": []\n}\n"
        );
        assert_eq!(text, wanted);
        assert_eq!(parse::<Sample>(Path::new("x"), &bytes).unwrap(), sample);
    }

    #[test]
    fn errors_name_file_line_and_column() {
        let text = "{\n  \"format\": \"headrest-sample\",\n  \"version\": 3,\n  \"rows\": [[1.0,]]\n}";
        assert!(message(text).starts_with("x/sample.json:4:17: expected value. "), "{}", message(text));
        assert!(message("  \n").contains("the file is empty"), "{}", message("  \n"));
        let stray = "{\"format\": \"headrest-sample\",\n\"version\": 1, \"rows\": [], \"rwos\": []}";
        assert!(message(stray).contains("sample.json:2:"), "{}", message(stray));
        assert!(message(stray).contains("rwos"), "{}", message(stray));
        let cut = "{\"format\": \"headrest-sample\",";
        assert!(message(cut).contains("sample.json:1:29: EOF"), "{}", message(cut));
    }

    #[test]
    fn another_format_and_a_newer_version_are_told_apart() {
        assert!(message("{}").contains("has no format"), "{}", message("{}"));
        assert!(message("[]").contains("sample.json:1:"), "{}", message("[]"));
        let other = message("{\"format\": \"song\", \"version\": 9}");
        assert!(other.contains("says \"song\"") && other.contains("headrest-sample"), "{other}");
        // What a newer version means is not ours to judge: unknown keys and
        // all, only its number is spoken of.
        let newer = message("{\"format\": \"headrest-sample\", \"version\": 4, \"rows\": 7, \"new\": 1}");
        assert!(newer.contains("version 4") && newer.contains("up to version 3"), "{newer}");
    }

    #[test]
    fn a_byte_order_mark_is_passed_over() {
        let text = "\u{feff}{\"format\": \"headrest-sample\", \"version\": 1, \"rows\": []}";
        assert!(parse::<Sample>(Path::new("x"), text.as_bytes()).is_ok());
    }

    proptest::proptest! {
        #[test]
        fn parsing_never_panics(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
            let _ = parse::<Sample>(Path::new("x"), &bytes);
        }
    }
}
