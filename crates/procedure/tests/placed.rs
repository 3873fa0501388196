//! A whole car without an input: every driver recorded at every place with the tracks `place-…`, by a recorder on a clock of
//! its own, against one driver that stays connected. What is tuned from that is judged by what is true of the car.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use cabin::{Cabin, Car, Setup};
use dsp::fft::{Complex64, fast_len, irfft, rfft};
use dsp::noise::WhiteNoise;
use dsp::resample::read_at;
use engine::StopSwitch;
use jiff::Timestamp;
use job::{Basis, CaptureId, CaptureMeta, ChannelSetting, Driver, Head, Intake, JobData, Stage};
use measure::Reading;
use measurements::signals;
use procedure::{Event, ImportOrder, ImportSession, Imported, OpenJob, Recorded, WhenKept, place_track};
use project::derive::{Placing, SaidPlace, TimingWish, TuneInputs, timing_job};
use project::{Change, Placement, Project};
use recording::Audio;
use testkit::at_most;
use tuning::{Feed, Judgement, Profile, Role, Target, TuneOptions};

const RATE_HZ: f64 = 48_000.0;
/// Where the drivers are measured, and where the result is judged.
const PLACES: [&str; 4] = ["driver", "driver-left-ear", "driver-right-ear", "driver-forward"];
const UNSEEN: [&str; 2] = ["driver-back", "driver-low"];
/// The driver that stays connected to the left side of the tracks.
const REFERENCE: &str = "left-mid";
const SNR_DB: f64 = 25.0;

fn car() -> Car {
    Car::preset("compact-hatch").expect("it is built in")
}

/// The drivers that the processor feeds, as a job knows them.
fn drivers(car: &Car) -> Vec<Driver> {
    let of = |driver: &cabin::Driver| Driver {
        name: driver.name.clone(),
        role: Some(match driver.role {
            cabin::Role::Sub => Role::Sub,
            cabin::Role::Woofer => Role::Woofer,
            cabin::Role::Mid => Role::Mid,
            cabin::Role::Tweeter => Role::Tweeter,
            cabin::Role::FullRange => Role::FullRange,
        }),
        feed: Some(if driver.inputs.len() > 1 { Feed::Both } else { Feed::proposed(&driver.name) }),
        channel: driver.name.clone(),
        ..Driver::default()
    };
    car.drivers.iter().filter(|driver| driver.processed).map(of).collect()
}

/// The car with one driver that sounds, without filters and bands, the microphone at a place; without noise, which is
/// added where it is wanted.
fn alone(car: &Car, driver: &str, place: &str) -> Cabin {
    let mut setup = Setup {
        volume_step: 20,
        mic_position: place.to_owned(),
        active: Some(vec![driver.to_owned()]),
        noise: false,
        rattles: false,
        ..car.setup()
    };
    for driver in car.drivers.iter().filter(|driver| driver.processed) {
        setup.processor.insert(driver.name.clone(), cabin::Channel::default());
    }
    let mut cabin = Cabin::new(car, RATE_HZ).expect("a rate");
    cabin.apply(&setup).expect("it fits");
    cabin
}

/// What the microphone hears of an impulse at the two inputs, for a second.
fn impulse(mut cabin: Cabin, [left, right]: [f32; 2]) -> Vec<f64> {
    const HIGH: f32 = 0.02;
    let mut input = vec![0.0; 2 * RATE_HZ as usize];
    (input[0], input[1]) = (HIGH * left, HIGH * right);
    let mut output = vec![0.0f32; input.len()];
    cabin.process(&input, &mut output);
    output.chunks(2).map(|frame| f64::from(frame[0] / HIGH)).collect()
}

/// A signal through an impulse response.
fn through(signal: &[f32], impulse: &[f64]) -> Vec<f64> {
    let frames = fast_len(signal.len() + impulse.len());
    let signal: Vec<f64> = signal.iter().map(|x| f64::from(*x)).collect();
    let product: Vec<Complex64> =
        rfft(&signal, frames).iter().zip(rfft(impulse, frames)).map(|(a, b)| a * b).collect();
    let mut heard = irfft(product, frames);
    heard.truncate(signal.len() + impulse.len());
    heard
}

