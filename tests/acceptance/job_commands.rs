//! What is found, chosen and entered by commands stands in the job.

use std::f64::consts::PI;

use jiff::Timestamp;
use job::{CaptureMeta, Head, Job, Set, Stage};
use measure::Reading;
use serde_json::Value;
use testkit::{at_most, near};

use crate::material::response_csv;
use crate::program::Desk;

/// A band as it is typed.
#[derive(Clone)]
struct Typed {
    kind: String,
    frequency_hz: f64,
    gain_db: f64,
    q: f64,
}

impl Typed {
    /// What it does at a frequency, at 48 kHz.
    ///
    /// Source: Audio EQ Cookbook, W3C Note 2021-06-08: peakingEQ, lowShelf, highShelf.
    fn db(&self, hz: f64) -> f64 {
        let a = 10f64.powf(self.gain_db / 40.0);
        let w0 = 2.0 * PI * self.frequency_hz / 48_000.0;
        let (cos, alpha) = (w0.cos(), w0.sin() / (2.0 * self.q));
        let root = 2.0 * a.sqrt() * alpha;
        // The high shelf is the low shelf with the signs of the cosine turned.
        let sign = if self.kind == "high-shelf" { -1.0 } else { 1.0 };
        let (b, d) = match self.kind.as_str() {
            "peak" => (
                [1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a],
                [1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a],
            ),
            _ => (
                [
                    a * ((a + 1.0) - sign * (a - 1.0) * cos + root),
                    2.0 * sign * a * ((a - 1.0) - sign * (a + 1.0) * cos),
                    a * ((a + 1.0) - sign * (a - 1.0) * cos - root),
                ],
                [
                    (a + 1.0) + sign * (a - 1.0) * cos + root,
                    -2.0 * sign * ((a - 1.0) + sign * (a + 1.0) * cos),
                    (a + 1.0) + sign * (a - 1.0) * cos - root,
                ],
            ),
        };
        let power = |c: [f64; 3]| {
            let w = 2.0 * PI * hz / 48_000.0;
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = c[1] * w.sin() + c[2] * (2.0 * w).sin();
            re * re + im * im
        };
        10.0 * (power(b) / power(d)).log10()
    }
}

fn grid() -> Vec<f64> {
    (0..=957).map(|index| 20.0 * (f64::from(index) / 96.0).exp2()).collect()
}

fn sweep(level: impl Fn(f64) -> f64, phase_deg: impl Fn(f64) -> f64, arrival_s: f64) -> Reading {
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    reading.value("arrival_s", arrival_s);
    reading.label("polarity", "normal");
    reading.curve(
        "response",
        [
            ("frequency_hz", grid()),
            ("magnitude_db", grid().into_iter().map(level).collect()),
            ("phase_deg", grid().into_iter().map(phase_deg).collect()),
        ],
    );
    reading
}

/// A job of one's own making: captures whose content is known.
struct Made(Job);

impl Made {
    fn new(desk: &Desk, name: &str) -> Self {
        let head = Head { name: name.to_owned(), created: Timestamp::UNIX_EPOCH };
        Self(Job::create(desk.path().join(name), head).unwrap())
    }

    fn keep(&mut self, stage: Stage, reading: &Reading, place: impl FnOnce(&mut CaptureMeta)) {
        let mut meta = CaptureMeta::new("sweep", 1, stage, Timestamp::UNIX_EPOCH);
        meta.rig = "Simulated: by hand".to_owned();
        place(&mut meta);
        let pending = self.0.begin_capture(&meta).unwrap();
        self.0.finish_capture(&pending, reading, meta).unwrap();
    }

    fn position(&mut self, set: Set, position: &str, level: impl Fn(f64) -> f64) {
        self.keep(Stage::Tune, &sweep(level, |_| 0.0, 0.1), |meta| {
            meta.set = Some(set);
            position.clone_into(&mut meta.position);
        });
    }
}

