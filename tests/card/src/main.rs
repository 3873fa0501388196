//! Headrest's command line without the window, for the tests with the card.

use std::process::ExitCode;

fn main() -> ExitCode {
    match cli::run(std::env::args_os()) {
        cli::Choice::Done(status) => status,
        cli::Choice::Window => cli::refuse("this program has no window; name a command"),
    }
}