/// One place: all drivers one after another, on a clock of the recorder; with the moments at which their tracks begin.
fn recorded(car: &Car, place: &str, chance: &mut WhiteNoise, path: &Path) -> Vec<f64> {
    let ppm = 600.0 * (chance.uniform() - 0.5);
    let mut begins_s = Vec::new();
    let mut heard = vec![0.0; (RATE_HZ * (1.0 + 3.0 * chance.uniform())) as usize];
    let reference = impulse(alone(car, REFERENCE, place), [1.0, 0.0]);
    for driver in drivers(car) {
        let track = signals::track(place_track(driver.role)).expect("a standard track");
        let [left, right] = signals::render_stereo(&track, RATE_HZ);
        // The right input in place of its own; of both, the right one alone.
        let inputs = if driver.feed == Some(Feed::Left) { [1.0, 0.0] } else { [0.0, 1.0] };
        let own = through(&right, &impulse(alone(car, &driver.name, place), inputs));
        let loudest = own.iter().fold(0.0f64, |most, x| most.max(x.abs()));
        let sounding: Vec<f64> = own.iter().copied().filter(|x| x.abs() > 0.05 * loudest).collect();
        let power = sounding.iter().map(|x| x * x).sum::<f64>() / sounding.len() as f64;
        let sigma = power.sqrt() * 10f64.powf(-SNR_DB / 20.0);
        begins_s.push(heard.len() as f64 / RATE_HZ * (1.0 + ppm * 1e-6));
        let both = through(&left, &reference).into_iter().zip(own);
        heard.extend(both.map(|(reference, own)| reference + own + sigma * chance.sample()));
    }
    let played: Vec<f32> = heard.iter().map(|x| *x as f32).collect();
    let samples = read_at(&played, 0.0, 1.0 / (1.0 + ppm * 1e-6), played.len());
    let samples: Vec<f32> = samples.iter().map(|x| *x as f32).collect();
    let audio = Audio::new(RATE_HZ as u32, vec![samples]);
    recording::write_wav(path, &audio, recording::Depth::Float32, 1).expect("it is written");
    begins_s
}

/// Brings recordings into a job.
fn import(order: &ImportOrder) -> Imported {
    let job = Arc::new(Mutex::new(WhenKept::new(Some(&order.job))));
    let made = Arc::clone(&job);
    let token = StopSwitch::default().begin();
    let mut session = ImportSession {
        store: Arc::new(move || made.lock().unwrap().job()?.expect("a folder is named").store()),
        token: &token,
        on_event: &mut |event| {
            if let Event::Change(change) = &event {
                let mut job = job.lock().unwrap();
                job.job().unwrap().expect("it is open").apply(change.clone()).expect("it is noted");
            }
        },
    };
    procedure::import(&mut session, order).expect("it is imported")
}

/// What is true of every driver at some places, in a job.
fn truth(car: &Car, places: &[&str]) -> Project {
    let mut project =
        Project::new(JobData::new(Head { name: "Truth".to_owned(), created: Timestamp::UNIX_EPOCH }));
    let drivers = drivers(car);
    project
        .apply(Change::Intake(Intake { drivers: drivers.clone(), ..Intake::default() }))
        .expect("it is noted");
    let ways = car.truth().arrivals;
    let mut id = 0;
    for driver in &drivers {
        let track = signals::track(place_track(driver.role)).expect("a standard track");
        let (from_hz, to_hz) = band(&track);
        let grid = dsp::response::log_grid(from_hz, to_hz, 96.0);
        for place in places {
            let cabin = alone(car, &driver.name, place);
            let way = ways.iter().find(|way| way.driver == driver.name && way.position == *place);
            let arrival_s = way.expect("it has one").seconds;
            let value = |hz: &f64| {
                cabin.response(1.0, 1.0, *hz).mic * Complex64::cis(std::f64::consts::TAU * hz * arrival_s)
            };
            let values: Vec<Complex64> = grid.iter().map(value).collect();
            let mut reading = Reading::new("sweep", 1, RATE_HZ);
            reading.curve(
                "response",
                [
                    ("frequency_hz", grid.clone()),
                    ("magnitude_db", values.iter().map(|h| dsp::response::db(h.norm())).collect()),
                    ("phase_deg", values.iter().map(|h| h.arg().to_degrees()).collect()),
                ],
            );
            reading.value("arrival_s", arrival_s);
            let reversed = car.truth().reversed_drivers.contains(&driver.name);
            reading.label("polarity", if reversed { "inverted" } else { "normal" });
            id += 1;
            let meta = CaptureMeta {
                driver: driver.name.clone(),
                position: (*place).to_owned(),
                rig: "Simulated: the truth".to_owned(),
                ..CaptureMeta::new("sweep", 1, Stage::Drivers, Timestamp::UNIX_EPOCH)
            };
            project.apply(Change::CaptureDone { id: CaptureId(id), meta, reading }).expect("it is noted");
        }
    }
    project
}

