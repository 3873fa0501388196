//! Files that we write are read by us, and by an independent reader, as they were meant.

use std::fs;
use std::path::Path;

use recording::{Audio, Depth, WavWriter, read, write_flac, write_wav};

/// A tone that differs between the channels.
fn tone(rate: u32, channels: usize, frames: usize) -> Audio {
    let channel = |index: usize| {
        (0..frames)
            .map(|frame| (0.8 * (0.01 * (index + 1) as f64 * frame as f64).sin()) as f32)
            .collect::<Vec<_>>()
    };
    Audio::new(rate, (0..channels).map(channel).collect())
}

/// The largest difference between what was written and what is read.
fn worst(got: &Audio, wanted: &Audio) -> f64 {
    assert_eq!(got.sample_rate_hz, wanted.sample_rate_hz);
    assert_eq!(got.channels.len(), wanted.channels.len());
    assert_eq!(got.frames(), wanted.frames());
    assert!(got.condition.is_sound(), "{:?}", got.condition);
    let differences = got.channels.iter().flatten().zip(wanted.channels.iter().flatten());
    differences.map(|(g, w)| f64::from((g - w).abs())).fold(0.0, f64::max)
}

#[test]
fn every_rate_depth_and_channel_count_comes_back_within_its_dither() {
    let folder = tempfile::tempdir().unwrap();
    for (rate, channels) in [(8_000, 1), (44_100, 2), (48_000, 3), (96_000, 8), (192_000, 1)] {
        let audio = tone(rate, channels, 5_003);
        for (depth, bound) in
            [(Depth::Int16, 1.5 / 32_768.0), (Depth::Int24, 1.5 / 8_388_608.0 + 3e-8), (Depth::Float32, 0.0)]
        {
            let path = folder.path().join("a.wav");
            write_wav(&path, &audio, depth, 1).unwrap();
            testkit::at_most("WAV error", worst(&read(&path).unwrap(), &audio), bound);
            if depth != Depth::Float32 && rate <= 96_000 {
                let path = folder.path().join("a.flac");
                write_flac(&path, &audio, depth, 1).unwrap();
                testkit::at_most("FLAC error", worst(&read(&path).unwrap(), &audio), bound);
            }
        }
    }
}

#[test]
fn the_shortest_files_come_back() {
    let folder = tempfile::tempdir().unwrap();
    for frames in [1, 15, 31, 32, 33, 4_096, 4_097] {
        let audio = tone(48_000, 1, frames);
        let path = folder.path().join("a.flac");
        write_flac(&path, &audio, Depth::Int24, 1).unwrap();
        testkit::at_most("FLAC error", worst(&read(&path).unwrap(), &audio), 1.5 / 8_388_608.0 + 3e-8);
    }
}

