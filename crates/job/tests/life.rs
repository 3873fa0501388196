//! The life of a job, seen from outside.

use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use job::{
    CaptureId, CaptureMeta, CaptureState, EnteredBand, Head, Job, JobError, Pending, Set, Stage, check, list,
};
use measure::{Finding, Reading};

fn head(name: &str) -> Head {
    Head { name: name.to_owned(), created: Timestamp::from_second(1_780_000_000).unwrap() }
}

fn meta(label: &str) -> CaptureMeta {
    let mut meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::from_second(1_780_000_060).unwrap());
    label.clone_into(&mut meta.label);
    meta
}

fn reading() -> Reading {
    let mut reading = Reading::new("sweep", 1, 48_000.0);
    reading
        .value("snr_db", 61.8)
        .curve("response", [("frequency_hz", vec![20.0, 1000.0]), ("magnitude_db", vec![-3.0, 0.1])]);
    reading
}

fn record(job: &mut Job, label: &str) -> CaptureId {
    let pending = job.begin_capture(&meta(label)).unwrap();
    fs::write(&pending.audio_path, b"samples").unwrap();
    job.finish_capture(&pending, &reading(), meta(label)).unwrap()
}

fn labels(job: &Job) -> Vec<&str> {
    job.captures().iter().map(|capture| capture.meta.label.as_str()).collect()
}

/// Every file under a folder with what it holds.
fn picture(dir: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = Vec::new();
    let mut open = vec![dir.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.file_name().unwrap() != "job.lock" {
                files.push((path.strip_prefix(dir).unwrap().to_owned(), fs::read(&path).unwrap()));
            }
        }
    }
    files.sort();
    files
}

#[test]
fn what_was_done_is_there_when_the_job_is_opened_again() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = scratch.path().join("car");
    let mut job = Job::create(&dir, head("Blue estate")).unwrap();
    let first = record(&mut job, "front left");
    let second = record(&mut job, "front right");
    job.mark(first, Some(Set::Before)).unwrap();
    job.mark(second, Some(Set::After)).unwrap();
    job.rename(second, "front right, door shut").unwrap();
    job.edit(|data| {
        data.intake.vehicle = "invented estate".to_owned();
        data.bands.push(EnteredBand {
            channel: String::new(),
            kind: tuning::BandKind::Peak,
            frequency_hz: 160.0,
            gain_db: -4.5,
            q: 3.2,
            entered_q: None,
            enabled: true,
            locked: false,
            reason: "All 6 positions agree.".to_owned(),
        });
    })
    .unwrap();
    let (data, captures) = (job.data().clone(), job.captures().to_vec());
    drop(job);

    let job = Job::open(&dir).unwrap();
    assert_eq!(job.data(), &data);
    assert_eq!(job.captures(), captures);
    assert_eq!(job.problems(), []);
    assert_eq!(job.in_set(&Set::After).map(|capture| capture.id).collect::<Vec<_>>(), [second]);
    assert_eq!(labels(&job), ["front left", "front right, door shut"]);
    assert_eq!(job.reading(first).unwrap(), Some(reading()));
    assert_eq!(fs::read(job.audio_path(first)).unwrap(), b"samples");
    let names: Vec<_> = picture(&dir).into_iter().map(|(path, _)| path).collect();
    let wanted = [
        "captures/0001/audio.wav",
        "captures/0001/capture.json",
        "captures/0001/reading.json",
        "captures/0002/audio.wav",
        "captures/0002/capture.json",
        "captures/0002/reading.json",
        "job.json",
    ];
    assert_eq!(names, wanted.map(PathBuf::from));
}

#[test]
fn a_discarded_capture_comes_back_to_its_place_and_its_number_is_not_given_again() {
    let scratch = tempfile::tempdir().unwrap();
    let mut job = Job::create(scratch.path().join("car"), head("x")).unwrap();
    let ids = ["a", "b", "c"].map(|label| record(&mut job, label));
    job.reorder(&[ids[2], ids[0], ids[1]]).unwrap();
    let before = picture(job.dir());
    job.discard(ids[0]).unwrap();
    assert_eq!(labels(&job), ["c", "b"]);
    assert_eq!(job.discarded().len(), 1);
    assert!(job.dir().join("discarded/0001/audio.wav").is_file());
    job.reorder(&[ids[1], ids[2]]).unwrap();
    job.reorder(&[ids[2], ids[1]]).unwrap();
    job.restore(ids[0]).unwrap();
    assert_eq!(labels(&job), ["c", "a", "b"]);
    assert_eq!(picture(job.dir()), before);

    job.discard(ids[2]).unwrap();
    assert_eq!(record(&mut job, "d"), CaptureId(4));
    assert!(matches!(job.reorder(&[ids[0], ids[0], ids[1]]), Err(JobError::Order { captures: 3 })));
    assert!(matches!(job.discard(ids[2]), Err(JobError::NoCapture { .. })));
    assert!(matches!(job.restore(ids[1]), Err(JobError::NoCapture { .. })));
    assert!(matches!(job.rename(CaptureId(99), ""), Err(JobError::NoCapture { .. })));
}