fn room(hz: f64) -> f64 {
    6.0 * (-((hz / 90.0).log2() / 0.4).powi(2)).exp() - 4.0 * (-((hz / 2_000.0).log2() / 0.6).powi(2)).exp()
}

fn job_json(desk: &Desk, name: &str) -> Value {
    serde_json::from_str(&desk.read(&format!("{name}/job.json"))).expect("a job")
}

fn entered(desk: &Desk) -> Vec<Typed> {
    let number = |band: &Value, key: &str| band[key].as_f64().expect("a number");
    let bands = job_json(desk, "car")["bands"].as_array().expect("bands").clone();
    let typed = |band: &Value| Typed {
        kind: band["type"].as_str().expect("a kind").to_owned(),
        frequency_hz: number(band, "frequency_hz"),
        gain_db: number(band, "gain_db"),
        q: number(band, "q"),
    };
    bands.iter().map(typed).collect()
}

/// A fit of a job puts bands, target, processor and all that it says into the job; after the entry the audit
/// finds what became of them, and a mistake is an exit status of its own.
#[test]
fn a_fit_and_an_audit_stand_in_the_job() {
    let desk = Desk::new();
    let mut made = Made::new(&desk, "car");
    for (position, aside_db) in [("left ear", 0.0), ("right ear", 1.0)] {
        made.position(Set::Before, position, |hz| room(hz) + aside_db);
    }
    drop(made);
    desk.run("fit --job car --set nowhere").refused(&["nowhere", "job capture"]);
    let fit = "fit --job car --target flat --processor parametric-gridded --max-bands 5 --json";
    let answer = desk.run(fit).done().json();
    let number = |value: &Value, key: &str| value[key]["rms_db"].as_f64().expect("a number");
    at_most("after", number(&answer, "after"), 0.5 * number(&answer, "before"));
    let job = job_json(&desk, "car");
    assert_eq!(job["target"]["name"], "flat");
    assert_eq!(job["processor"]["name"], "parametric-gridded");
    assert_eq!(job["choices"]["max_bands"], 5);
    let kept = &job["fit"]["channels"][0];
    assert_eq!(kept["left_alone"], answer["left_alone"]);
    assert_eq!(kept["headroom_cost_db"], answer["headroom_cost_db"]);
    assert_eq!(kept["after"], answer["after"]);
    assert_eq!(job["fit"]["basis"]["captures"], serde_json::json!([1, 2]));
    let bands = answer["bands"].as_array().expect("bands");
    assert_eq!(job["bands"].as_array().map(Vec::len), Some(bands.len()));
    assert!(job["bands"].as_array().unwrap().iter().all(|band| band["reason"].as_str() != Some("")));
    near("outcome", job["outcome"]["before_rms_db"].as_f64().unwrap(), number(&answer, "before"), 0.2);
    // What a person does not say again stays as it was chosen.
    desk.run("fit --job car --out - --json").refused(&["--out"]);
    let csv = desk.run("fit --job car --out -").done().stdout;
    assert!(csv.starts_with("channel,band,type"), "{csv}");
    assert_eq!(csv.lines().count(), 1 + bands.len());
    desk.run("sheet car").done().says(&["peak"]);

    desk.run("audit --job car").refused(&["`after`", "job capture"]);
    let meant = entered(&desk);
    let after = |typed: &[Typed]| {
        let mut made = Made(Job::open(desk.path().join("car")).unwrap());
        for position in ["left ear", "right ear"] {
            made.position(Set::After, position, |hz| {
                room(hz) + typed.iter().map(|band| band.db(hz)).sum::<f64>()
            });
        }
    };
    let mut typed = meant.clone();
    let most =
        (0..typed.len()).max_by(|&a, &b| typed[a].gain_db.abs().total_cmp(&typed[b].gain_db.abs())).unwrap();
    typed[most].gain_db = -typed[most].gain_db;
    after(&typed);
    let found = desk.run("audit --job car --json").not_measured().json();
    assert_eq!(found["bands"][most]["verdict"], "wrong-sign", "{found}");
    assert_eq!(job_json(&desk, "car")["audit"]["bands"][most]["verdict"], "wrong-sign");
    after(&meant);
    let found = desk.run("audit --job car --json").done().json();
    assert!(found["bands"].as_array().unwrap().iter().all(|band| band["verdict"] == "as-meant"), "{found}");
    let job = job_json(&desk, "car");
    at_most(
        "after, in the job",
        job["outcome"]["after_rms_db"].as_f64().unwrap(),
        number(&answer, "after") + 0.2,
    );
    desk.run("sheet car").done().says(&["entered correctly"]);
}

