//! Opens the window and keeps it open.

use std::fmt;
use std::sync::Mutex;

use iced::{Settings, Size, window};
use view::Link;

use crate::app::App;
use crate::lettering;
use crate::theme::Theme;

/// The smallest size in which everything has its place.
const LEAST: Size = Size::new(1024.0, 700.0);

/// How the window opens.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Its look.
    pub theme: Theme,
    /// Its width and height, before the display's scale.
    pub size: (f32, f32),
    /// The folder that is offered for a new job.
    pub job_folder: String,
}

impl Default for Options {
    fn default() -> Self {
        Self { theme: Theme::Garage, size: (1280.0, 800.0), job_folder: String::new() }
    }
}

/// Why the window could not be opened.
#[derive(Debug)]
pub struct Error(String);

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "the window could not be opened: {}. Is there a display? Everything also works without one, \
             for example `headrest demo`",
            self.0
        )
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
            let (link, _) = view::link();
            App::new(link, &spare)
        })
    };
    iced::application(boot, App::update, App::view)
        .title(App::title)
        .theme(App::theme)
        .subscription(App::subscription)
        .settings(settings())
        .window(window::Settings {
            size,
            min_size: Some(LEAST),
            exit_on_close_request: false,
            platform_specific: platform(),
            ..window::Settings::default()
        })
        .run()
        .map_err(|error| Error(error.to_string()))
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
