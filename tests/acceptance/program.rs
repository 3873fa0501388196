//! Running the program and judging how it ended.

use std::path::Path;
use std::process::{Command, Stdio};

use measure::Reading;
use serde_json::Value;
use tempfile::TempDir;

/// A folder of its own for one test, in which the program runs. It is the
/// person's home as well, so that nothing on the machine has an influence.
pub(crate) struct Desk {
    folder: TempDir,
}

/// How one run ended.
pub(crate) struct Outcome {
    pub(crate) line: String,
    pub(crate) status: Option<i32>,
    pub(crate) stdout: String,
    pub(crate) stderr: String,
}

impl Desk {
    pub(crate) fn new() -> Self {
        Self { folder: TempDir::new().expect("a temporary folder") }
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// The program, not yet started, with this desk as its whole world.
    pub(crate) fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_headrest"));
        command.current_dir(self.path()).stdin(Stdio::null());
        for name in ["HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME"] {
            command.env(name, self.path());
        }
        command
    }

    /// Runs the program with these arguments, split at spaces.
    pub(crate) fn run(&self, arguments: &str) -> Outcome {
        self.run_with(&arguments.split_whitespace().collect::<Vec<&str>>())
    }

    /// Runs the program with these arguments.
    pub(crate) fn run_with(&self, arguments: &[&str]) -> Outcome {
        let output = self.command().args(arguments).output().expect("the program starts");
        Outcome {
            line: format!("headrest {}", arguments.join(" ")),
            status: output.status.code(),
            stdout: String::from_utf8(output.stdout).expect("stdout is text"),
            stderr: String::from_utf8(output.stderr).expect("stderr is text"),
        }
    }

    /// Writes a file on the desk.
    pub(crate) fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        std::fs::write(self.path().join(name), content).expect("a file on the desk");
    }

    /// Reads a file from the desk.
    pub(crate) fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path().join(name))
            .unwrap_or_else(|error| panic!("{name} on the desk: {error}"))
    }

    pub(crate) fn has(&self, name: &str) -> bool {
        self.path().join(name).exists()
    }
}

impl Outcome {
    fn describe(&self) -> String {
        let Self { line, status, stdout, stderr } = self;
        format!("`{line}` ended with {status:?}\nstdout: {stdout}\nstderr: {stderr}")
    }

    #[track_caller]
    fn ended_with(self, status: i32) -> Self {
        assert!(!self.stderr.contains("panicked"), "a panic: {}", self.describe());
        assert_eq!(self.status, Some(status), "{}", self.describe());
        self
    }

    /// It was done.
    #[track_caller]
    pub(crate) fn done(self) -> Self {
        self.ended_with(0)
    }

    /// The measurement could not be made, and a finding says why; or a check found that something is wrong.
    #[track_caller]
    pub(crate) fn not_measured(self) -> Self {
        self.ended_with(1)
    }

    /// Bad usage or bad input: one message on stderr that holds each of the
    /// words, and nothing on stdout but, with `--json`, the document that says the same.
    #[track_caller]
    pub(crate) fn refused(self, words: &[&str]) -> Self {
        let outcome = self.ended_with(2);
        if outcome.line.contains("--json") {
            let error = &outcome.json()["error"];
            let text = error["text"].as_str().unwrap_or_default().to_lowercase();
            assert!(error["kind"].is_string() && !text.is_empty(), "no error: {}", outcome.describe());
            for word in words {
                assert!(text.contains(&word.to_lowercase()), "no `{word}`: {}", outcome.describe());
            }
        } else {
            assert!(outcome.stdout.is_empty(), "something on stdout: {}", outcome.describe());
        }
        assert!(!outcome.stderr.trim().is_empty(), "no message: {}", outcome.describe());
        for word in words {
            assert!(
                outcome.stderr.to_lowercase().contains(&word.to_lowercase()),
                "the message lacks `{word}`: {}",
                outcome.describe()
            );
        }
        outcome
    }

    /// The one JSON document on stdout.
    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.stdout)
            .unwrap_or_else(|error| panic!("not one JSON document ({error}): {}", self.describe()))
    }

    /// The reading on stdout, checked against the contract.
    #[track_caller]
    pub(crate) fn reading(&self) -> Reading {
        let reading: Reading = serde_json::from_value(self.json())
            .unwrap_or_else(|error| panic!("not a reading ({error}): {}", self.describe()));
        reading.check().unwrap_or_else(|breach| panic!("{breach}: {}", self.describe()));
        reading
    }

    #[track_caller]
    pub(crate) fn says(&self, words: &[&str]) {
        for word in words {
            assert!(self.stdout.contains(word), "stdout lacks `{word}`: {}", self.describe());
        }
    }
}

/// A value of a reading that must be there.
#[track_caller]
pub(crate) fn value(reading: &Reading, name: &str) -> f64 {
    *reading.values.get(name).unwrap_or_else(|| {
        panic!("no value `{name}` among {:?}; findings {:?}", reading.values, reading.findings)
    })
}

/// A column of a curve that must be there.
#[track_caller]
pub(crate) fn column<'a>(reading: &'a Reading, curve: &str, column: &str) -> &'a [f64] {
    reading.curves.get(curve).and_then(|columns| columns.get(column)).unwrap_or_else(|| {
        panic!("no column `{column}` of a curve `{curve}` among {:?}", reading.curves.keys())
    })
}