/// A driver with a Linkwitz-Riley edge of fourth order.
///
/// Source: Linkwitz 1976: low side `1/D²`, high side `s⁴/D²` with `D = 1 + √2 s + s²`.
fn edge(high: bool, corner_hz: f64) -> (impl Fn(f64) -> f64, impl Fn(f64) -> f64) {
    let parts = move |hz: f64| {
        let ratio = hz / corner_hz;
        (ratio, 1.0 - ratio * ratio, 2f64.sqrt() * ratio)
    };
    let level = move |hz: f64| {
        let (ratio, re, im) = parts(hz);
        20.0 * ((if high { ratio.powi(4) } else { 1.0 }) / re.hypot(im).powi(2)).log10()
    };
    let phase = move |hz: f64| {
        let (_, re, im) = parts(hz);
        (-2.0 * im.atan2(re)).to_degrees()
    };
    (level, phase)
}

/// Source: arithmetic: what is nearer by 0.9 ms waits 0.9 ms.
#[test]
fn delays_stand_in_the_job_with_the_roles_that_were_said() {
    let desk = Desk::new();
    let mut made = Made::new(&desk, "car");
    for (driver, high, arrival_s) in [("left-mid", false, 0.1015), ("left-high", true, 0.1006)] {
        let (level, phase) = edge(high, 2_000.0);
        made.keep(Stage::Drivers, &sweep(level, phase, arrival_s), |meta| {
            driver.clone_into(&mut meta.driver);
            "head".clone_into(&mut meta.position);
        });
    }
    drop(made);
    desk.run("timing --job car --role left-hi=tweeter").refused(&["left-hi", "left-high"]);
    desk.run("timing --job car --role left-high=horn").refused(&["horn", "tweeter"]);
    let timing = "timing --job car --role left-high=tweeter --processor parametric-gridded --filtered --json";
    let answer = desk.run(timing).done().json();
    assert_eq!(answer["drivers"][0]["driver"], "left-mid");
    let job = job_json(&desk, "car");
    let delay = |index: usize| job["channels"][index]["delay_s"].as_f64().expect("a delay");
    near("the nearer one waits, in ms", 1e3 * (delay(1) - delay(0)), 0.9, 0.06);
    assert_eq!(job["intake"]["drivers"][1]["role"], "tweeter");
    assert_eq!(job["intake"]["drivers"][0]["role"], "mid");
    assert_eq!(job["timing"]["drivers"][1]["setting"], job["channels"][1]);
    assert!(job["stages"]["timing"]["result"].as_str().is_some_and(|line| line.contains("ms")), "{job}");
    desk.run("sheet car").done().says(&["LEFT-HIGH", "Delay"]);
}

