//! What a power cut can leave behind, at every step, and what `check` makes of it.

use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use job::{CaptureMeta, CaptureState, Head, Job, Stage, check};
use measure::{Reading, Segment, Side, Signal, Stimulus};
use recording::WavWriter;

const RATE_HZ: u32 = 8_000;

fn head() -> Head {
    Head { name: "x".to_owned(), created: Timestamp::UNIX_EPOCH }
}

fn meta() -> CaptureMeta {
    let mut meta = CaptureMeta::new("sweep", 1, Stage::Tune, Timestamp::UNIX_EPOCH);
    "front left".clone_into(&mut meta.label);
    let signal = Signal::Sweep { from_hz: 20.0, to_hz: 3_000.0, synchronised: true };
    let segment = Segment { duration_s: 2.0, peak_dbfs: -12.0, fade_s: 0.01, side: Side::Both, signal };
    meta.stimulus = Some(Stimulus { name: "sweep-low".to_owned(), segments: vec![segment] });
    meta
}

/// One second of samples that are each different.
fn second(index: u32) -> Vec<f32> {
    #[expect(clippy::cast_precision_loss, reason = "small whole numbers")]
    (0..RATE_HZ).map(|n| (index * RATE_HZ + n) as f32 / 1e6).collect()
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let target = to.join(path.file_name().unwrap());
        if path.is_dir() {
            copy(&path, &target);
        } else {
            fs::copy(&path, &target).unwrap();
        }
    }
}

/// Copies of the folder of a job at each step of one capture: what the disk
/// holds if the power fails then.
fn moments(scratch: &Path) -> Vec<(&'static str, PathBuf)> {
    let live = scratch.join("live");
    let mut taken = Vec::new();
    let mut take = |name: &'static str| {
        let to = scratch.join(name);
        copy(&live, &to);
        taken.push((name, to));
    };
    let mut job = Job::create(&live, head()).unwrap();
    take("made");
    let pending = job.begin_capture(&meta()).unwrap();
    take("begun");
    let mut writer = WavWriter::create(&pending.audio_path, RATE_HZ, 1).unwrap();
    take("header");
    for index in 0..3 {
        writer.write(&second(index)).unwrap();
        take(["one second", "two seconds", "three seconds"][index as usize]);
    }
    writer.finish().unwrap();
    take("audio finished");
    let mut reading = Reading::new("sweep", 1, f64::from(RATE_HZ));
    reading.value("snr_db", 50.0);
    job.finish_capture(&pending, &reading, meta()).unwrap();
    take("finished");
    taken
}

#[test]
fn whenever_the_power_fails_a_capture_keeps_its_audio_and_what_was_played() {
    let scratch = tempfile::tempdir().unwrap();
    for (moment, dir) in moments(scratch.path()) {
        // The folder opens as it is, before any repair.
        assert_eq!(Job::open(&dir).unwrap().data().head, head(), "{moment}");
        check(&dir).unwrap();
        let job = Job::open(&dir).unwrap();
        assert_eq!(job.problems(), [], "{moment}");
        let [capture] = job.captures() else {
            // What never got a sample is put aside.
            assert!(job.captures().is_empty() && ["made", "begun", "header"].contains(&moment), "{moment}");
            assert_eq!(job.discarded().len(), usize::from(moment != "made"), "{moment}");
            drop(job);
            assert_eq!(check(&dir).unwrap().lines, [], "{moment}");
            continue;
        };
        let state = if moment == "finished" { CaptureState::Done } else { CaptureState::Interrupted };
        assert_eq!(capture.state, state, "{moment}");
        assert_eq!(capture.meta.stimulus, meta().stimulus, "{moment}");
        assert_eq!(capture.meta.label, "front left");
        let seconds = match moment {
            // The second that is being written when the power fails is lost.
            "one second" => 1,
            "two seconds" => 2,
            _ => 3,
        };
        if seconds > 0 {
            let audio = recording::read(job.audio_path(capture.id)).unwrap();
            let wanted: Vec<f32> = (0..seconds).flat_map(second).collect();
            assert_eq!(audio.channels.len(), 1);
            let got = &audio.channels[0];
            assert!(wanted.starts_with(got) && got.len() + RATE_HZ as usize >= wanted.len(), "{moment}");
        }
        drop(job);
        let again = check(&dir).unwrap();
        assert!(again.lines.iter().all(|line| !line.repaired), "{moment}: {again:?}");
    }
}

