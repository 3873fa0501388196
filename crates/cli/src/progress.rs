//! Progress on a terminal; nothing where nobody watches.

use std::io::{IsTerminal, Write};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use procedure::Event;

use units::text::{excerpt, lines};

use crate::output::notes_are_said;

/// A bar on standard error when that is a terminal.
pub(crate) struct Progress(ProgressBar);

impl Progress {
    pub(crate) fn new() -> Self {
        let bar = ProgressBar::new(1000);
        if !std::io::stderr().is_terminal() || !notes_are_said() {
            bar.set_draw_target(ProgressDrawTarget::hidden());
        }
        if let Ok(style) = ProgressStyle::with_template("{msg:32} {bar:30} {percent:>3} %") {
            bar.set_style(style);
        }
        Self(bar)
    }

    /// Prints a line on standard output without tearing the bar.
    pub(crate) fn print(&self, line: &str) {
        self.0.suspend(|| {
            // A reader that closed the pipe has seen what it wanted.
            let _ = writeln!(std::io::stdout().lock(), "{}", lines(line));
        });
    }

    /// Shows how far a procedure is.
    pub(crate) fn tell(&self, event: &Event) {
        match event {
            Event::Progress { what, share } => self.show(what, share.unwrap_or(0.0)),
            Event::Countdown { seconds, .. } => self.show(&format!("Starting in {seconds} s"), 0.0),
            _ => {}
        }
    }

    /// Shows what is being done and how far it is, from 0 to 1.
    pub(crate) fn show(&self, what: &str, share: f64) {
        self.0.set_message(excerpt(what, 80));
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to 0..1000")]
        self.0.set_position((share.clamp(0.0, 1.0) * 1000.0) as u64);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}
