//! A recording of a whole session, brought into a job.

use measure::Stimulus;
use measurements::signals;
use recording::Audio;
use std::sync::{Arc, Mutex};

use engine::StopSwitch;
use library::Result;
use procedure::{Event, ImportOrder, ImportSession, Imported, OpenJob, Recorded, WhenKept};
use project::derive::Placing;
use testkit::near;

const RATE_HZ: u32 = 24_000;

/// Tracks one after another with pauses, in the second channel of a stereo file.
fn recorded(tracks: &[(&str, f32)], path: &std::path::Path) {
    let mut samples = vec![0.0f32; 50_000];
    for (name, gain) in tracks {
        let track: Stimulus = signals::track(name).unwrap();
        samples.extend(signals::render(&track, f64::from(RATE_HZ) * (1.0 + 90e-6)).iter().map(|x| gain * x));
        samples.extend(std::iter::repeat_n(0.0, 40_000));
    }
    // Something that is no track, between and over them.
    for (i, x) in samples.iter_mut().enumerate() {
        let knock = if i % 170_000 < 200 { 0.3 * ((i * 7_919) % 101) as f32 / 101.0 } else { 0.0 };
        *x += knock + 2e-5 * (((i * 104_729) % 1_009) as f32 / 504.5 - 1.0);
    }
    let other = vec![0.0; samples.len()];
    recording::write_wav(path, &Audio::new(RATE_HZ, vec![other, samples]), recording::Depth::Int24, 1)
        .unwrap();
}

fn order(folder: &std::path::Path) -> ImportOrder {
    ImportOrder {
        job: folder.join("job"),
        recordings: vec![folder.join("session.wav")],
        recorded: Recorded::on(1),
        ..ImportOrder::default()
    }
}

/// Imports into the job of the order; it is stopped after so many events.
fn import(order: &ImportOrder, stop_after: Option<usize>) -> Result<Imported> {
    let job = Arc::new(Mutex::new(WhenKept::new(Some(&order.job))));
    let made = Arc::clone(&job);
    let switch = StopSwitch::default();
    let token = switch.begin();
    let mut events = 0;
    let mut session = ImportSession {
        store: Arc::new(move || made.lock().unwrap().job()?.expect("a folder is named").store()),
        token: &token,
        on_event: &mut |event| {
            events += 1;
            if stop_after == Some(events) {
                switch.stop();
            }
            if let Event::Change(change) = &event {
                job.lock()
                    .unwrap()
                    .job()
                    .unwrap()
                    .expect("it is open")
                    .apply(change.clone())
                    .expect("it is noted");
            }
        },
    };
    procedure::import(&mut session, order)
}

#[test]
fn every_track_becomes_a_capture_with_its_reading() {
    let folder = tempfile::tempdir().unwrap();
    recorded(&[("arrival", 0.5), ("sweep-high", -0.8)], &folder.path().join("session.wav"));
    let order = ImportOrder { placing: Placing::in_set(Some(job::Set::Before)), ..order(folder.path()) };
    let imported = import(&order, None).unwrap();
    assert_eq!(imported.captures(), 2);

    let json = serde_json::to_value(&imported).unwrap();
    let tracks = json["recordings"][0]["tracks"].as_array().unwrap();
    let of = |index: usize, key: &str| tracks[index][key].clone();
    assert_eq!((of(0, "track"), of(1, "track")), ("arrival".into(), "sweep-high".into()));
    assert_eq!((of(0, "capture"), of(1, "capture")), (1.into(), 2.into()));
    near("beginning", of(0, "from_s").as_f64().unwrap(), 50_000.0 / 24_000.0, 0.002);
    near("clock", of(1, "values")["clock_ppm"].as_f64().unwrap(), 90.0, 0.5);
    assert_eq!(of(1, "labels")["polarity"], "inverted");

    // The capture can be computed again from what is in the job.
    let job = job::Job::open_to_read(&order.job).unwrap();
    let capture = &job.captures()[1];
    assert_eq!(capture.meta.stimulus, signals::track("sweep-high"));
    assert_eq!((capture.meta.channel, capture.meta.set.clone()), (1, Some(job::Set::Before)));
    let audio = recording::read(job.audio_path(capture.id)).unwrap();
    assert_eq!(audio.channels.len(), 2, "all channels are kept");
    near("length", audio.duration_s(), signals::track("sweep-high").unwrap().duration_s() + 1.0, 0.01);
    let text = imported.to_string();
    assert!(text.contains("sweep-high") && text.contains("2 new captures"), "{text}");
}

