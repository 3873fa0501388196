//! Takes the pictures of `docs/images` from the real window, which works through
//! the simulated car on a display without a screen.
//!
//! `cargo xtask pictures` takes them anew, on Linux.

#[cfg(target_os = "linux")]
mod display;

#[cfg(not(target_os = "linux"))]
fn main() {}

#[cfg(target_os = "linux")]
fn main() {
    taking::all();
}

#[cfg(target_os = "linux")]
mod taking {
    use std::path::{Path, PathBuf};
    use std::process::Command;
    use std::thread::sleep;
    use std::time::Duration;

    use super::display::{Display, Window};

    /// Works through the stages and keeps a picture of each.
    pub(super) fn all() {
        let home = tempfile::TempDir::new().expect("a temporary folder");
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/images");
        std::fs::create_dir_all(&folder).expect("docs/images");
        let display = Display::open();
        let mut command = Command::new(env!("CARGO_BIN_EXE_headrest"));
        command.current_dir(home.path()).env("HOME", home.path());
        let mut window = Window::open(&display, command, home.path());
        let keep = |window: &Window<'_>, name: &str| keep(window, &folder, name);

        // The pointer is out of the way.
        display.ask("xdotool", &["mousemove", "1690", "990"]).expect("xdotool moves the pointer");

        // Intake takes the simulated car; the source climbs its ladder.
        window.press("space");
        sleep(Duration::from_secs(2));
        window.press("space");
        // The first output is clean up to step 31; the picture shows what comes after.
        sleep(Duration::from_millis(4_300));
        keep(&window, "source.png");
        window.wait_for("the ladders", |window| (window.captures() >= 4).then_some(()));

        window.press("4");
        window.press("space");
        window.wait_for("six drivers", |window| (window.captures() >= 10).then_some(()));
        sleep(Duration::from_millis(3_600));
        keep(&window, "drivers.png");
        window.wait_for("the drivers", |window| (window.captures() >= 12).then_some(()));
        sleep(Duration::from_secs(3));
        window.press("5");
        window.press("space");

        window.press("6");
        window.press("space");
        window.wait_for("half of the positions", |window| (window.captures() >= 16).then_some(()));
        window.wait_for("the positions", |window| (window.captures() >= 19).then_some(()));
        sleep(Duration::from_secs(4));
        // Suggest bands.
        window.press("space");
        sleep(Duration::from_secs(9));
        keep(&window, "tune.png");
        // Type them in, measure again.
        window.press("space");
        sleep(Duration::from_secs(1));
        window.press("space");
        window.wait_for("half of the second set", |window| (window.captures() >= 23).then_some(()));
        window.wait_for("the second set", |window| (window.captures() >= 26).then_some(()));
        sleep(Duration::from_secs(5));
        keep(&window, "after.png");
    }

    /// Keeps what the window shows, in few colours, so that the file is small.
    fn keep(window: &Window<'_>, folder: &Path, name: &str) {
        let path: PathBuf = folder.join(name);
        let path = path.to_str().expect("a plain path");
        window.display.ask("import", &["-window", &window.id, path]).expect("import takes a picture");
        let small = [path, "-strip", "+dither", "-colors", "96", path];
        window.display.ask("convert", &small).expect("convert makes it small");
    }
}
