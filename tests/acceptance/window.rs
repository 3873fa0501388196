//! The real window on a display without a screen: it opens, it draws, it obeys
//! the keyboard, and it measures. What it draws is checked more closely in the window's own crate.
#![cfg(target_os = "linux")]

use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::Duration;

use crate::display::{Display, Window};
use crate::program::Desk;

/// From 0 (black) to 1 (white).
fn brightness(window: &Window<'_>, path: &Path) -> f64 {
    window.number(path, "%[fx:mean]")
}

/// Waits until the picture differs from this one.
fn changes_from(window: &mut Window<'_>, what: &str, before: &Path) -> PathBuf {
    let before = std::fs::read(before).expect("the picture before");
    window.wait_for(what, |window| {
        let after = window.picture();
        std::fs::read(&after).is_ok_and(|after| after != before).then_some(after)
    })
}

#[test]
fn the_window_opens_and_obeys_the_keyboard() {
    let (display, desk) = (Display::open(), Desk::new());
    let mut window = Window::open(&display, desk.command(), desk.path());
    let dark = window.picture();
    window.press("t");
    let light = changes_from(&mut window, "the other theme", &dark);
    let difference = brightness(&window, &light) - brightness(&window, &dark);
    assert!(difference.abs() > 0.2, "the themes differ by {difference} in brightness");
    window.press("question");
    let help = changes_from(&mut window, "the list of keys", &light);
    window.press("Escape");
    changes_from(&mut window, "the window without the list of keys", &help);
    for stage in ["2", "3", "4", "5", "6", "7", "1"] {
        let before = window.picture();
        window.press(stage);
        changes_from(&mut window, &format!("stage {stage}"), &before);
    }
}

#[test]
fn a_driver_of_the_simulated_car_is_measured_by_keyboard_and_muted_at_once() {
    let (display, desk) = (Display::open(), Desk::new());
    let mut window = Window::open(&display, desk.command(), desk.path());
    // The main key of the first stage takes the simulated car.
    window.press("space");
    window.wait_for("a job", |_| desk.has("Headrest").then_some(()));
    window.press("4");
    let idle = window.picture();
    window.press("space");
    let counting = changes_from(&mut window, "the countdown", &idle);
    window.wait_for("the first driver", |window| (window.captures() > 0).then_some(()));
    let tile = changes_from(&mut window, "a tile in the tray", &counting);
    assert!(window.colours(&tile) > 40);
    // The next one has begun by itself, and Esc ends it.
    window.press("Escape");
    sleep(Duration::from_secs(6));
    assert!(window.captures() <= 2, "it went on after it was muted: {} captures", window.captures());
    assert!(window.program.try_wait().unwrap().is_none(), "the program ended");
}

#[test]
fn without_a_display_the_program_says_so() {
    let desk = Desk::new();
    let output = desk
        .command()
        .env_remove("DISPLAY")
        .env_remove("WAYLAND_DISPLAY")
        .output()
        .expect("the program starts");
    let message = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && !message.contains("panicked"), "{message}");
    assert!(message.contains("display") && message.contains("headrest demo"), "{message}");
}
