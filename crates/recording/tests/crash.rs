//! A capture outlives a crash.

use std::fs::{self, OpenOptions};
use std::io::Write;

use recording::{Depth, WavWriter, WriteError, read, repair, write_wav};

#[test]
fn after_a_crash_everything_up_to_the_last_second_is_readable_and_repair_finds_the_rest() {
    let folder = tempfile::tempdir().unwrap();
    for channels in [1_u16, 2, 5] {
        let path = folder.path().join(format!("{channels}.wav"));
        let mut writer = WavWriter::create(&path, 8_000, channels).unwrap();
        let frames = 20_500;
        for frame in 0..frames {
            writer.write(&vec![frame as f32 / 32_768.0; usize::from(channels)]).unwrap();
        }
        // A crash: nothing more is flushed, but the system has some of the rest,
        // the last frame not whole.
        std::mem::forget(writer);
        let in_header = read(&path).unwrap();
        assert!(in_header.condition.is_sound(), "{:?}", in_header.condition);
        assert_eq!(in_header.frames(), 16_000);
        let mut file = OpenOptions::new().append(true).open(&path).unwrap();
        let whole = fs::metadata(&path).unwrap().len();
        let header = whole - whole / 4 * 4;
        file.write_all(&[0; 3]).unwrap();

        let found = repair(&path).unwrap();
        assert!(found.mended, "{header}");
        assert_eq!((found.channels, found.sample_rate_hz), (channels, 8_000));
        assert_eq!(found.recovered_frames, found.frames - 16_000);
        let mended = read(&path).unwrap();
        assert!(mended.condition.is_sound());
        assert_eq!(mended.frames() as u64, found.frames);
        for (frame, sample) in mended.channels[usize::from(channels) - 1].iter().enumerate() {
            assert_eq!(*sample, frame as f32 / 32_768.0);
        }
        assert!(!repair(&path).unwrap().mended, "a second repair finds nothing to do");
    }
}

#[test]
fn a_writer_that_is_dropped_keeps_what_was_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let mut writer = WavWriter::create(&path, 48_000, 1).unwrap();
    writer.write(&[0.5; 100]).unwrap();
    drop(writer);
    assert_eq!(read(&path).unwrap().frames(), 100);
    assert!(!repair(&path).unwrap().mended);
}

#[test]
fn a_capture_that_never_began_is_repaired_to_no_frames() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    std::mem::forget(WavWriter::create(&path, 48_000, 2).unwrap());
    assert_eq!(repair(&path).unwrap().frames, 0);
    assert!(!repair(&path).unwrap().mended);
    assert!(read(&path).unwrap_err().to_string().contains("holds no samples"));
}

#[test]
fn a_recording_is_never_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    fs::write(&path, b"precious").unwrap();
    assert!(matches!(WavWriter::create(&path, 48_000, 2).unwrap_err(), WriteError::Exists { .. }));
    assert_eq!(fs::read(&path).unwrap(), b"precious");
}

/// What follows the samples of a foreign file may be something else.
#[test]
fn a_foreign_file_is_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let audio = recording::Audio::new(48_000, vec![vec![0.25; 10]]);
    for depth in [Depth::Int16, Depth::Float32] {
        write_wav(&path, &audio, depth, 0).unwrap();
        let before = fs::read(&path).unwrap();
        assert!(repair(&path).unwrap_err().to_string().contains("left as it is"));
        assert_eq!(fs::read(&path).unwrap(), before);
    }
}

/// A file beyond 4 GiB, made sparse so that it costs no disk.
#[test]
fn a_file_beyond_four_gibibytes_becomes_rf64() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.wav");
    let mut writer = WavWriter::create(&path, 192_000, 8).unwrap();
    writer.write(&[0.5; 8]).unwrap();
    drop(writer);
    let header = fs::metadata(&path).unwrap().len() - 32;
    let frames = (1_u64 << 32) / 32 + 5;
    OpenOptions::new().write(true).open(&path).unwrap().set_len(header + frames * 32).unwrap();
    let found = repair(&path).unwrap();
    assert_eq!((found.mended, found.frames), (true, frames));
    let again = repair(&path).unwrap();
    assert_eq!((again.mended, again.frames), (false, frames));
    let mut head = vec![0; 100];
    std::io::Read::read_exact(&mut fs::File::open(&path).unwrap(), &mut head).unwrap();
    assert_eq!(&head[..4], b"RF64");
    assert_eq!(&head[12..16], b"ds64");
    assert_eq!(head[28..36], (frames * 32).to_le_bytes());
    // More samples than are held in memory are refused, not attempted.
    assert!(read(&path).unwrap_err().to_string().contains("Cut it into shorter parts"));
}
