//! Every example of the pages and of every `--help`, as it stands there.
//!
//! An example of a page is a line of a block that is marked `console`. It is given to a shell, in a folder that holds what a
//! person would have: the files that it names are made here. What needs a sound device of its own (`--rig`, `listen`
//! and `devices`) is only held to be understood: anything but a complaint about its usage will do.

use std::path::Path;
use std::process::Command;

use cabin::{Car, Setup};

use crate::material::{RATE_HZ, response_csv, sine, write_wav};
use crate::program::Desk;
use crate::recorder::{Recorder, band_of, typed};
use crate::source::volume_sweep;

/// The commands of a page, each with its line.
fn examples(page: &str) -> Vec<(usize, String)> {
    let mut inside = false;
    let mut found = Vec::new();
    for (number, line) in (1..).zip(page.lines()) {
        if let Some(language) = line.trim_start().strip_prefix("```") {
            inside = !inside && language.trim() == "console";
        } else if inside && !line.trim().is_empty() {
            found.push((number, line.trim().to_owned()));
        }
    }
    found
}

/// What is left of a line without its comment.
fn command_of(line: &str) -> &str {
    line.split("  #").next().unwrap_or(line).trim()
}

/// The files that a line reads: words that end like a file and do not say where something goes.
fn files_of(line: &str) -> Vec<String> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let mut files = Vec::new();
    for (index, word) in words.iter().enumerate() {
        let goes_there = index > 0 && ["--out", "--csv", "--spots"].contains(&words[index - 1]);
        if goes_there {
            continue;
        }
        for part in word.split(',') {
            let name = part.rsplit('=').next().unwrap_or(part);
            let name = name.split('#').next().unwrap_or(name).trim_matches('"');
            if [".wav", ".csv", ".toml", ".flac", ".wasm"].iter().any(|ending| name.ends_with(ending)) {
                files.push(name.to_owned());
            }
        }
    }
    files
}

/// A driver between two crossovers, with its phase.
///
/// Source: Linkwitz 1976: `1/D²` and `s⁴/D²` with `D = 1 + √2 s + s²`.
fn driver_csv(from_hz: Option<f64>, to_hz: Option<f64>) -> String {
    let mut text = "frequency_hz,magnitude_db,phase_deg\n".to_owned();
    for index in 0..=478 {
        let hz = 20.0 * (f64::from(index) / 48.0).exp2();
        let (mut db, mut degrees) = (0.0, 0.0);
        for (corner_hz, high) in [(from_hz, true), (to_hz, false)] {
            let Some(corner_hz) = corner_hz else { continue };
            let ratio = hz / corner_hz;
            let (re, im) = (1.0 - ratio * ratio, 2f64.sqrt() * ratio);
            db += 20.0 * ((if high { ratio.powi(4) } else { 1.0 }) / re.hypot(im).powi(2)).log10();
            degrees -= 2.0 * im.atan2(re).to_degrees();
        }
        text += &format!("{hz},{db},{degrees}\n");
    }
    text
}

fn room(hz: f64) -> f64 {
    6.0 * (-((hz / 90.0).log2() / 0.4).powi(2)).exp() - 4.0 * (-((hz / 2_000.0).log2() / 0.6).powi(2)).exp()
}

