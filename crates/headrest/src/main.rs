//! Headrest: chooses between the window and the command line, nothing else.

use std::process::ExitCode;

fn main() -> ExitCode {
    match cli::run(std::env::args_os()) {
        cli::Choice::Done(status) => status,
        cli::Choice::Window => open_window(),
    }
}

/// Opens the window over a session that runs on a thread of its own.
fn open_window() -> ExitCode {
    let app = session::App::default();
    let link = app.door().attach();
    let session = std::thread::Builder::new().name("app".to_owned()).spawn(move || app.serve());
    let opened = window::run(link, window::Options::default());
    // The window's end of the link is gone now, which ends the session.
    if let Ok(session) = session {
        let _ = session.join();
    }
    match opened {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => cli::refuse(&format!("the window cannot be opened: {error}")),
    }
}
