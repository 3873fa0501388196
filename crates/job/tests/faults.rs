//! Jobs from failing disks, other hands and hostile senders: nothing hangs, nothing passes unnoticed.

use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use job::{CaptureId, CaptureMeta, ChannelSetting, Head, Job, JobError, Stage, check};
use measure::Reading;
use recording::WavWriter;

/// A job of two captures with a recording and a reading each.
fn job(scratch: &Path) -> PathBuf {
    let dir = scratch.join("job");
    let head = Head { name: "Blue estate".to_owned(), created: Timestamp::UNIX_EPOCH };
    let mut job = Job::create(&dir, head).unwrap();
    for number in 1..=2_u16 {
        let meta = CaptureMeta::new("level", 1, Stage::Source, Timestamp::UNIX_EPOCH);
        let pending = job.begin_capture(&meta).unwrap();
        let mut writer = WavWriter::create(&pending.audio_path, 48_000, 1).unwrap();
        writer.write(&vec![0.1 * f32::from(number); 4_800]).unwrap();
        writer.finish().unwrap();
        let mut reading = Reading::new("level", 1, 48_000.0);
        reading.value("rms_dbfs", -20.0 * f64::from(number));
        job.finish_capture(&pending, &reading, meta).unwrap();
    }
    dir
}

fn codes(dir: &Path) -> Vec<String> {
    check(dir).unwrap().lines.into_iter().map(|line| line.finding.code).collect()
}

#[test]
fn an_untouched_job_is_sound() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    assert_eq!(codes(&dir), [] as [&str; 0]);
    let job = Job::open(&dir).unwrap();
    assert_eq!(job.problems(), []);
    assert_eq!(job.audio_is_as_recorded(CaptureId(1)).unwrap(), Some(true));
    assert_eq!(job.reading(CaptureId(2)).unwrap().unwrap().findings, []);
}

/// One bit at 500 places of what is shown as a result.
#[test]
fn no_flipped_bit_passes_unnoticed() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    let mut state = 1_u64;
    for turn in 0..500_usize {
        let name = [
            "job.json",
            "captures/0001/capture.json",
            "captures/0001/reading.json",
            "captures/0002/audio.wav",
        ][turn % 4];
        let (file, whole) = (dir.join(name), fs::read(dir.join(name)).unwrap());
        // Source: D. E. Knuth, The Art of Computer Programming, vol. 2, 3.3.4, the multiplier of MMIX.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let bit = usize::try_from(state >> 20).unwrap() % (8 * whole.len());
        let mut flipped = whole.clone();
        flipped[bit / 8] ^= 1 << (bit % 8);
        fs::write(&file, &flipped).unwrap();
        // Whoever opens the job and looks at a reading is told, except of the recording, which is not shown.
        let told = match Job::open_to_read(&dir) {
            Err(_) => true,
            Ok(job) => {
                !job.problems().is_empty()
                    || job
                        .reading(CaptureId(1))
                        .map_or(true, |reading| reading.is_none_or(|r| !r.findings.is_empty()))
                    || job.audio_is_as_recorded(CaptureId(2)).unwrap() == Some(false)
            }
        };
        assert!(told, "{name}, bit {bit}");
        let result = check(&dir).unwrap();
        // A header that does not agree with its samples is set right.
        let noticed = !result.is_sound() || result.lines.iter().any(|line| line.repaired);
        assert!(noticed, "{name}, bit {bit}");
        // The check repairs nothing that somebody else changed, but for the header of a recording.
        if !name.ends_with(".wav") {
            assert_eq!(fs::read(&file).unwrap(), flipped, "{name}, bit {bit}");
        }
        fs::write(&file, whole).unwrap();
    }
    assert!(check(&dir).unwrap().is_sound());
}

#[test]
fn exchanged_files_are_found() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    for (name, code) in [("audio.wav", "audio-changed"), ("reading.json", "changed-outside")] {
        let [first, second] = [1, 2].map(|number| dir.join(format!("captures/000{number}/{name}")));
        let aside = scratch.path().join("aside");
        for _ in 0..2 {
            fs::rename(&first, &aside).unwrap();
            fs::rename(&second, &first).unwrap();
            fs::rename(&aside, &second).unwrap();
            let found = codes(&dir);
            assert!(found.is_empty() || found == [code, code], "{name}: {found:?}");
        }
    }
}

/// Whole folders, each with the files that belong together: every hash in them is right.
#[test]
fn exchanged_folders_are_found() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    let [first, second, aside] = ["0001", "0002", "aside"].map(|name| dir.join("captures").join(name));
    fs::rename(&first, &aside).unwrap();
    fs::rename(&second, &first).unwrap();
    fs::rename(&aside, &second).unwrap();
    assert_eq!(codes(&dir), ["capture-exchanged"; 2]);
    assert!(!check(&dir).unwrap().is_sound());
    let mut job = Job::open(&dir).unwrap();
    let told: Vec<&str> = job.problems().iter().map(|problem| problem.code.as_str()).collect();
    assert_eq!(told, ["capture-exchanged"; 2]);
    assert!(job.problems()[0].text.contains("0001 holds capture 0002"), "{}", job.problems()[0].text);
    // A person may mean it: the next change of the capture accepts it.
    job.rename(CaptureId(1), "really").unwrap();
    drop(job);
    assert_eq!(codes(&dir), ["capture-exchanged"]);
}

