//! The real window on a display without a screen: it opens, it draws, it obeys
//! the keyboard. What it draws is checked more closely in the window's own crate.
#![cfg(target_os = "linux")]

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::program::Desk;

/// Where a desk keeps what the program wrote on standard error.
const SAID: &str = "said.txt";

/// A display of its own, ended with its programs when the test ends. It does not
/// start afresh when its last client leaves, which `xdotool` does again and again
/// while the program has not yet arrived.
struct Display {
    server: Child,
    name: String,
}

impl Display {
    fn open() -> Self {
        let mut server = Command::new("Xvfb")
            .args(["-displayfd", "1", "-screen", "0", "1700x1000x24", "-nolisten", "tcp", "-noreset"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("Xvfb starts; `cargo xtask test` installs it");
        let mut number = String::new();
        let stdout = server.stdout.take().expect("a pipe");
        BufReader::new(stdout).read_line(&mut number).expect("Xvfb names its display");
        Self { server, name: format!(":{}", number.trim()) }
    }

    fn tool(&self, name: &str) -> Command {
        let mut command = Command::new(name);
        command.env("DISPLAY", &self.name).stderr(Stdio::null());
        command
    }

    /// What a tool prints; nothing when it fails.
    fn ask(&self, name: &str, arguments: &[&str]) -> Option<String> {
        let output = self.tool(name).args(arguments).output().unwrap_or_else(|error| {
            panic!("{name} does not start ({error}); `cargo xtask test` installs it")
        });
        output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_owned())
    }
}

impl Drop for Display {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

/// The program with its window open.
struct Window<'a> {
    display: &'a Display,
    desk: &'a Desk,
    program: Child,
    pictures: u32,
}

impl Drop for Window<'_> {
    fn drop(&mut self) {
        let _ = self.program.kill();
        let _ = self.program.wait();
    }
}

impl<'a> Window<'a> {
    fn open(display: &'a Display, desk: &'a Desk) -> Self {
        let program = desk
            .command()
            .env("DISPLAY", &display.name)
            .env_remove("WAYLAND_DISPLAY")
            .env("ICED_BACKEND", "tiny-skia")
            .stdout(Stdio::null())
            .stderr(File::create(desk.path().join(SAID)).expect("a file for what the program says"))
            .spawn()
            .expect("the program starts");
        let mut window = Self { display, desk, program, pictures: 0 };
        let id = window.wait_for("the window", |window| {
            let found = window.display.ask("xdotool", &["search", "--onlyvisible", "--class", "headrest"])?;
            found.lines().next().map(str::to_owned)
        });
        // Without a window manager nobody else gives it the keyboard.
        window.wait_for("the keyboard", |window| {
            window.display.ask("xdotool", &["windowfocus", "--sync", &id])
        });
        window.wait_for("the first picture", |window| {
            let picture = window.picture();
            (window.colours(&picture) > 40).then_some(())
        });
        window
    }

    fn wait_for<T>(&mut self, what: &str, mut look: impl FnMut(&mut Self) -> Option<T>) -> T {
        let start = Instant::now();
        loop {
            if let Some(status) = self.program.try_wait().expect("the program can be asked") {
                let said = std::fs::read_to_string(self.desk.path().join(SAID)).unwrap_or_default();
                panic!("the program ended ({status}) before {what} came: {said}");
            }
            if let Some(found) = look(self) {
                return found;
            }
            assert!(start.elapsed() < Duration::from_secs(40), "{what} did not come");
            sleep(Duration::from_millis(200));
        }
    }

    fn press(&mut self, key: &str) {
        self.display.ask("xdotool", &["key", key]).expect("xdotool presses a key");
    }

    fn picture(&mut self) -> PathBuf {
        self.pictures += 1;
        let path = self.desk.path().join(format!("picture-{}.png", self.pictures));
        self.display.ask("import", &["-window", "root", path.to_str().expect("a plain path")]);
        path
    }

    fn number(&self, path: &Path, format: &str) -> f64 {
        let text = self.display.ask("convert", &[path.to_str().unwrap(), "-format", format, "info:"]);
        text.and_then(|text| text.parse().ok()).unwrap_or(0.0)
    }

    fn colours(&self, path: &Path) -> u32 {
        self.number(path, "%k") as u32
    }

    /// From 0 (black) to 1 (white).
    fn brightness(&self, path: &Path) -> f64 {
        self.number(path, "%[fx:mean]")
    }

    /// Waits until the picture differs from this one by more than a caret would.
    fn changes_from(&mut self, what: &str, before: &Path) -> PathBuf {
        let before = std::fs::read(before).expect("the picture before");
        self.wait_for(what, |window| {
            let after = window.picture();
            std::fs::read(&after).is_ok_and(|after| after != before).then_some(after)
        })
    }
}

#[test]
fn the_window_opens_and_obeys_the_keyboard() {
    let (display, desk) = (Display::open(), Desk::new());
    let mut window = Window::open(&display, &desk);
    let dark = window.picture();
    window.press("t");
    let light = window.changes_from("the other theme", &dark);
    let difference = window.brightness(&light) - window.brightness(&dark);
    assert!(difference.abs() > 0.2, "the themes differ by {difference} in brightness");
    window.press("question");
    let help = window.changes_from("the list of keys", &light);
    window.press("Escape");
    window.changes_from("the window without the list of keys", &help);
    for stage in ["2", "3", "4", "5", "6", "7", "1"] {
        let before = window.picture();
        window.press(stage);
        window.changes_from(&format!("stage {stage}"), &before);
    }
}

#[test]
fn the_main_key_of_a_stage_is_answered() {
    let (display, desk) = (Display::open(), Desk::new());
    let mut window = Window::open(&display, &desk);
    window.press("4");
    let idle = window.picture();
    window.press("space");
    window.changes_from("an answer to the main key", &idle);
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