/// Recorded by a recorder of its own there is no common zero: that is said, and distances do instead.
#[test]
fn without_a_common_clock_distances_are_asked_for() {
    let desk = Desk::new();
    let mut made = Made::new(&desk, "car");
    for (driver, high) in [("left-mid", false), ("left-high", true)] {
        let (level, phase) = edge(high, 2_000.0);
        made.keep(Stage::Drivers, &sweep(level, phase, 2.0), |meta| {
            meta.rig = "recording day.wav".to_owned();
            driver.clone_into(&mut meta.driver);
        });
    }
    drop(made);
    desk.run("timing --job car").refused(&["left-mid, left-high", "--distance"]);
    let arguments =
        ["timing", "--job", "car", "--distance", "left-mid=1,20", "--distance", "left-high=89 cm"];
    desk.run_with(&arguments).done();
    let job = job_json(&desk, "car");
    let delay = |index: usize| job["channels"][index]["delay_s"].as_f64().expect("a delay");
    // Source: c = 343.2 m/s at 20 °C (ISO 9613-1): 0.31 m take 0.903 ms.
    near("the nearer one waits, in ms", 1e3 * (delay(1) - delay(0)), 0.903, 0.1);
}

#[test]
fn what_is_in_the_car_is_set_and_printed() {
    let desk = Desk::new();
    desk.run("job new car").done();
    desk.run_with(&[
        "job",
        "set",
        "car",
        "drivers=left-mid:mid:left:3, sub:sub:both",
        "amplifiers=front:75 W:4",
        "notes=cold morning",
        "channel.sub.gain=-6",
        "channel.sub.low-pass=80:linkwitz-riley:24",
        "channel.sub.polarity=inverted",
    ])
    .done();
    let job = job_json(&desk, "car");
    assert_eq!(job["intake"]["drivers"][0]["feed"], "left");
    assert_eq!(job["intake"]["amplifiers"][0]["power_w"], 75.0);
    desk.run("sheet car").done().says(&[
        "left-mid (mid), fed by 3",
        "front, 75 W, 4 ohm",
        "INVERTED",
        "80 Hz",
        "cold morning",
    ]);
    // All of it, or nothing.
    let before = desk.read("car/job.json");
    desk.run_with(&["job", "set", "car", "notes=lost", "drivers=x:horn"]).refused(&["horn", "tweeter"]);
    assert_eq!(desk.read("car/job.json"), before);
    let written = desk.run("job set car tap=preamp --json").done().json();
    assert_eq!(written["written"][0]["what"], "changed");
}

/// Source: arithmetic: 5 dB less everywhere and a bell of 3 dB.
#[test]
fn a_comparison_says_level_and_tone_apart() {
    let desk = Desk::new();
    let bell = |hz: f64| 3.0 * (-((hz / 1_000.0).log2() / 0.2).powi(2)).exp();
    desk.write("a.csv", response_csv(|_| 0.0));
    desk.write("b.csv", response_csv(|hz| bell(hz) - 5.0));
    let plain = desk.run("compare a.csv b.csv --json").done().json();
    let number = |value: &Value, key: &str| value[key].as_f64().expect("a number");
    near("level", number(&plain, "level_db"), -4.9, 0.06);
    near("greatest", number(&plain, "max_db"), 5.0, 0.05);
    let matched = desk.run("compare a.csv b.csv --match-level --csv tone.csv --json").done().json();
    near("level", number(&matched, "level_db"), number(&plain, "level_db"), 1e-9);
    near("greatest", number(&matched, "max_db"), 2.9, 0.06);
    near("at", number(&matched, "at_hz"), 1_000.0, 20.0);
    // The difference is a response again, and so is what comes from a pipe.
    let again = desk.run("compare a.csv tone.csv --json").done().json();
    near("greatest", number(&again, "max_db"), number(&matched, "max_db"), 1e-9);
    let csv = desk.run("compare a.csv b.csv --match-level --csv -").done().stdout;
    assert_eq!(csv, desk.read("tone.csv"));
    desk.run("compare a.csv b.csv --csv - --json").refused(&["--csv"]);
    desk.run("compare - -").refused(&["standard input"]);
}