#[test]
fn a_header_that_lags_behind_the_samples_is_set_right() {
    let scratch = tempfile::tempdir().unwrap();
    let (_, dir) = moments(scratch.path()).into_iter().find(|(name, _)| *name == "three seconds").unwrap();
    let audio = dir.join("captures/0001/audio.wav");
    // Half a second more reached the disk than the header says, and half a sample.
    let mut bytes = fs::read(&audio).unwrap();
    bytes.extend(second(3)[..4_000].iter().flat_map(|sample| sample.to_le_bytes()));
    bytes.extend([1, 2]);
    fs::write(&audio, &bytes).unwrap();
    let result = check(&dir).unwrap();
    let line = result.lines.iter().find(|line| line.finding.code == "audio-repaired").expect("a repair");
    assert!(line.repaired && line.path == Path::new("captures/0001/audio.wav"), "{line:?}");
    assert!(result.is_sound(), "{result:?}");
    let read = recording::read(&audio).unwrap();
    let wanted: Vec<f32> = (0..4).flat_map(second).take(read.channels[0].len()).collect();
    assert_eq!(read.channels[0], wanted);
    assert!(wanted.len() >= 4_000);
}

/// The bytes after a WAV header; the header may be repaired, the samples not
/// be touched beyond losing less than a frame.
fn samples(wav: &[u8]) -> &[u8] {
    wav.windows(4).position(|word| word == b"data").map_or(&[], |at| wav.get(at + 8..).unwrap_or(&[]))
}

#[test]
fn any_file_cut_anywhere_costs_no_other_file_and_no_sample() {
    let scratch = tempfile::tempdir().unwrap();
    let (_, whole) = moments(scratch.path()).pop().unwrap();
    let files =
        ["job.json", "captures/0001/capture.json", "captures/0001/reading.json", "captures/0001/audio.wav"];
    for file in files {
        let bytes = fs::read(whole.join(file)).unwrap();
        let step = (bytes.len() / 40).max(1);
        for cut in (0..bytes.len()).step_by(step).chain([bytes.len() - 2]) {
            let dir = scratch.path().join("cut");
            copy(&whole, &dir);
            fs::write(dir.join(file), &bytes[..cut]).unwrap();
            let opened = Job::open_to_read(&dir);
            let result = check(&dir).unwrap();
            match file {
                "job.json" => {
                    let message = opened.unwrap_err().to_string();
                    assert!(message.contains("job.json:"), "{message}");
                    assert!(result.lines.iter().any(|line| line.finding.code == "job-unreadable"));
                }
                "captures/0001/capture.json" => {
                    assert_eq!(opened.unwrap().problems()[0].code, "capture-unreadable");
                    assert!(!result.is_sound());
                }
                "captures/0001/reading.json" => {
                    let job = opened.unwrap();
                    let message = job.reading(job.captures()[0].id).unwrap_err().to_string();
                    assert!(message.contains("reading.json:") && message.contains("analyze"), "{message}");
                }
                _ => drop(opened.unwrap()),
            }
            for other in files {
                let before = fs::read(whole.join(other)).unwrap();
                let after = fs::read(dir.join(other)).unwrap();
                if other != file {
                    assert!(before == after, "{other} changed when {file} was cut at {cut}");
                } else if file.ends_with(".wav") {
                    assert!(samples(&before).starts_with(samples(&after)));
                    assert!(samples(&after).len() + 4 > samples(&bytes[..cut]).len(), "cut at {cut}");
                } else {
                    assert_eq!(after, bytes[..cut], "a damaged file is left for a person to mend");
                }
            }
            fs::remove_dir_all(&dir).unwrap();
        }
    }
}