/// The band of the sweep under test.
fn band(track: &measure::Stimulus) -> (f64, f64) {
    let test = track.segments.iter().find_map(|segment| match segment.signal {
        measure::Signal::Sweep { from_hz, to_hz, .. } if segment.side == measure::Side::Right => {
            Some((from_hz, to_hz))
        }
        _ => None,
    });
    test.expect("it has one")
}

fn profile() -> Profile {
    Profile::preset("parametric-gridded").expect("it is built in")
}

fn inputs(project: &Project) -> TuneInputs {
    let target = Target::preset("car-medium").expect("it is built in");
    let options = TuneOptions { keep_out: false, ..TuneOptions::default() };
    TuneInputs::of_job(project, &[], target, profile(), options, Basis::default()).expect("it can be tuned")
}

/// A tune from what a job holds, judged by what is true at places that it did not know.
fn tuned(project: &Project, unseen: &TuneInputs) -> (Judgement, Vec<String>) {
    let inputs = inputs(project);
    let mut tune =
        tuning::tune_car(&inputs.input(), &mut |_| ControlFlow::Continue(())).expect("it can be tuned");
    inputs.explain(&mut tune);
    let proposed = inputs.proposed(&tune);
    let judged = unseen.judged(&proposed.channels, &proposed.bands).expect("it can be judged");
    (judged.judgement, tune.findings.iter().map(|one| one.code.clone()).collect())
}

fn delays(project: &Project) -> Vec<ChannelSetting> {
    let wish = TimingWish {
        profile: profile(),
        filtered: false,
        crossovers_hz: Vec::new(),
        roles: Vec::new(),
        arrivals_s: Vec::new(),
        temperature_c: 20.0,
        basis: Basis::default(),
    };
    timing_job(project, &wish).expect("it can be aligned").plan.channels
}

/// Source: the car's own truth (its model without noise, on one clock). A tune from the stick's recordings is as good as one
/// from the truth to 0.15 dB (what noise and single sweeps allow; our choice), at places that neither knew.
#[test]
fn a_car_without_an_input_is_tuned_as_well_as_with_one() {
    let car = car();
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("job");
    let mut open = OpenJob::open_or_create(&dir).expect("a job");
    let drivers = drivers(&car);
    open.apply(Change::Intake(Intake { drivers: drivers.clone(), ..Intake::default() }))
        .expect("it is noted");
    let mut chance = WhiteNoise::new(23);
    let mut placing = Placing::of(open.project());
    let mut recordings: Vec<PathBuf> = Vec::new();
    for place in PLACES {
        let name = format!("{place}.wav");
        let path = folder.path().join(&name);
        for (driver, at_s) in drivers.iter().zip(recorded(&car, place, &mut chance, &path)) {
            placing.said.push(SaidPlace {
                written: format!("{} at {place}", driver.name),
                file: Some(name.clone()),
                track: place_track(driver.role).to_owned(),
                at_s: Some(at_s),
                placement: Placement {
                    label: driver.name.clone(),
                    driver: driver.name.clone(),
                    position: place.to_owned(),
                    ..Placement::default()
                },
                ..SaidPlace::default()
            });
        }
        recordings.push(path);
    }
    drop(open);
    let order = ImportOrder {
        job: dir.clone(),
        recordings,
        recorded: Recorded::on(0),
        placing,
        ..ImportOrder::default()
    };
    let imported = import(&order);
    assert_eq!(imported.captures(), drivers.len() * PLACES.len(), "{imported}");
    let found = OpenJob::with_readings(job::Job::open_to_read(&dir).expect("it is there"));
    let heard = found.project();

    let unseen = inputs(&truth(&car, &UNSEEN));
    let one_clock = truth(&car, &PLACES);
    let (got, codes) = tuned(heard, &unseen);
    let (wanted, _) = tuned(&one_clock, &unseen);
    assert!(!codes.iter().any(|code| code == "reference-changed"), "{codes:?}");
    for (what, got, wanted) in [
        ("left", got.left.average_rms_db, wanted.left.average_rms_db),
        ("right", got.right.average_rms_db, wanted.right.average_rms_db),
        ("left against right", got.left_right.rms_db, wanted.left_right.rms_db),
        ("level of left against right", got.left_right.level_db.abs(), wanted.left_right.level_db.abs()),
        ("both", got.both.average_rms_db, wanted.both.average_rms_db),
    ] {
        at_most(what, got, wanted + 0.15);
    }
    // `timing` needs no tape, and finds what it finds on one clock.
    for (got, wanted) in delays(heard).iter().zip(delays(&one_clock)) {
        assert_eq!((&got.channel, got.inverted), (&wanted.channel, wanted.inverted));
        if got.channel != "sub" {
            at_most(&format!("delay of {}", got.channel), (got.delay_s - wanted.delay_s).abs(), 6e-5);
        }
    }
}