#[test]
fn an_edit_by_hand_is_told_and_taken() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    let file = dir.join("job.json");
    let text = fs::read_to_string(&file).unwrap().replace("Blue estate", "Red estate");
    fs::write(&file, text).unwrap();
    let mut job = Job::open(&dir).unwrap();
    assert_eq!(job.data().head.name, "Red estate");
    assert_eq!(job.problems()[0].code, "changed-outside");
    // The next save accepts it.
    job.edit(|data| data.notes = "mine".to_owned()).unwrap();
    drop(job);
    assert_eq!(codes(&dir), [] as [&str; 0]);
}

#[test]
fn numbers_that_mean_nothing_are_refused_with_their_place() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    let channel = ChannelSetting { channel: "left".to_owned(), delay_s: 0.0123, ..ChannelSetting::default() };
    Job::open(&dir).unwrap().edit(|data| data.channels = vec![channel]).unwrap();
    let file = dir.join("job.json");
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.replace("0.0123", "1e9")).unwrap();
    let error = Job::open(&dir).unwrap_err();
    assert!(matches!(error, JobError::Senseless { .. }), "{error}");
    assert!(
        error.to_string().contains("job.json`: `channels[0].delay_s`: 1000000000 is no delay"),
        "{error}"
    );
    assert!(!check(&dir).unwrap().is_sound());
}

#[test]
fn what_cannot_be_seen_does_not_come_out_of_a_job() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    Job::open(&dir).unwrap().rename(CaptureId(1), "x\u{1b}]0;owned\u{7}\u{1b}[31m\nFORGED\u{202e}").unwrap();
    let job = Job::open_to_read(&dir).unwrap();
    assert_eq!(job.captures()[0].meta.label, "x]0;owned[31m FORGED");
}

#[test]
fn the_highest_number_and_crowds_of_entries_stop_nothing() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    for name in ["4294967295", "4294967294", "99999999999999999999"] {
        fs::create_dir(dir.join("captures").join(name)).unwrap();
        fs::write(dir.join("captures").join(name).join("file"), "x").unwrap();
    }
    for number in 0..2_000 {
        fs::write(dir.join(format!("captures/{number:05}.txt")), "x").unwrap();
    }
    Job::open(&dir).unwrap().edit(|data| data.order = vec![CaptureId(u32::MAX); 20_000]).unwrap();
    let mut job = Job::open(&dir).unwrap();
    let meta = CaptureMeta::new("level", 1, Stage::Source, Timestamp::UNIX_EPOCH);
    assert_eq!(job.begin_capture(&meta).unwrap().id, CaptureId(3));
    drop(job);
    assert!(check(&dir).unwrap().is_sound());
}

#[cfg(unix)]
#[test]
fn pipes_sockets_and_links_are_never_waited_for() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    let captures = dir.join("captures");
    let capture = captures.join("0001/capture.json");
    fs::remove_file(&capture).unwrap();
    let made = std::process::Command::new("mkfifo").arg(&capture).status().unwrap();
    assert!(made.success());
    std::os::unix::fs::symlink("0007", captures.join("0007")).unwrap();
    let _socket = std::os::unix::net::UnixListener::bind(captures.join("0008")).unwrap();
    std::os::unix::fs::symlink("../captures", captures.join("0009")).unwrap();
    let job = Job::open(&dir).unwrap();
    assert_eq!(job.problems()[0].code, "capture-unreadable");
    assert!(job.problems()[0].text.contains("is no file"), "{:?}", job.problems());
    drop(job);
    assert!(!check(&dir).unwrap().is_sound());
}

/// What waits for a writer, or never ends, in the place of a recording.
#[cfg(unix)]
#[test]
fn a_pipe_or_a_device_in_the_place_of_a_recording_is_not_waited_for() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    let audio = ["0001", "0002"].map(|name| dir.join("captures").join(name).join("audio.wav"));
    audio.iter().for_each(|path| fs::remove_file(path).unwrap());
    assert!(std::process::Command::new("mkfifo").arg(&audio[0]).status().unwrap().success());
    std::os::unix::fs::symlink("/dev/zero", &audio[1]).unwrap();
    for state in ["done", "recording"] {
        let description = dir.join("captures/0001/capture.json");
        let text = fs::read_to_string(&description).unwrap();
        fs::write(&description, text.replace("\"state\": \"done\"", &format!("\"state\": \"{state}\"")))
            .unwrap();
        let found = codes(&dir);
        assert_eq!(found.iter().filter(|code| *code == "audio-missing").count(), 2, "{found:?}");
    }
    let asked = Job::open(&dir).unwrap().audio_is_as_recorded(CaptureId(2));
    assert!(asked.unwrap_err().to_string().contains("no file"));
}

/// A folder on a disk that takes nothing more. Whoever runs as root may write anywhere, so a folder in the
/// place of the lock stands for it.
#[test]
fn what_cannot_be_written_is_looked_through_all_the_same() {
    let scratch = tempfile::tempdir().unwrap();
    let dir = job(scratch.path());
    fs::remove_file(dir.join("job.lock")).unwrap();
    fs::create_dir(dir.join("job.lock")).unwrap();
    let result = check(&dir).unwrap();
    assert!(result.read_only.is_some() && result.is_sound(), "{result:?}");
    fs::write(dir.join("captures/0001/.reading.json.17.partial"), "{").unwrap();
    let result = check(&dir).unwrap();
    assert!(!result.is_sound(), "{result:?}");
    assert!(result.lines[0].finding.text.contains("It was not repaired: could not open"), "{result:?}");
    assert!(dir.join("captures/0001/.reading.json.17.partial").exists());
}