#[test]
fn a_part_of_a_track_is_named_and_makes_no_capture() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("session.wav");
    recorded(&[("sweep-high", 0.8)], &path);
    let mut audio = recording::read(&path).unwrap();
    audio.channels.iter_mut().for_each(|channel| channel.truncate(50_000 + 9 * 24_000));
    recording::write_wav(&path, &audio, recording::Depth::Int24, 1).unwrap();
    let imported = import(&order(folder.path()), None).unwrap();
    assert_eq!(imported.captures(), 0);
    let json = serde_json::to_value(&imported).unwrap();
    let track = &json["recordings"][0]["tracks"][0];
    assert_eq!((&track["track"], &track["extent"]), (&"sweep-high".into(), &"cut".into()));
    assert_eq!(track["findings"][0]["code"], "cut");
}

#[test]
fn what_cannot_be_used_is_refused_before_anything_is_changed() {
    let folder = tempfile::tempdir().unwrap();
    let message = import(&order(folder.path()), None).unwrap_err().to_string();
    assert!(message.contains("session.wav"), "{message}");
    recorded(&[], &folder.path().join("session.wav"));
    let third = ImportOrder { recorded: Recorded::on(2), ..order(folder.path()) };
    let message = import(&third, None).unwrap_err().to_string();
    assert!(message.contains("--channel 3") && message.contains("2 channels"), "{message}");
    assert!(!folder.path().join("job").exists());
}

/// A stop while the recording is searched changes nothing; one while the first track is computed keeps the
/// rest as interrupted captures, with their audio.
#[test]
fn an_import_that_is_stopped_half_way_keeps_what_was_cut_out() {
    let folder = tempfile::tempdir().unwrap();
    recorded(&[("arrival", 0.5), ("sweep-high", 0.8)], &folder.path().join("session.wav"));
    let order = order(folder.path());
    let imported = import(&order, Some(1)).unwrap();
    assert_eq!(imported.captures(), 0);
    assert!(imported.to_string().contains("stopped before its end"), "{imported}");
    assert!(!order.job.exists(), "nothing was changed");

    // The beginning of the search, the two beginnings, then the first is computed.
    let whole = count_events(&order);
    let imported = import(&order, Some(whole - 4)).unwrap();
    assert_eq!(imported.captures(), 1, "{imported}");
    let job = job::Job::open_to_read(&order.job).unwrap();
    let states: Vec<job::CaptureState> = job.captures().iter().map(|capture| capture.state).collect();
    let interrupted = states.iter().filter(|state| **state == job::CaptureState::Interrupted).count();
    assert_eq!(interrupted, 1, "{states:?}");
    assert!(job.captures().iter().all(|capture| job.audio_path(capture.id).is_file()));
}

/// How many events a whole import has; its job goes beside the other.
fn count_events(order: &ImportOrder) -> usize {
    let other = ImportOrder { job: order.job.with_file_name("whole"), ..order.clone() };
    let store = OpenJob::open_or_create(&other.job).unwrap().store().unwrap();
    let (token, mut events) = (StopSwitch::default().begin(), 0);
    let mut session = ImportSession {
        store: Arc::new(move || Ok(store.clone())),
        token: &token,
        on_event: &mut |_| events += 1,
    };
    procedure::import(&mut session, &other).unwrap();
    events
}