#[test]
fn the_rest_of_an_interrupted_save_is_removed_and_strangers_are_left_alone() {
    let scratch = tempfile::tempdir().unwrap();
    let (_, dir) = moments(scratch.path()).pop().unwrap();
    for rest in
        [".job.json.17.partial", "captures/0001/.reading.json.17.partial", "exports/.bands.csv.17.partial"]
    {
        fs::write(dir.join(rest), "{").unwrap();
    }
    fs::create_dir(dir.join("captures/0002")).unwrap();
    fs::create_dir(dir.join("captures/0003")).unwrap();
    fs::write(dir.join("captures/0003/.capture.json.17.partial"), "{").unwrap();
    for stranger in ["letter.txt", "captures/song.mp3", "captures/0001/photo.jpg"] {
        fs::write(dir.join(stranger), "mine").unwrap();
    }
    fs::write(dir.join("exports/mine.csv"), "mine").unwrap();
    let result = check(&dir).unwrap();
    let mut codes: Vec<_> =
        result.lines.iter().map(|line| (line.finding.code.as_str(), line.repaired)).collect();
    codes.sort_unstable();
    let mut wanted = [("capture-empty", true); 2].to_vec();
    wanted.extend([("unfinished-save", true); 4]);
    wanted.extend([("unknown-file", false); 3]);
    wanted.sort_unstable();
    assert_eq!(codes, wanted);
    assert!(result.is_sound() && result.captures == 1);
    for kept in ["letter.txt", "captures/song.mp3", "captures/0001/photo.jpg", "exports/mine.csv"] {
        assert!(dir.join(kept).exists(), "{kept}");
    }
    assert!(!dir.join("captures/0002").exists() && !dir.join("captures/0003").exists());
}

#[test]
fn a_recording_without_a_description_gets_one() {
    let scratch = tempfile::tempdir().unwrap();
    let (_, dir) = moments(scratch.path()).pop().unwrap();
    let description = dir.join("captures/0001/capture.json");
    fs::remove_file(&description).unwrap();
    assert_eq!(Job::open(&dir).unwrap().problems()[0].code, "capture-undescribed");
    check(&dir).unwrap();
    let job = Job::open(&dir).unwrap();
    assert_eq!(job.problems(), []);
    let capture = &job.captures()[0];
    assert_eq!(
        (capture.state, capture.meta.label.as_str()),
        (CaptureState::Interrupted, "Recovered recording")
    );
    assert!(capture.meta.started > Timestamp::UNIX_EPOCH, "it has the time of the recording");
}

#[test]
fn an_order_that_names_what_is_not_there_is_mended() {
    let scratch = tempfile::tempdir().unwrap();
    let (_, dir) = moments(scratch.path()).pop().unwrap();
    Job::open(&dir).unwrap().edit(|data| data.order = [9, 1, 1].map(job::CaptureId).to_vec()).unwrap();
    let result = check(&dir).unwrap();
    assert_eq!(result.lines[0].finding.code, "order-mended", "{result:?}");
    assert_eq!(Job::open(&dir).unwrap().data().order, [job::CaptureId(1)]);
    assert_eq!(check(&dir).unwrap().lines, []);
}

#[test]
fn a_folder_that_is_no_job_is_not_checked() {
    let scratch = tempfile::tempdir().unwrap();
    fs::write(scratch.path().join("letter.txt"), "dear").unwrap();
    let message = check(scratch.path()).unwrap_err().to_string();
    assert!(message.contains("no `job.json`"), "{message}");
    assert_eq!(fs::read_dir(scratch.path()).unwrap().count(), 1, "nothing was left there");
}
