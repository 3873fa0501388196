//! Headrest: chooses between the window and the command line, nothing else.

mod memory;

use std::process::ExitCode;

#[global_allocator]
static MEMORY: memory::Spoken = memory::Spoken;

fn main() -> ExitCode {
    memory::keep_what_is_freed();
    match cli::run(std::env::args_os()) {
        cli::Choice::Done(status) => status,
        cli::Choice::Window => open_window(),
    }
}

/// Opens the window over an app that runs on a thread of its own.
fn open_window() -> ExitCode {
    let app = app::App::remembering();
    let look = app.look();
    let link = app.door().attach();
    let app = std::thread::Builder::new().name("app".to_owned()).spawn(move || app.serve());
    let opened = window::run(link, window::Options::of(look));
    // The window's end of the link is gone now, which ends the app.
    if let Ok(app) = app {
        let _ = app.join();
    }
    match opened {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => cli::refuse(&format!("the window cannot be opened: {error}")),
    }
}