#[test]
fn a_second_writer_is_refused_while_a_reader_is_not() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = scratch.path().join("car");
    let mut job = Job::create(&dir, head("x")).unwrap();
    let message = Job::open(&dir).unwrap_err().to_string();
    assert!(message.contains("open in another Headrest"), "{message}");
    assert!(matches!(check(&dir), Err(JobError::Locked { .. })));

    let id = record(&mut job, "a");
    let mut looking = Job::open_to_read(&dir).unwrap();
    assert_eq!(labels(&looking), ["a"]);
    let before = picture(&dir);
    assert!(matches!(looking.edit(|data| data.notes.push('x')), Err(JobError::ReadOnly { .. })));
    assert!(matches!(looking.discard(id), Err(JobError::ReadOnly { .. })));
    assert!(matches!(looking.begin_capture(&meta("b")), Err(JobError::ReadOnly { .. })));
    assert!(matches!(looking.export("x", b""), Err(JobError::ReadOnly { .. })));
    assert_eq!(picture(&dir), before);
    drop(job);
    Job::open(&dir).unwrap();
}

#[test]
fn a_failed_edit_changes_nothing_on_disk_or_in_memory() {
    let scratch = tempfile::tempdir().unwrap();
    let mut job = Job::create(scratch.path().join("car"), head("x")).unwrap();
    let id = record(&mut job, "a");
    let (before, data) = (picture(job.dir()), job.data().clone());
    let refused = job.edit(|data| {
        data.notes = "new".to_owned();
        data.channels.push(job::ChannelSetting { delay_s: f64::NAN, ..Default::default() });
    });
    assert!(matches!(refused, Err(JobError::Unwritable { .. })));
    let refused = job.edit_capture(id, |meta| meta.calibration.volts_per_fs = Some(f64::INFINITY));
    assert!(matches!(refused, Err(JobError::Unwritable { .. })));
    let mut uneven = reading();
    uneven.curves.get_mut("response").unwrap().get_mut("magnitude_db").unwrap().pop();
    assert!(job.set_reading(id, &uneven).unwrap_err().to_string().contains("response"));
    assert_eq!(picture(job.dir()), before);
    assert_eq!(job.data(), &data);
    assert_eq!(job.reading(id).unwrap(), Some(reading()));
}

#[test]
fn a_job_is_not_made_over_something_else() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = scratch.path().join("car");
    drop(Job::create(&dir, head("x")).unwrap());
    assert!(matches!(Job::create(&dir, head("y")), Err(JobError::AlreadyAJob { .. })));
    fs::write(scratch.path().join("letter.txt"), "dear").unwrap();
    assert!(matches!(Job::create(scratch.path(), head("y")), Err(JobError::FolderInUse { .. })));
    let message = Job::open(scratch.path()).unwrap_err().to_string();
    assert!(message.contains("has no `job.json`") && message.contains("job new"), "{message}");
    assert!(!scratch.path().join("job.lock").exists(), "looking leaves nothing behind");
}

#[test]
fn captures_outlive_a_lost_or_damaged_job_file() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = scratch.path().join("car");
    let mut job = Job::create(&dir, head("x")).unwrap();
    record(&mut job, "a");
    drop(job);
    let file = dir.join("job.json");
    let text = fs::read_to_string(&file).unwrap();

    fs::write(&file, text.replacen("\"notes\"", "\"ntoes\"", 1)).unwrap();
    let before = picture(&dir);
    let message = Job::open(&dir).unwrap_err().to_string();
    let line = text.lines().position(|line| line.contains("\"notes\"")).unwrap() + 1;
    assert!(message.contains(&format!("job.json:{line}:")), "{message}");
    assert!(message.contains("ntoes") && message.contains("text editor"), "{message}");
    assert_eq!(picture(&dir), before);

    fs::write(&file, text.replace("\"version\": 2", "\"version\": 3")).unwrap();
    let message = Job::open(&dir).unwrap_err().to_string();
    assert!(message.contains("version 3") && message.contains("newer Headrest"), "{message}");

    fs::write(&file, text.replace("headrest-job", "headrest-capture")).unwrap();
    assert!(matches!(Job::open(&dir), Err(JobError::WrongFormat { .. })));

    fs::remove_file(&file).unwrap();
    assert!(matches!(Job::open(&dir), Err(JobError::NotAJob { .. })));
    let job = Job::create(&dir, head("made anew")).unwrap();
    assert_eq!(labels(&job), ["a"]);
}

