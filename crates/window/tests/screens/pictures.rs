//! Pictures of the window against those that were looked at and found good.
//!
//! A missing picture fails. `HEADREST_WRITE_PICTURES=1 cargo test -p window`
//! writes them anew; look at each before it is committed.

use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::path::{Path, PathBuf};

use window::Theme;

use crate::bench::Bench;
use crate::sample;

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

fn scene(theme: Theme, size: (f32, f32), name: &str) -> Bench {
    let mut bench = Bench::open(theme, size);
    let scene = sample::scenes().into_iter().find(|scene| scene.name == name).expect("a scene");
    for update in scene.updates {
        bench.tell(update);
    }
    bench
}

const DESIGN: (f32, f32) = (1280.0, 800.0);

#[test]
fn tuning_in_a_garage() {
    looks_as_before("tune-garage", scene(Theme::Garage, DESIGN, "tune"));
}

#[test]
fn tuning_in_daylight_in_the_smallest_window() {
    looks_as_before("tune-daylight-small", scene(Theme::Daylight, (1024.0, 700.0), "tune"));
}

#[test]
fn shaping_the_target_in_a_garage() {
    looks_as_before("target-garage", scene(Theme::Garage, DESIGN, "target"));
}

#[test]
fn shaping_the_target_in_daylight_in_the_smallest_window() {
    looks_as_before("target-daylight-small", scene(Theme::Daylight, (1024.0, 700.0), "target"));
}

#[test]
fn the_first_start() {
    looks_as_before("first-start", scene(Theme::Garage, DESIGN, "first-start"));
}

#[test]
fn the_cabin_from_above_in_a_garage() {
    looks_as_before("cabin-garage", scene(Theme::Garage, DESIGN, "cabin"));
}

#[test]
fn the_cabin_from_above_in_daylight_in_the_smallest_window() {
    looks_as_before("cabin-daylight-small", scene(Theme::Daylight, (1024.0, 700.0), "cabin"));
}

#[test]
fn the_chain_with_its_probe() {
    looks_as_before("chain", scene(Theme::Daylight, DESIGN, "chain"));
}

#[test]
fn a_countdown() {
    looks_as_before("countdown", scene(Theme::Daylight, DESIGN, "countdown"));
}

#[test]
fn a_ladder_of_volume_steps() {
    looks_as_before("headroom", scene(Theme::Garage, DESIGN, "headroom"));
}

/// A picture that cannot differ would prove nothing.
#[test]
fn two_scenes_do_not_look_alike() {
    let one = scene(Theme::Garage, DESIGN, "tune").picture(1.0).2;
    let other = scene(Theme::Garage, DESIGN, "running").picture(1.0).2;
    let differing = one.chunks_exact(4).zip(other.chunks_exact(4)).filter(|(a, b)| a != b).count();
    assert!(differing > 20_000, "{differing}");
}
