//! Takes the pictures of `docs/images` from the window, which works through the simulated car. They are drawn by the
//! renderer that draws the window, without a display.
//!
//! `cargo xtask pictures` takes them anew. `HEADREST_PICTURES=FOLDER` puts them elsewhere, and one of every stage
//! beside them, for whoever has changed the window and wants to see all of it.

#[path = "../../crates/window/tests/screens/bench.rs"]
#[allow(dead_code, reason = "the window's own tests use more of it")]
mod bench;
#[path = "../../crates/window/tests/screens/display.rs"]
#[allow(dead_code, reason = "the window's own tests use more of it")]
mod display;
#[path = "../../crates/window/tests/screens/driving.rs"]
#[allow(dead_code, reason = "the test of the work order uses more of it")]
mod driving;

use std::path::{Path, PathBuf};

use driving::{By, Driver};
use view::{Activity, Command, NumberKey, SettingValue, Stage};
use window::Theme;

/// The window in the pictures.
const SIZE: (f32, f32) = (1280.0, 800.0);

/// Where pictures go.
struct Album {
    folder: PathBuf,
    /// Whether every stage is kept, and not only what the documents show.
    whole: bool,
}

impl Album {
    /// A picture that the documents show.
    fn keep(&self, driver: &mut Driver, name: &str) {
        driver.clear_news();
        driver.keep(&self.folder.join(format!("{name}.png")), 1.0);
    }

    /// A picture for looking at.
    fn look(&self, driver: &mut Driver, name: &str) {
        if self.whole {
            self.keep(driver, name);
        }
    }
}

fn main() {
    let elsewhere = std::env::var_os("HEADREST_PICTURES").map(PathBuf::from);
    let usual = || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/images");
    let album = Album { whole: elsewhere.is_some(), folder: elsewhere.unwrap_or_else(usual) };
    std::fs::create_dir_all(&album.folder).expect("the folder can be made");
    let mut driver = Driver::at(app::App::default(), By::Keyboard, Theme::Garage, SIZE);
    album.look(&mut driver, "intake-empty");
    driver.bench.letters("j");
    driver.wait("the start page", |driver| driver.snapshot().start.is_some());
    album.look(&mut driver, "start");
    driver.take_car("compact-hatch");
    album.look(&mut driver, "source-chain");

    // The first output is clean up to step 31; the picture shows what comes after.
    driver.go_on();
    driver.wait("step 32", |driver| {
        driver.snapshot().chart.marks.iter().any(|mark| mark.label.ends_with("31"))
            && driver.live.figures.len() == 3
    });
    album.keep(&mut driver, "source");
    driver.wait_idle();
    album.look(&mut driver, "source-done");
    if album.whole {
        // Tone, noise, rattle.
        for name in ["tone", "noise", "rattle"] {
            driver.go_on();
            driver.wait_idle();
            driver.go_on();
            driver.wait_idle();
            album.look(&mut driver, &format!("source-{name}"));
        }
        driver.open(Stage::Gain);
        album.look(&mut driver, "gain-chain");
        driver.go_on();
        driver.wait("volts", |driver| driver.live.figures.len() == 2);
        album.look(&mut driver, "gain");
        driver.wait("the gain", |driver| driver.stage(Stage::Gain).0 == view::StageState::Measured);
        driver.go_on();
        driver.wait_idle();
        album.look(&mut driver, "gain-done");
    }

    driver.open(Stage::Drivers);
    driver.ask(Command::Set(SettingValue::Number(NumberKey::DriverPlaces, 2.0)));
    driver.wait_idle();
    album.look(&mut driver, "drivers-cabin");
    driver.go_on();
    driver.wait("the sixth driver", |driver| {
        let sixth = driver.snapshot().tray.iter().filter(|tile| tile.stage == Stage::Drivers).count() == 6;
        let half = |line: &chart::Line| line.points.last().is_some_and(|point| point.x > 300.0);
        sixth && driver.live.lines.iter().any(half)
    });
    album.keep(&mut driver, "drivers");
    driver.wait_idle();
    album.look(&mut driver, "drivers-reversed");
    driver.ask(Command::ShowFace(view::ChartFace::Cabin));
    driver.wait_idle();
    album.look(&mut driver, "cabin");
    // It stays reversed, and is inverted in the processor.
    driver.go_on();
    driver.wait_idle();
    driver.go_on();
    driver.wait_idle();
    album.look(&mut driver, "drivers-done");

    driver.open(Stage::Timing);
    album.look(&mut driver, "timing");
    driver.ask(Command::ShowFace(view::ChartFace::Arrivals));
    driver.wait_idle();
    album.look(&mut driver, "timing-arrivals");

    driver.open(Stage::Tune);
    album.look(&mut driver, "whole-car");
    driver.go_on();
    driver.wait_idle();
    album.look(&mut driver, "whole-car-tuned");
    driver.ask(Command::Press(view::Action::ShowBands));
    driver.wait_idle();
    driver.go_on();
    driver.wait("the third position", |driver| {
        let third = driver.snapshot().tray.iter().filter(|tile| tile.stage == Stage::Tune).count() == 3;
        let half = |line: &chart::Line| line.points.last().is_some_and(|point| point.x > 2_000.0);
        third && driver.live.lines.iter().any(half)
    });
    album.look(&mut driver, "tune-running");
    driver.wait_idle();
    // Suggest bands.
    driver.go_on();
    driver.wait_idle();
    album.keep(&mut driver, "tune");
    // Listen to them.
    if album.whole {
        driver.ask(Command::Press(view::Action::Preview));
        driver.wait("its spectrum", |driver| !driver.live.lines.is_empty());
        album.look(&mut driver, "listening");
        driver.ask(Command::StartOrStop);
        driver.wait_idle();
    }
    // Enter them, measure again.
    driver.go_on();
    driver.wait_idle();
    driver.go_on();
    driver.wait("the second set", |driver| !matches!(driver.snapshot().shared.activity, Activity::Idle));
    driver.wait_idle();
    album.keep(&mut driver, "after");
    driver.open(Stage::Handover);
    driver.go_on();
    driver.wait_idle();
    album.look(&mut driver, "handover");
}
