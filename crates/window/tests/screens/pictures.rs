//! Pictures of the window against those that were looked at and found good.
//!
//! A missing picture fails. `HEADREST_WRITE_PICTURES=1 cargo test -p window`
//! writes them anew; look at each before it is committed.

use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::path::{Path, PathBuf};

use iced::keyboard::key::Named;
use view::{Action, Activity, ChartFace, Command, Stage, Update};
use window::Theme;

use crate::bench::Bench;
use crate::driving::Driver;
use crate::prepared::{self, DESIGN};

/// A channel that differs by more than this differs to the eye.
const VISIBLE: u8 = 24;
/// So many pixels in a million may differ visibly: edges of strokes and letters
/// are rounded differently by processors that fuse multiplication and addition.
const TOLERATED_PER_MILLION: usize = 500;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/screens/pictures")
}

fn write(path: &Path, width: u32, height: u32, rgba: &[u8]) {
    let rgb: Vec<u8> = rgba.chunks_exact(4).flat_map(|pixel| [pixel[0], pixel[1], pixel[2]]).collect();
    std::fs::create_dir_all(path.parent().expect("a folder")).expect("the folder can be made");
    let mut encoder = png::Encoder::new(BufWriter::new(File::create(path).expect("a file")), width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_compression(png::Compression::High);
    encoder.write_header().and_then(|mut w| w.write_image_data(&rgb)).expect("the picture is written");
}

fn read(path: &Path) -> (u32, u32, Vec<u8>) {
    let mut reader =
        png::Decoder::new(BufReader::new(File::open(path).expect("a file"))).read_info().expect("a PNG");
    let mut rgb = vec![0; reader.output_buffer_size().expect("a size that fits")];
    let info = reader.next_frame(&mut rgb).expect("a picture");
    rgb.truncate(info.buffer_size());
    (info.width, info.height, rgb)
}

#[track_caller]
fn looks_as_before(name: &str, mut bench: Bench) {
    let (width, height, rgba) = bench.picture(1.0);
    let reference = folder().join(format!("{name}.png"));
    if std::env::var_os("HEADREST_WRITE_PICTURES").is_some() {
        write(&reference, width, height, &rgba);
        return;
    }
    assert!(
        reference.exists(),
        "{} is missing; write it with HEADREST_WRITE_PICTURES=1, look at it, commit it",
        reference.display()
    );
    let (wanted_width, wanted_height, wanted) = read(&reference);
    let same_size = (width, height) == (wanted_width, wanted_height);
    let rgb = rgba.chunks_exact(4).map(|pixel| &pixel[..3]);
    let differing = rgb
        .zip(wanted.chunks_exact(3))
        .filter(|(got, wanted)| got.iter().zip(*wanted).any(|(g, w)| g.abs_diff(*w) > VISIBLE))
        .count();
    let most = (width * height) as usize * TOLERATED_PER_MILLION / 1_000_000;
    if !same_size || differing > most {
        let actual = std::env::temp_dir().join(format!("headrest-{name}.png"));
        write(&actual, width, height, &rgba);
        panic!(
            "{name} looks different: {differing} pixels, {most} are tolerated. See {} and {}",
            actual.display(),
            reference.display()
        );
    }
}

/// A window that shows what the app told, in this look and at this size. The tray is empty: what was broken off there
/// carries the time of day.
fn seen(driver: &Driver, theme: Theme, size: (f32, f32)) -> Bench {
    let mut snapshot = driver.snapshot().clone();
    snapshot.tray.clear();
    let mut bench = Bench::open(theme, size);
    bench.tell(Update::Snapshot(snapshot.into()));
    bench
}

const SMALL: (f32, f32) = (1024.0, 700.0);

/// What the window looks like from the first start to the target, gone through with the app. Nothing is measured: a
/// measured number is another one each time.
#[test]
fn the_window_looks_as_it_did() {
    let mut driver = prepared::starting(false);
    looks_as_before("first-start", seen(&driver, Theme::Garage, DESIGN));
    driver.work("car-compact-hatch");
    driver.wait("the job", |driver| driver.snapshot().start.is_none() && driver.snapshot().picture.is_some());
    driver.wait_idle();
    looks_as_before("chain", seen(&driver, Theme::Daylight, DESIGN));
    driver.open(Stage::Drivers);
    driver.wait("the cabin", |driver| driver.snapshot().chart_face == ChartFace::Cabin);
    looks_as_before("cabin-garage", seen(&driver, Theme::Garage, DESIGN));
    looks_as_before("cabin-daylight-small", seen(&driver, Theme::Daylight, SMALL));
    driver.go_on();
    driver.wait("the countdown", |driver| {
        matches!(driver.snapshot().shared.activity, Activity::Countdown { .. })
    });
    looks_as_before("countdown", seen(&driver, Theme::Daylight, DESIGN));
    driver.tap(Named::Escape);
    driver.wait("the end", |driver| driver.is_idle() && driver.snapshot().shared.muted);
    driver.ask(Command::Unmute);
    driver.wait("sound", |driver| !driver.snapshot().shared.muted);
    driver.open(Stage::Tune);
    driver.ask(Command::Press(Action::ShowBands));
    driver.wait_idle();
    driver.ask(Command::Press(Action::EditTarget));
    driver.wait_idle();
    looks_as_before("target-garage", seen(&driver, Theme::Garage, DESIGN));
    looks_as_before("target-daylight-small", seen(&driver, Theme::Daylight, SMALL));
}

/// A picture that cannot differ would prove nothing.
#[test]
fn two_states_do_not_look_alike() {
    let idle = prepared::at(Stage::Drivers).snapshot().clone();
    let running = prepared::running().snapshot().clone();
    let one = Bench::showing(idle).picture(1.0).2;
    let other = Bench::showing(running).picture(1.0).2;
    let differing = one.chunks_exact(4).zip(other.chunks_exact(4)).filter(|(a, b)| a != b).count();
    assert!(differing > 20_000, "{differing}");
}
