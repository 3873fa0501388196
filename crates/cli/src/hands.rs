//! The person at the keyboard: what they type while something runs.

use std::io::{self, BufRead, IsTerminal, Write};
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};

use units::text::{lines, one_line};

/// The lines that a person types, read beside whatever runs.
pub(crate) struct Hands {
    lines: Receiver<String>,
    terminal: bool,
}

/// What came from the keyboard.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Typed {
    /// A line, without its end.
    Line(String),
    /// Nothing so far.
    Nothing,
    /// Nobody types: standard input has ended.
    Nobody,
}

impl Hands {
    /// Begins to read standard input.
    pub(crate) fn new() -> io::Result<Self> {
        let (sender, lines) = sync_channel(16);
        std::thread::Builder::new().name("cli-keyboard".to_owned()).spawn(move || {
            for line in io::stdin().lock().lines() {
                let Ok(line) = line else { break };
                if sender.send(line).is_err() {
                    break;
                }
            }
        })?;
        Ok(Self { lines, terminal: io::stderr().is_terminal() })
    }

    /// Nobody types; what is said is shown all the same.
    pub(crate) fn idle() -> Self {
        let (_, lines) = sync_channel(0);
        Self { lines, terminal: io::stderr().is_terminal() }
    }

    /// What was typed since, without waiting.
    pub(crate) fn typed(&self) -> Typed {
        match self.lines.try_recv() {
            Ok(line) => Typed::Line(line),
            Err(TryRecvError::Empty) => Typed::Nothing,
            Err(TryRecvError::Disconnected) => Typed::Nobody,
        }
    }

    /// Waits for a line.
    pub(crate) fn wait(&self) -> Typed {
        self.lines.recv().map_or(Typed::Nobody, Typed::Line)
    }

    /// Shows a line that is replaced by the next one; nothing where nobody watches.
    pub(crate) fn show(&self, line: &str) {
        if self.terminal {
            // A terminal that is gone needs no lines.
            let _ = write!(io::stderr().lock(), "\r\x1b[K{}", one_line(line));
            let _ = io::stderr().flush();
        }
    }

    /// Says a line that stays.
    pub(crate) fn say(&self, line: &str) {
        let clear = if self.terminal { "\r\x1b[K" } else { "" };
        let _ = writeln!(io::stderr().lock(), "{clear}{}", lines(line));
    }

    /// Sounds.
    pub(crate) fn ring(&self) {
        if self.terminal {
            let _ = write!(io::stderr().lock(), "\x07");
        }
    }
}