/// FLAC and WAV of one seed hold the same integers: the codec loses nothing.
#[test]
fn flac_is_lossless() {
    let folder = tempfile::tempdir().unwrap();
    let audio = tone(48_000, 2, 20_000);
    for depth in [Depth::Int16, Depth::Int24] {
        let (wav, flac) = (folder.path().join("a.wav"), folder.path().join("a.flac"));
        write_wav(&wav, &audio, depth, 5).unwrap();
        write_flac(&flac, &audio, depth, 5).unwrap();
        assert_eq!(worst(&read(&flac).unwrap(), &read(&wav).unwrap()), 0.0);
        assert!(fs::metadata(&flac).unwrap().len() < fs::metadata(&wav).unwrap().len());
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_does_not() {
    let folder = tempfile::tempdir().unwrap();
    let audio = tone(44_100, 2, 3_000);
    let bytes = |name: &str, seed: u64, write: &dyn Fn(&Path, u64)| {
        let path = folder.path().join(name);
        write(&path, seed);
        fs::read(path).unwrap()
    };
    let wav = |path: &Path, seed| write_wav(path, &audio, Depth::Int16, seed).unwrap();
    let flac = |path: &Path, seed| write_flac(path, &audio, Depth::Int24, seed).unwrap();
    assert_eq!(bytes("a.wav", 3, &wav), bytes("b.wav", 3, &wav));
    assert_ne!(bytes("a.wav", 3, &wav), bytes("c.wav", 4, &wav));
    assert_eq!(bytes("a.flac", 3, &flac), bytes("b.flac", 3, &flac));
    assert_ne!(bytes("a.flac", 3, &flac), bytes("c.flac", 4, &flac));
}

/// Source: `hound`, an independent reader of the RIFF/WAVE form.
#[test]
fn an_independent_reader_agrees() {
    let folder = tempfile::tempdir().unwrap();
    for channels in [1, 2, 4] {
        let audio = tone(48_000, channels, 777);
        let interleaved: Vec<f32> =
            (0..777).flat_map(|frame| audio.channels.iter().map(move |channel| channel[frame])).collect();
        let streamed = folder.path().join(format!("streamed-{channels}.wav"));
        let mut writer = WavWriter::create(&streamed, 48_000, channels as u16).unwrap();
        writer.write(&interleaved).unwrap();
        assert_eq!(writer.finish().unwrap(), 777);
        let whole = folder.path().join(format!("whole-{channels}.wav"));
        write_wav(&whole, &audio, Depth::Float32, 0).unwrap();
        for path in [streamed, whole] {
            let mut reader = hound::WavReader::open(&path).unwrap();
            assert_eq!(usize::from(reader.spec().channels), channels);
            assert_eq!(reader.spec().sample_rate, 48_000);
            let samples: Vec<f32> = reader.samples::<f32>().map(Result::unwrap).collect();
            assert_eq!(samples, interleaved);
        }
        let ints = folder.path().join(format!("ints-{channels}.wav"));
        write_wav(&ints, &audio, Depth::Int24, 9).unwrap();
        let mut reader = hound::WavReader::open(&ints).unwrap();
        let samples: Vec<i32> = reader.samples::<i32>().map(Result::unwrap).collect();
        for (got, wanted) in samples.iter().zip(&interleaved) {
            testkit::near("24-bit sample", f64::from(*got), f64::from(*wanted) * 8_388_608.0, 1.51);
        }
    }
}

#[test]
fn what_cannot_be_written_is_refused_and_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let uneven = Audio::new(48_000, vec![vec![0.0; 3], vec![0.0; 4]]);
    let message = write_wav(&path, &uneven, Depth::Int16, 0).unwrap_err().to_string();
    assert!(message.contains("a.wav") && message.contains("differ in length"), "{message}");
    assert!(write_wav(&path, &Audio::new(48_000, vec![]), Depth::Int16, 0).is_err());
    assert!(write_flac(&path, &tone(48_000, 9, 10), Depth::Int16, 0).is_err());
    assert!(write_flac(&path, &tone(48_000, 1, 10), Depth::Float32, 0).is_err());
    assert!(write_flac(&path, &tone(192_000, 1, 10), Depth::Int24, 0).is_err());
    let nowhere = folder.path().join("missing").join("a.wav");
    let message = write_wav(&nowhere, &tone(48_000, 1, 10), Depth::Int16, 0).unwrap_err().to_string();
    assert!(message.contains("Check that the folder exists"), "{message}");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// Loud noise at 24 bits once came out fifty times larger than its WAV.
#[test]
fn flac_of_loud_noise_is_no_larger_than_its_samples() {
    let folder = tempfile::tempdir().unwrap();
    let (mut state, mut slow) = (1u32, 0.0);
    let noise: Vec<f32> = (0..480_000)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let white = f32::from((state >> 16) as u16) / 32_768.0 - 1.0;
            slow += 0.05 * (white - slow);
            (slow * 2.0 + white * 0.2).clamp(-0.7, 0.7)
        })
        .collect();
    for (depth, bytes) in [(Depth::Int16, 2), (Depth::Int24, 3)] {
        let path = folder.path().join("noise.flac");
        write_flac(&path, &Audio::new(48_000, vec![noise.clone(); 2]), depth, 1).unwrap();
        let size = fs::metadata(&path).unwrap().len();
        assert!(size < 2 * 480_000 * bytes * 101 / 100 + 10_000, "{size} bytes at {depth:?}");
    }
}
