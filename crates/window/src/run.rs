//! Opens the window and keeps it open.

use std::panic::{self, AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::{env, fmt, thread};

use iced::{Settings, Size, window};
use view::Link;

use crate::app::App;
use crate::lettering;
use crate::options::{LEAST, Options};

/// Why the window could not be opened.
#[derive(Debug)]
pub struct Error(String);

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}. Everything also works without a window, for example `headrest demo`", self.0)
    }
}

impl std::error::Error for Error {}

/// Opens the window; returns when it has been closed and the session has ended.
///
/// # Errors
/// When there is no display, or it cannot be drawn on.
pub fn run(link: Link, options: Options) -> Result<(), Error> {
    let size = Size::new(options.size.0, options.size.1);
    // The library may ask for the first state more than once; the link exists once.
    let first = Mutex::new(Some(App::new(link, &options)));
    let spare = options.clone();
    let boot = move || {
        let app = first.lock().ok().and_then(|mut app| app.take());
        app.unwrap_or_else(|| {
            let (link, _) = view::loose_link();
            App::new(link, &spare)
        })
    };
    let opened = Arc::new(AtomicBool::new(false));
    hush_until(&opened);
    let application = iced::application(tell(opened.clone(), boot), App::update, App::view)
        .title(App::title)
        .theme(App::theme)
        .scale_factor(App::scale)
        .subscription(App::subscription)
        .settings(settings())
        .window(window::Settings {
            size,
            min_size: Some(LEAST),
            exit_on_close_request: false,
            platform_specific: platform(),
            ..window::Settings::default()
        });
    let outcome = catch_unwind(AssertUnwindSafe(|| application.run()));
    match outcome {
        Ok(done) => done.map_err(|error| Error(format!("the display cannot be drawn on ({error})"))),
        Err(panic) if opened.swap(true, Ordering::Relaxed) => resume_unwind(panic),
        Err(_) => Err(Error(no_display())),
    }
}

/// The same first state, which also tells that there is a display.
fn tell(opened: Arc<AtomicBool>, boot: impl Fn() -> App) -> impl Fn() -> App {
    move || {
        opened.store(true, Ordering::Relaxed);
        boot()
    }
}

/// Keeps this thread's panics from being printed until the window is open: the
/// library panics where there is no display, which is no fault of the program
/// and is told in plain words instead.
fn hush_until(opened: &Arc<AtomicBool>) {
    let (opened, here, before) = (opened.clone(), thread::current().id(), panic::take_hook());
    panic::set_hook(Box::new(move |info| {
        if opened.load(Ordering::Relaxed) || thread::current().id() != here {
            before(info);
        }
    }));
}

fn no_display() -> String {
    let set = |name: &str| env::var(name).ok().filter(|value| !value.is_empty());
    match set("WAYLAND_DISPLAY").or_else(|| set("DISPLAY")) {
        Some(display) => format!("the display \u{201c}{display}\u{201d} cannot be opened"),
        None => "there is no display: neither DISPLAY nor WAYLAND_DISPLAY is set".to_owned(),
    }
}

/// The typeface and the sizes, for the window and for pictures of it.
#[must_use]
pub fn settings() -> Settings {
    Settings {
        id: Some("headrest".to_owned()),
        fonts: lettering::FILES.iter().map(|&file| file.into()).collect(),
        default_font: lettering::PLAIN,
        default_text_size: lettering::BODY.into(),
        antialiasing: true,
        ..Settings::default()
    }
}

#[cfg(target_os = "linux")]
fn platform() -> window::settings::PlatformSpecific {
    window::settings::PlatformSpecific { application_id: "headrest".to_owned(), ..Default::default() }
}

#[cfg(not(target_os = "linux"))]
fn platform() -> window::settings::PlatformSpecific {
    window::settings::PlatformSpecific::default()
}