/// Makes a file that an example names, as its name says.
fn make(desk: &Desk, name: &str) {
    let track = |track: &str, name: &str| {
        if !desk.has("a-stick") {
            desk.run("tracks a-stick").done();
        }
        std::fs::copy(desk.path().join(format!("a-stick/{track}.wav")), desk.path().join(name)).unwrap();
    };
    let sound = |channels: &[Vec<f32>]| write_wav(&desk.path().join(name), RATE_HZ, channels);
    match name {
        "lower.csv" | "woofer.csv" | "sub.csv" => desk.write(name, driver_csv(None, Some(350.0))),
        "upper.csv" => desk.write(name, driver_csv(Some(350.0), None)),
        "mid.csv" | "lm.csv" | "rm.csv" => desk.write(name, driver_csv(Some(350.0), Some(3_000.0))),
        "lt.csv" | "rt.csv" | "tweeter.csv" => desk.write(name, driver_csv(Some(3_000.0), None)),
        "with-band.csv" => {
            let band = |hz: f64| -12.0 / (1.0 + (1.5 * (hz / 1_000.0 - 1_000.0 / hz)).powi(2));
            desk.write(name, response_csv(|hz| room(hz) + band(hz)));
        }
        "band.csv" | "one-band.csv" => {
            desk.write(name, "channel,band,type,frequency_hz,gain_db,q\n,1,peak,1000,-12,3\n");
        }
        "my-shop.toml" => desk.write(name, include_str!("../../presets/reports/plain.toml")),
        "my-plugin.wasm" => desk.write(name, include_bytes!("../../crates/guest/plugins/whine.wasm")),
        "drivers.wav" => record(desk, name),
        _ if ["before-", "after-", "place-"].iter().any(|begin| name.starts_with(begin)) => {
            record(desk, name)
        }
        "source.wav" | "front.wav" | "rear.wav" => sound(&[volume_sweep(1_000.0, 12, 9)]),
        "stereo.wav" => sound(&[volume_sweep(1_000.0, 12, 9), volume_sweep(40.0, 12, 8)]),
        "tone.wav" => sound(&[sine(1_000.0, 0.3, 4.0)]),
        "off.wav" | "idle.wav" | "fast.wav" => {
            let hz = match name {
                "idle.wav" => 425.0,
                "fast.wav" => 1_000.0,
                _ => 50.0,
            };
            sound(&[sine(hz, 1e-3, 12.0)]);
        }
        "walk.wav" => track("pink", name),
        "song.flac" => {
            let mix = sine(400.0, 0.2, 12.0);
            let rows = recording::Audio::new(RATE_HZ, vec![mix.clone(), mix]);
            recording::write_flac(desk.path().join(name), &rows, recording::Depth::Int16, 1).unwrap();
        }
        "mid.wav" | "tweeter.wav" => {
            // One microphone hears both sides of the track.
            track("arrival", name);
            let played = recording::read(desk.path().join(name)).unwrap();
            std::fs::remove_file(desk.path().join(name)).unwrap();
            let sum = played.channels[0].iter().zip(&played.channels[1]).map(|(left, right)| left + right);
            sound(&[sum.collect()]);
        }
        _ if name.ends_with(".wav") => track("sweep-full", name),
        _ if name.ends_with(".toml") => {}
        _ => desk.write(name, response_csv(room)),
    }
}