#[test]
fn two_jobs_are_compared_with_what_they_were_measured_under() {
    let desk = Desk::new();
    for (name, level_db, step) in [("one", -1.0, 12), ("two", -4.0, 22)] {
        let mut made = Made::new(&desk, name);
        for position in ["left ear", "right ear"] {
            made.keep(Stage::Tune, &sweep(|_| level_db, |_| 0.0, 0.1), |meta| {
                meta.set = Some(Set::After);
                position.clone_into(&mut meta.position);
                meta.conditions.volume_step = Some(step);
                meta.conditions.note = "windows shut".to_owned();
            });
        }
    }
    let found = desk.run("compare one two --json").done().json();
    near("level", found["level_db"].as_f64().unwrap(), -3.0, 1e-9);
    assert_eq!(found["before"]["responses"], 2);
    let step = serde_json::json!([{"condition": "volume-step", "before": "12", "after": "22"}]);
    assert_eq!(found["conditions"], step);
    desk.run("job capture two 1 --kmh 50").done();
    desk.run("compare one:1 two:1").done().says(&["Vehicle speed", "50 km/h"]);
    desk.run("compare one@after two@after --match-level").done().says(&["−3.0 dB"]);
    desk.run("job capture two 1 --kmh fast").refused(&["--kmh", "fast"]);
    desk.run("job capture two 1 --kmh=-3").refused(&["vehicle"]);
}

/// Source: arithmetic: at the left ear 2 dB more, at the right one 4 dB less.
#[test]
fn two_sets_are_compared_place_by_place() {
    let desk = Desk::new();
    for name in ["one", "two"] {
        let mut made = Made::new(&desk, name);
        for (set, position, level_db) in [
            (Set::Before, "left ear", 0.0),
            (Set::Before, "right ear", 0.0),
            (Set::Before, "back seat", 0.0),
            (Set::After, "right ear", -4.0),
            (Set::After, "left ear", 2.0),
        ] {
            made.position(set, position, |_| level_db);
        }
    }
    // One of the places was driven at another time.
    desk.run("job capture two 4 --kmh 50").done();
    for line in ["compare one@before two@after --json", "compare one@before one@after --json"] {
        let found = desk.run(line).done().json();
        let places = found["places"].as_array().expect("places");
        let of = |index: usize, key: &str| places[index][key].as_f64().expect("a number");
        assert_eq!((&places[0]["place"], &places[1]["place"]), (&"left ear".into(), &"right ear".into()));
        near("the left ear", of(0, "level_db"), 2.0, 1e-9);
        near("the right ear", of(1, "level_db"), -4.0, 1e-9);
        near("the right ear's maximum", of(1, "max_db"), 4.0, 1e-9);
        assert_eq!(found["only_before"], serde_json::json!(["back seat"]));
        assert!(found.get("only_after").is_none(), "{found}");
        // The average is that of powers.
        let wanted = 10.0 * f64::midpoint(10f64.powf(0.2), 10f64.powf(-0.4)).log10();
        near("the average", found["level_db"].as_f64().expect("a number"), wanted, 1e-9);
    }
    let table = desk.run("compare one@before two@after").done();
    table.says(&["left ear   +2.0 dB", "right ear  −4.0 dB", "Only before: back seat", "50 km/h after"]);
    let matched = desk.run("compare one@before one@after --match-level --json").done().json();
    near("matched", matched["places"][1]["max_db"].as_f64().expect("a number"), 0.0, 1e-9);
}

