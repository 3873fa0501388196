//! A display without a screen, and the program's window on it.
#![cfg(target_os = "linux")]

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// How long anything is waited for.
const PATIENCE: Duration = Duration::from_secs(60);

/// Where a desk keeps what the program wrote on standard error.
const SAID: &str = "said.txt";

/// A display of its own, ended with its programs when the test ends. It does not
/// start afresh when its last client leaves, which `xdotool` does again and again
/// while the program has not yet arrived.
pub(crate) struct Display {
    server: Child,
    name: String,
}

impl Display {
    pub(crate) fn open() -> Self {
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
    pub(crate) fn ask(&self, name: &str, arguments: &[&str]) -> Option<String> {
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
pub(crate) struct Window<'a> {
    pub(crate) display: &'a Display,
    home: PathBuf,
    /// What the display calls it.
    pub(crate) id: String,
    pub(crate) program: Child,
    pictures: u32,
}

impl Drop for Window<'_> {
    fn drop(&mut self) {
        let _ = self.program.kill();
        let _ = self.program.wait();
    }
}

impl<'a> Window<'a> {
    /// Opens the window of a program that has not yet been started; `home` is
    /// the person's folder.
    pub(crate) fn open(display: &'a Display, mut command: Command, home: &Path) -> Self {
        let program = command
            .env("DISPLAY", &display.name)
            .env_remove("WAYLAND_DISPLAY")
            .env("ICED_BACKEND", "tiny-skia")
            .stdout(Stdio::null())
            .stderr(File::create(home.join(SAID)).expect("a file for what the program says"))
            .spawn()
            .expect("the program starts");
        let home = home.to_owned();
        let mut window = Self { display, home, id: String::new(), program, pictures: 0 };
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
        window.id = id;
        window
    }

    pub(crate) fn wait_for<T>(&mut self, what: &str, mut look: impl FnMut(&mut Self) -> Option<T>) -> T {
        let start = Instant::now();
        loop {
            if let Some(status) = self.program.try_wait().expect("the program can be asked") {
                let said = std::fs::read_to_string(self.home.join(SAID)).unwrap_or_default();
                panic!("the program ended ({status}) before {what} came: {said}");
            }
            if let Some(found) = look(self) {
                return found;
            }
            assert!(start.elapsed() < PATIENCE, "{what} did not come");
            sleep(Duration::from_millis(200));
        }
    }

    pub(crate) fn press(&mut self, key: &str) {
        self.display.ask("xdotool", &["key", key]).expect("xdotool presses a key");
    }

    pub(crate) fn picture(&mut self) -> PathBuf {
        self.pictures += 1;
        let path = self.home.join(format!("picture-{}.png", self.pictures));
        self.display.ask("import", &["-window", "root", path.to_str().expect("a plain path")]);
        path
    }

    /// What ImageMagick says of a picture in this format, a number.
    pub(crate) fn number(&self, path: &Path, format: &str) -> f64 {
        let text = self.display.ask("convert", &[path.to_str().unwrap(), "-format", format, "info:"]);
        text.and_then(|text| text.parse().ok()).unwrap_or(0.0)
    }

    pub(crate) fn colours(&self, path: &Path) -> u32 {
        self.number(path, "%k") as u32
    }

    /// How many captures of the first job have a reading.
    pub(crate) fn captures(&self) -> usize {
        let jobs = std::fs::read_dir(self.home.join("Headrest"));
        let job = jobs.ok().and_then(|mut jobs| jobs.next()?.ok());
        let captures = job.and_then(|job| std::fs::read_dir(job.path().join("captures")).ok());
        let done = |capture: &std::fs::DirEntry| capture.path().join("reading.json").exists();
        captures.map_or(0, |captures| captures.flatten().filter(done).count())
    }
}