#[test]
fn one_damaged_capture_does_not_hide_the_others() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = scratch.path().join("car");
    let mut job = Job::create(&dir, head("x")).unwrap();
    for label in ["a", "b", "c"] {
        record(&mut job, label);
    }
    drop(job);
    fs::write(dir.join("captures/0002/capture.json"), "{\n\"format\": \"headrest-capture\",\n!").unwrap();
    let mut job = Job::open(&dir).unwrap();
    assert_eq!(labels(&job), ["a", "c"]);
    let [problem] = job.problems() else { panic!("one problem: {:?}", job.problems()) };
    assert_eq!(problem.code, "capture-unreadable");
    assert!(problem.text.contains("capture.json:3:1:"), "{}", problem.text);
    assert_eq!(record(&mut job, "d"), CaptureId(4), "its number stays taken");
}

#[test]
fn an_abandoned_capture_keeps_its_recording_and_its_reason() {
    let scratch = tempfile::tempdir().unwrap();
    let mut job = Job::create(scratch.path().join("car"), head("x")).unwrap();
    let pending = job.begin_capture(&meta("a")).unwrap();
    fs::write(&pending.audio_path, b"half").unwrap();
    let mut ended = meta("a");
    ended.findings.push(Finding::stop("device-gone", "The interface was unplugged."));
    let id = job.abandon_capture(&pending, None, ended.clone()).unwrap();
    let capture = job.capture(id).unwrap();
    // Source: SHA-256 of the four bytes, by `sha256sum`.
    let half = "a11ae06469c63740d7b0ecf802f282a0d46e94f31a654dfcd3c0dc6dc277f904";
    assert_eq!(capture.meta.audio_sha256.as_deref(), Some(half));
    ended.audio_sha256 = Some(half.to_owned());
    assert_eq!((capture.state, &capture.meta), (CaptureState::Interrupted, &ended));
    assert_eq!(job.reading(id).unwrap(), None);
    assert_eq!(fs::read(job.audio_path(id)).unwrap(), b"half");

    let pending: Pending = job.begin_capture(&meta("b")).unwrap();
    let id = job.finish_capture(&pending, &reading(), meta("b")).unwrap();
    assert_eq!(job.capture(id).unwrap().meta.findings[0].code, "audio-missing");
}

#[test]
fn finishing_twice_keeps_one_capture() {
    let scratch = tempfile::tempdir().unwrap();
    let mut job = Job::create(scratch.path().join("car"), head("x")).unwrap();
    let pending = job.begin_capture(&meta("a")).unwrap();
    fs::write(&pending.audio_path, b"samples").unwrap();
    let mut uneven = reading();
    uneven.value("snr_db", 1.0).values.insert("bad".to_owned(), f64::NAN);
    assert!(job.finish_capture(&pending, &uneven, meta("a")).is_err());
    assert_eq!(job.captures(), []);
    job.finish_capture(&pending, &reading(), meta("a")).unwrap();
    job.finish_capture(&pending, &reading(), meta("a, again")).unwrap();
    assert_eq!(labels(&job), ["a, again"]);
}

#[test]
fn jobs_are_listed_newest_first_and_broken_ones_say_why() {
    let scratch = tempfile::tempdir().unwrap();
    for (folder, second) in [("a", 10), ("b", 30), ("c", 20)] {
        let head = Head { name: folder.to_uppercase(), created: Timestamp::from_second(second).unwrap() };
        let mut job = Job::create(scratch.path().join(folder), head).unwrap();
        if folder == "c" {
            record(&mut job, "x");
        }
    }
    fs::create_dir(scratch.path().join("not a job")).unwrap();
    fs::write(scratch.path().join("a/job.json"), "{").unwrap();
    let jobs = list(scratch.path()).unwrap();
    let lines: Vec<_> = jobs.iter().map(|job| (job.name.as_str(), job.captures)).collect();
    assert_eq!(lines, [("B", 0), ("C", 1), ("a", 0)]);
    assert!(jobs[2].problem.as_ref().unwrap().contains("job.json:1:"), "{jobs:?}");
    assert_eq!(list(&scratch.path().join("c")).unwrap().len(), 1, "a job's own folder lists itself");
    assert!(list(&scratch.path().join("nowhere")).unwrap_err().to_string().contains("nowhere"));
}

#[test]
fn exports_are_written_whole_into_their_folder() {
    let scratch = tempfile::tempdir().unwrap();
    let job = Job::create(scratch.path().join("car"), head("x")).unwrap();
    let path = job.export("bands.csv", b"channel\n").unwrap();
    assert_eq!(path, job.dir().join("exports/bands.csv"));
    assert_eq!(fs::read(&path).unwrap(), b"channel\n");
}