/// The responses of an output that raises its bass at speed stand in a job with their conditions: what follows the speed
/// is told from there, and so it is from captures that are named one by one.
#[test]
fn the_conditions_of_a_jobs_captures_tell_what_the_source_does() {
    let desk = Desk::new();
    let mut made = Made::new(&desk, "car");
    let shelf = |bass_db: f64| move |hz: f64| bass_db / (1.0 + (hz / 150.0).powi(4));
    for (step, kmh, bass_db) in [(10, 0.0, 6.0), (20, 0.0, 0.0), (20, 50.0, 0.0), (20, 100.0, 4.0)] {
        made.keep(Stage::Source, &sweep(shelf(bass_db), |_| 0.0, 0.1), |meta| {
            "front".clone_into(&mut meta.position);
            meta.conditions.volume_step = Some(step);
            meta.conditions.vehicle_kmh = Some(kmh);
        });
    }
    drop(made);
    let number = |value: &Value, key: &str| value[key].as_f64().expect("a number");
    let report = desk.run("source tone --job car --json").done().json();
    let follows = &report["conditions"][0];
    assert_eq!((&follows["condition"], &follows["changed"]), (&"vehicle-speed".into(), &"100 km/h".into()));
    near("at speed", number(follows, "gain_db"), 4.0, 0.3);
    // At rest alone the volume is judged: step 10 has 6 dB more bass than step 20.
    let steps = &report["outputs"][0]["changes"][0];
    assert_eq!((&steps["unchanged_step"], &steps["changed_step"]), (&20.into(), &10.into()));
    near("at the low step", number(steps, "gain_db"), 6.0, 0.3);
    let kept = &job_json(&desk, "car")["source"]["tone"];
    assert_eq!(kept["basis"]["captures"], serde_json::json!([1, 2, 3, 4]));
    let named = desk.run("source tone front=car:3 front=car:4 --json").done().json();
    // Of two nobody can say which is the usual one; that they differ with the speed, and by how much, is the same.
    let follows = &named["conditions"][0];
    assert_eq!(follows["condition"], "vehicle-speed");
    near("between the two", number(follows, "gain_db").abs(), 4.0, 0.3);
    // What is said beside the capture counts before what stands in it.
    let said = desk.run("source tone front@0km/h=car:3 front@80km/h=car:4 --json").done().json();
    let follows = &said["conditions"][0];
    let both = [follows["unchanged"].as_str(), follows["changed"].as_str()];
    assert!(both.contains(&Some("0 km/h")) && both.contains(&Some("80 km/h")), "{follows}");
    desk.run("source tone --job car").done().says(&["front at step 20", "with the vehicle speed"]);
    desk.run("source tone --job car --outputs rear").refused(&["no response of an output", "job import"]);
    desk.run("source tone --job nowhere").refused(&["nowhere"]);
}

/// A capture that is put into *after* later, when other bands are planned by then, was made with those of its own time:
/// the sheet says those.
#[test]
fn a_sheet_is_what_was_measured_also_when_after_is_said_later() {
    let desk = Desk::new();
    let mut made = Made::new(&desk, "car");
    made.position(Set::Before, "left ear", room);
    drop(made);
    desk.run("fit --job car --target flat --max-bands 2").done();
    let planned = entered(&desk);
    // The track itself is what a straight wire sounds like.
    desk.run("tracks stick").done();
    let check = ["job", "import", "car", "stick/sweep-full.wav", "--as", "sweep-full=check:left ear"];
    desk.run_with(&check).done();
    // Another plan by the time at which it is called *after*.
    desk.run("fit --job car --target flat --max-bands 5").done();
    assert_ne!(entered(&desk).len(), planned.len());
    desk.run("job capture car 2 --set after").done();
    let sheet = desk.run("sheet car --format json").done().json();
    assert_eq!(sheet["measured"], true);
    let bands = sheet["channels"][0]["bands"].as_array().expect("bands");
    let sheets: Vec<f64> =
        bands.iter().map(|band| band["frequency_hz"].as_f64().expect("a number")).collect();
    assert_eq!(sheets, planned.iter().map(|band| band.frequency_hz).collect::<Vec<f64>>());
    assert!(sheet["remarks"].to_string().contains("not measured"), "{}", sheet["remarks"]);
    // Out of the set again, it says nothing of the processor.
    desk.run("job capture car 2 --set check").done();
    assert_eq!(desk.run("sheet car --format json").done().json()["measured"], false);
    // Of a capture that no plan preceded it is not known; at the place of a newer one it does not count.
    desk.run("job capture car 2 --set after").done();
    desk.run("job capture car 1 --set after").done();
    let replaced = desk.run("sheet car").done().stdout;
    assert!(!replaced.contains("not known what stood in the processor"), "{replaced}");
    desk.run_with(&["job", "capture", "car", "1", "--position", "right ear"]).done();
    desk.run("sheet car").done().says(&["not known what stood in the processor for 0001"]);
}