/// Runs one line, in the order of its page.
fn run(desk: &Desk, place: &str, line: &str) {
    let command = command_of(line).replace("cargo run -- ", "headrest ");
    for file in files_of(&command) {
        if !desk.has(&file) {
            make(desk, &file);
        }
    }
    let words: Vec<&str> = command.split_whitespace().collect();
    let simulated = words.contains(&"--simulated");
    let device = words.contains(&"--rig") || (["listen", "measure"].contains(&words[1]) && !simulated);
    let program = Path::new(env!("CARGO_BIN_EXE_headrest"));
    let path = std::env::var("PATH").unwrap_or_default();
    let given = if device { format!("{command} --json") } else { command.clone() };
    let mut shell = Command::new("sh");
    shell.args(["-c", &given]).current_dir(desk.path()).stdin(std::process::Stdio::null());
    shell.env("PATH", format!("{}:{path}", program.parent().unwrap().display()));
    for name in ["HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME"] {
        shell.env(name, desk.path());
    }
    let output = shell.output().expect("a shell");
    let told = format!(
        "{place}: `{given}`\n{}\n{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    let status = output.status.code();
    if device {
        assert!(
            !told.contains("\"kind\": \"usage\"") && [Some(0), Some(1), Some(2)].contains(&status),
            "{told}"
        );
        return;
    }
    // A mistake that an audit finds has a status of its own.
    let fits = status == Some(0) || (words[1] == "audit" && status == Some(1));
    assert!(fits, "it ended with {status:?}: {told}");
}

fn run_page(desk: &Desk, name: &str, page: &str) {
    let examples = examples(page);
    assert!(!examples.is_empty(), "{name} has no example");
    for (line, example) in examples.iter().filter(|(_, line)| !line.starts_with("cargo xtask")) {
        // Without a command the window opens.
        if example != "cargo run" && example != "headrest" {
            run(desk, &format!("{name}, line {line}"), example);
        }
    }
}

#[test]
fn examples_are_found_in_console_blocks_alone() {
    let page = "```\nheadrest no\n```\n```console\nheadrest yes a.wav  # why\n\nheadrest two\n```\n";
    let found: Vec<String> = examples(page).into_iter().map(|(_, line)| line).collect();
    assert_eq!(found, ["headrest yes a.wav  # why", "headrest two"]);
    assert_eq!(command_of(&found[0]), "headrest yes a.wav");
    let files = files_of("headrest fit --channel left=l1.csv,l2.csv a=b.wav#2 --out c.csv");
    assert_eq!(files, ["l1.csv", "l2.csv", "b.wav"]);
}

/// The car of the guide, and its processor with everything at zero.
fn guides_car() -> (Car, Setup) {
    let car = Car::preset("compact-hatch").expect("it is built in");
    let mut bare = Setup { volume_step: 20, ..car.setup() };
    for driver in car.drivers.iter().filter(|driver| driver.processed) {
        bare.processor.insert(driver.name.clone(), cabin::Channel::default());
    }
    (car, bare)
}

/// Where the pages' car is recorded with the tracks `place-…`, and the driver that plays their left side.
const PLACES: [&str; 4] = ["driver", "driver-left-ear", "driver-right-ear", "driver-forward"];
const REFERENCE: &str = "left-mid";

/// Makes a recording of the guide: of each driver alone, of each against the reference driver, or of all with what the
/// job's sheet says by then in the processor.
fn record(desk: &Desk, name: &str) {
    let (car, bare) = guides_car();
    let stick = desk.path().join("STICK");
    let drivers: Vec<_> = car.drivers.iter().filter(|driver| driver.processed).collect();
    let alone = |driver: &str| Setup { active: Some(vec![driver.to_owned()]), ..bare.clone() };
    let mut recorder = Recorder::new(&car);
    if name == "drivers.wav" {
        for driver in drivers {
            recorder.play(&stick, &format!("sweep-{}", band_of(driver.role)), &alone(&driver.name));
        }
    } else if let Some(place) = name.strip_prefix("place-").and_then(|rest| rest.strip_suffix(".wav")) {
        let place = PLACES[place.parse::<usize>().expect("a number") - 1];
        let there = |driver: &str| Setup { mic_position: place.to_owned(), ..alone(driver) };
        for driver in drivers {
            let by_left = driver.inputs == ["front-left"];
            let track = format!("place-{}", band_of(driver.role));
            recorder.play_against(&stick, &track, &there(REFERENCE), (&there(&driver.name), by_left));
        }
    } else {
        let sheet = desk.run("sheet hatch --format json").done().json();
        let place = match name.split_once('-').map(|(_, place)| place.trim_end_matches(".wav")) {
            Some("driver") | None => "driver".to_owned(),
            Some(ear) => format!("driver-{ear}"),
        };
        let setup = Setup {
            active: Some(drivers.iter().map(|driver| driver.name.clone()).collect()),
            mic_position: place,
            ..typed(&bare, &sheet)
        };
        recorder.play(&stick, "sweep-full", &setup);
    }
    recorder.write(&desk.path().join(name));
}

/// A whole job with the guide's commands alone: what it promises comes out.
#[test]
fn the_guide_is_a_whole_job() {
    let desk = Desk::new();
    run_page(&desk, "docs/guide.md", include_str!("../../docs/guide.md"));
    let sheet = desk.run("sheet hatch --format json").done().json();
    assert_eq!(sheet["measured"], true, "{sheet}");
    let outcome = &sheet["outcome"];
    let number = |key: &str| outcome[key].as_f64().expect("a number");
    testkit::at_most("after", number("after_rms_db"), 0.85 * number("before_rms_db"));
    let audit = desk.run("audit --job hatch --json").done().json();
    assert!(
        audit["bands"].as_array().expect("bands").iter().all(|band| band["verdict"] == "as-meant"),
        "{audit}"
    );
    let compared = desk.run("compare hatch@before hatch@after --json").done().json();
    assert_eq!(compared["places"].as_array().map(Vec::len), Some(3), "{compared}");
    assert!(desk.has("sheet.pdf") && desk.has("report.pdf"));
}

#[test]
fn the_examples_about_recordings_work() {
    let (page, _) = RECORDINGS.split_once(TOGETHER).expect("the section");
    run_page(&Desk::new(), "docs/recordings.md", page);
}

/// A car without an input, recorded place by place against a reference driver: the driver that is wired backwards is
/// found, and every driver gets its values.
///
/// Source: the car's own truth.
#[test]
fn the_example_of_response_and_arrival_together_tunes_a_car() {
    let (_, section) = RECORDINGS.split_once(TOGETHER).expect("the section");
    let desk = Desk::new();
    desk.run("tracks STICK").done();
    run_page(&desk, "docs/recordings.md", section);
    let sheet = desk.run("sheet JOB --format json").done().json();
    let channels = sheet["channels"].as_array().expect("channels");
    let (car, _) = guides_car();
    assert_eq!(channels.len(), car.drivers.iter().filter(|driver| driver.processed).count(), "{sheet}");
    let inverted = |name: &str| {
        let channel = channels.iter().find(|channel| channel["channel"] == name).expect("it is there");
        channel["setting"]["inverted"].as_bool().expect("it is said")
    };
    assert_ne!(inverted("left-mid"), inverted("right-mid"), "{sheet}");
    assert!(channels.iter().any(|channel| channel["setting"]["delay_s"].as_f64() > Some(0.0)), "{sheet}");
}

const RECORDINGS: &str = include_str!("../../docs/recordings.md");
/// The heading of the section whose job is one of its own.
const TOGETHER: &str = "## Response and arrival together";

#[test]
fn the_examples_about_the_source_work() {
    run_page(&Desk::new(), "docs/source.md", include_str!("../../docs/source.md"));
}

/// The examples of these pages work on a job that is complete.
#[test]
fn the_examples_about_tuning_and_those_of_the_readme_work() {
    let desk = Desk::new();
    desk.run("demo --out JOB").done();
    run_page(&desk, "docs/tuning.md", include_str!("../../docs/tuning.md"));
    run_page(&desk, "README.md", include_str!("../../README.md"));
}

/// A command and all below it, each with the examples at the end of its help.
fn examples_of_help(desk: &Desk, words: &str, all: &mut Vec<(String, String)>) {
    let help = desk.run(&format!("{words} --help")).done().stdout;
    let after = help.lines().skip_while(|line| !matches!(*line, "Example:" | "Examples:")).skip(1);
    let mut found: Vec<String> = Vec::new();
    for line in after {
        let Some(line) = line.strip_prefix("  ") else {
            panic!("`{words} --help` does not end with its examples:\n{help}")
        };
        match found.last_mut() {
            // A long one goes on below.
            Some(last) if !line.starts_with("headrest") => *last = format!("{last} {line}"),
            _ => found.push(line.to_owned()),
        }
    }
    assert!(!found.is_empty(), "`{words} --help` has no example:\n{help}");
    for example in found {
        if !all.iter().any(|(_, known)| *known == example) {
            all.push((words.to_owned(), example));
        }
    }
    let below = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let names = below.take_while(|line| !line.is_empty()).filter_map(|line| line.strip_prefix("  "));
    let names: Vec<&str> =
        names.filter_map(|line| line.split(' ').next()).filter(|name| !["", "help"].contains(name)).collect();
    for name in names {
        examples_of_help(desk, format!("{words} {name}").trim(), all);
    }
}

/// In the order of the help, in one folder: what one writes the next ones read. A tune puts other bands into the job than
/// those that were measured, so it comes last.
#[test]
fn the_examples_of_every_help_work() {
    let desk = Desk::new();
    let mut all = Vec::new();
    examples_of_help(&desk, "", &mut all);
    assert!(all.len() > 40, "{all:?}");
    all.sort_by_key(|(words, _)| words == "tune");
    for (words, example) in &all {
        run(&desk, &format!("headrest {words} --help"), example);
    }
}
