//! The person at the keyboard, and the lines that they see beside a result.

use std::io::{self, BufRead, IsTerminal, Write};
use std::sync::mpsc::{Receiver, sync_channel};

use procedure::Instruction;
use units::text::{lines, one_line};

/// What a person types while a procedure runs, line by line as the instruction that it means. Nothing
/// comes any more when standard input has ended.
pub(crate) fn instructions(
    meaning: impl Fn(&str) -> Option<Instruction> + Send + 'static,
) -> io::Result<Receiver<Instruction>> {
    let (sender, inbox) = sync_channel(16);
    std::thread::Builder::new().name("cli-keyboard".to_owned()).spawn(move || {
        for line in io::stdin().lock().lines() {
            let Ok(line) = line else { break };
            if let Some(instruction) = meaning(&line)
                && sender.send(instruction).is_err()
            {
                break;
            }
        }
    })?;
    Ok(inbox)
}

/// Nobody types.
pub(crate) fn nobody() -> Receiver<Instruction> {
    sync_channel(0).1
}

/// Lines on standard error.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Screen {
    terminal: bool,
}

impl Screen {
    pub(crate) fn new() -> Self {
        Self { terminal: io::stderr().is_terminal() }
    }

    /// Shows a line that is replaced by the next one; nothing where nobody watches.
    pub(crate) fn show(self, line: &str) {
        if self.terminal {
            // A terminal that is gone needs no lines.
            let _ = write!(io::stderr().lock(), "\r\x1b[K{}", one_line(line));
            let _ = io::stderr().flush();
        }
    }

    /// Says a line that stays.
    pub(crate) fn say(self, line: &str) {
        let clear = if self.terminal { "\r\x1b[K" } else { "" };
        let _ = writeln!(io::stderr().lock(), "{clear}{}", lines(line));
    }

    /// Sounds.
    pub(crate) fn ring(self) {
        if self.terminal {
            let _ = write!(io::stderr().lock(), "\x07");
        }
    }
}