/// Commands in a row, each reading what the one before wrote.
#[test]
fn commands_form_a_chain() {
    use std::io::Write as _;
    use std::process::Stdio;

    let desk = Desk::new();
    desk.write("a.csv", response_csv(room));
    desk.write("b.csv", response_csv(|hz| room(hz) + 2.0));
    let average = desk.run("average a.csv b.csv --out -").done();
    assert!(average.stdout.starts_with("frequency_hz,"), "{}", average.stdout);
    assert!(average.stderr.contains("average of 2"), "{}", average.stderr);
    let piped = |arguments: &[&str], input: &str| {
        let mut command = desk.command();
        let child =
            command.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = child.spawn().expect("it starts");
        child.stdin.take().expect("a pipe").write_all(input.as_bytes()).expect("it reads");
        let output = child.wait_with_output().expect("it ends");
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).expect("text")
    };
    let bands = piped(&["fit", "-", "--max-bands", "3", "--out", "-"], &average.stdout);
    assert!(bands.starts_with("channel,band,type,frequency_hz,gain_db,q"), "{bands}");
    let same = piped(&["compare", "-", "a.csv", "--match-level", "--json"], &average.stdout);
    let same: Value = serde_json::from_str(&same).expect("one document");
    near("the same shape", same["rms_db"].as_f64().unwrap(), 0.0, 1e-9);
    desk.run("fit a.csv --out - --json").refused(&["--out"]);
}

/// Both sides of a two-way car, each driver at three places of the seat.
fn two_ways(made: &mut Made, stage: Stage, set: Option<&Set>, change: impl Fn(&str, &mut Reading)) {
    for (place, aside_s) in [("head centre", 0.0), ("left ear", -2e-4), ("right ear", 2e-4)] {
        for (driver, high, arrival_s) in [
            ("left-mid", false, 0.1015),
            ("left-tweeter", true, 0.1006),
            ("right-mid", false, 0.1032),
            ("right-tweeter", true, 0.1027),
        ] {
            let side = if driver.starts_with("left") { 1.0 } else { -1.0 };
            let (level, phase) = edge(high, 2_000.0);
            let bump = move |hz: f64| level(hz) + 5.0 * (-((hz / 300.0).log2() / 0.3).powi(2)).exp() + side;
            let mut reading = sweep(bump, phase, arrival_s + side * aside_s);
            change(driver, &mut reading);
            made.keep(stage, &reading, |meta| {
                driver.clone_into(&mut meta.driver);
                place.clone_into(&mut meta.position);
                meta.set = set.cloned();
            });
        }
    }
}

