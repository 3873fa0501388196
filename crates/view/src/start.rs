//! The start page: work that can go on, cars that can be tried, and how the window was left.

use crate::Stage;

/// What is offered before a job is open.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StartPage {
    /// The recent jobs, the one that was open last first.
    pub jobs: Vec<RecentJob>,
    /// Whether the recent jobs are still being looked for.
    pub looking: bool,
    /// The simulated cars, the usual one first.
    pub cars: Vec<SimulatedCar>,
}

/// A job that can be opened again.
#[derive(Debug, Clone, PartialEq)]
pub struct RecentJob {
    /// Its folder.
    pub folder: String,
    /// Its name.
    pub name: String,
    /// The vehicle.
    pub car: String,
    /// The day of its last capture, or of its beginning.
    pub day: String,
    /// The stage that was being worked on.
    pub stage: Stage,
    /// What that stage, or the last one before it that has one, came to.
    pub result: String,
    /// How many captures it has.
    pub captures: usize,
    /// Its 31 third-octave deviations from the target in dB, as last measured; absent before that.
    pub fingerprint: Option<[Option<f32>; 31]>,
    /// What one should know before opening it, such as a capture that was interrupted.
    pub remark: String,
    /// Whether it can be opened.
    pub readable: bool,
}

/// A car that needs no hardware.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SimulatedCar {
    /// The preset's name.
    pub id: String,
    /// What it is called.
    pub name: String,
    /// What is special about it.
    pub about: String,
}

/// How a window is looked at, remembered from one start to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Whether the theme for a bright place is used.
    pub daylight: bool,
    /// Width and height, before the display's scale.
    pub size: (f32, f32),
    /// How large everything is drawn: 1 as designed.
    pub text_scale: f32,
}

impl Default for Look {
    fn default() -> Self {
        Self { daylight: false, size: (1280.0, 800.0), text_scale: 1.0 }
    }
}