/// The whole car in one go: what is found stands in the job and on the sheet, with a reason for each value.
#[test]
fn a_tune_of_the_whole_car_stands_in_the_job() {
    let desk = Desk::new();
    desk.run("job new none").done();
    desk.run("tune none").refused(&["no driver was measured alone"]);
    let mut made = Made::new(&desk, "car");
    two_ways(&mut made, Stage::Drivers, None, |_, _| ());
    drop(made);
    desk.run("tune car --role left-mib=mid").refused(&["left-mib", "left-mid"]);
    let arguments =
        "tune car --seat driver --equalizer channels --target flat --processor parametric-gridded";
    let answer = desk.run(&format!("{arguments} --effort 400 --json")).done().json();
    assert_eq!((&answer["seat"], &answer["equalizer"]), (&"driver".into(), &"channels".into()));
    let channels = answer["channels"].as_array().expect("channels");
    assert_eq!(channels.len(), 4);
    let rms = |side: &str, when: &str| answer[when][side]["average_rms_db"].as_f64().expect("a number");
    for side in ["left", "right"] {
        at_most(side, rms(side, "predicted"), 0.7 * rms(side, "before"));
    }
    at_most("left against right", answer["predicted"]["left_right"]["level_db"].as_f64().unwrap().abs(), 0.5);
    assert!(answer["kept_out"].is_object() && answer["drive_db"]["left-mid"].is_number(), "{answer}");
    let job = job_json(&desk, "car");
    assert_eq!(job["choices"]["equalizer"], "channels");
    assert_eq!(
        job["tune"]["predicted"]["left"]["average_rms_db"],
        answer["predicted"]["left"]["average_rms_db"]
    );
    for (kept, found) in job["channels"].as_array().expect("channels").iter().zip(channels) {
        assert_eq!((&kept["channel"], &kept["gain_db"]), (&found["channel"], &found["gain_db"]));
        assert_eq!((&kept["delay_s"], &kept["inverted"]), (&found["delay_s"], &found["inverted"]));
    }
    let bands: usize = channels.iter().map(|one| one["bands"].as_array().map_or(0, Vec::len)).sum();
    assert_eq!(job["bands"].as_array().map(Vec::len), Some(bands));
    assert!(
        job["intake"]["drivers"][1]["role"] == "tweeter" && job["intake"]["drivers"][1]["feed"] == "left"
    );
    let why = job["tune"]["channels"][0]["why"]["gain_db"].as_str().expect("a reason").to_owned();
    let sheet = desk.run("sheet car").done();
    sheet.says(&["PREDICTED", "left against right"]);
    let sheet = desk.run("sheet car --json").done().json();
    assert_eq!(sheet["tune"]["channels"][0]["why"]["gain_db"], why.as_str());
    desk.run(&format!("{arguments} --quick")).done().says(&["LEVELS", "DELAYS", "Deviation from target"]);
}

/// Source: arithmetic: what was measured before, 3 dB lower, and one channel with the other polarity.
#[test]
fn an_audit_covers_the_channels_as_well() {
    let desk = Desk::new();
    let mut made = Made::new(&desk, "car");
    two_ways(&mut made, Stage::Drivers, Some(&Set::Before), |_, _| ());
    drop(made);
    let drivers = ["left-mid", "left-tweeter", "right-mid", "right-tweeter"];
    desk.run_with(&["job", "set", "car", &format!("drivers={}", drivers.join(","))]).done();
    for driver in drivers {
        desk.run_with(&["job", "set", "car", &format!("channel.{driver}.gain=-3")]).done();
    }
    let after = |wrong: &str| {
        let mut made = Made(Job::open(desk.path().join("car")).unwrap());
        two_ways(&mut made, Stage::Drivers, Some(&Set::After), |driver, reading| {
            let curve = reading.curves.get_mut("response").expect("a response");
            curve.get_mut("magnitude_db").expect("levels").iter_mut().for_each(|db| *db -= 3.0);
            if driver == wrong {
                curve.get_mut("phase_deg").expect("phases").iter_mut().for_each(|deg| *deg += 180.0);
            }
        });
    };
    after("right-mid");
    let found = desk.run("audit --job car --json").not_measured().json();
    for channel in found["channels"].as_array().expect("channels") {
        let wanted = if channel["channel"] == "right-mid" { "wrong-polarity" } else { "as-meant" };
        assert_eq!(channel["verdict"], wanted, "{channel}");
    }
    assert_eq!(job_json(&desk, "car")["audit"]["channels"][2]["verdict"], "wrong-polarity");
    after("none");
    desk.run("audit --job car").done();
    desk.run("sheet car").done().says(&["CHECK OF WHAT WAS ENTERED", "right-mid"]);
}
