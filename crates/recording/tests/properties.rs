//! Whatever the bytes, reading and mending end with a result or an error.

use std::fs;
use std::path::Path;
use std::sync::LazyLock;

use proptest::prelude::*;
use recording::{Audio, Depth, WavWriter, read, repair, write_flac, write_wav};

/// A valid file of each kind to start from, made once.
static SEEDS: LazyLock<Vec<(&'static str, Vec<u8>)>> = LazyLock::new(seeds);

fn seeds() -> Vec<(&'static str, Vec<u8>)> {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let tone: Vec<f32> = (0..3_000).map(|n| (0.05 * n as f32).sin() * 0.7).collect();
    let audio = Audio::new(44_100, vec![tone.clone(), tone.iter().map(|x| x * 0.3).collect()]);
    let path = folder.join("seed");
    let mut seeds = Vec::new();
    for depth in [Depth::Int16, Depth::Int24, Depth::Float32] {
        write_wav(&path, &audio, depth, 1).unwrap();
        seeds.push(("a.wav", fs::read(&path).unwrap()));
    }
    for depth in [Depth::Int16, Depth::Int24] {
        write_flac(&path, &audio, depth, 1).unwrap();
        seeds.push(("a.flac", fs::read(&path).unwrap()));
    }
    fs::remove_file(&path).unwrap();
    let mut writer = WavWriter::create(&path, 44_100, 2).unwrap();
    writer.write(&tone).unwrap();
    writer.finish().unwrap();
    seeds.push(("a.wav", fs::read(&path).unwrap()));
    seeds
}

/// Reads and mends; what is read obeys the promises of `Audio`.
fn survive(path: &Path) {
    if let Ok(audio) = read(path) {
        assert!(audio.frames() > 0);
        assert!((8_000..=192_000).contains(&audio.sample_rate_hz));
        assert!(audio.channels.iter().all(|channel| channel.len() == audio.frames()));
        assert!(audio.channels.iter().flatten().all(|sample| sample.is_finite()));
    }
    if repair(path).is_ok() {
        assert!(!repair(path).unwrap().mended, "mended twice");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn random_bytes_never_panic(
        magic in prop::sample::select(vec![
            &b""[..], b"RIFF\xff\xff\0\0WAVE", b"RF64\xff\xff\xff\xffWAVEds64", b"fLaC\0\0\0\x22", b"OggS\0",
            b"FORM\0\0\xff\0AIFFCOMM", b"caff\0\x01\0\0desc", b"\xff\xfb\x90\0", b"ID3\x04\0\0",
            b"\0\0\0\x20ftypM4A ", b"\xff\xf1\x50\x80",
        ]),
        bytes in prop::collection::vec(any::<u8>(), 0..2_000),
        name in prop::sample::select(vec!["a", "a.wav", "a.flac", "a.mp3", "a.m4a"]),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        fs::write(&path, [magic, &bytes].concat()).unwrap();
        survive(&path);
    }

    #[test]
    fn mutated_files_never_panic(
        seed in 0_usize..6,
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), any::<bool>()), 1..8),
        cut in prop::option::of(any::<prop::sample::Index>()),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let (name, mut bytes) = SEEDS[seed].clone();
        for (index, value, in_head) in changes {
            let span = if in_head { bytes.len().min(120) } else { bytes.len() };
            let at = index.index(span);
            bytes[at] = value;
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        let path = folder.path().join(name);
        fs::write(&path, bytes).unwrap();
        survive(&path);
    }

    #[test]
    fn floating_point_samples_survive_a_round_trip_to_the_bit(
        samples in prop::collection::vec(-4.0_f32..4.0, 1..500),
        channels in 1_usize..4,
    ) {
        let folder = tempfile::tempdir().unwrap();
        let frames = samples.len() / channels;
        prop_assume!(frames > 0);
        let path = folder.path().join("a.wav");
        let mut writer = WavWriter::create(&path, 48_000, channels as u16).unwrap();
        writer.write(&samples[..frames * channels]).unwrap();
        writer.finish().unwrap();
        let audio = read(&path).unwrap();
        for (index, sample) in samples[..frames * channels].iter().enumerate() {
            prop_assert_eq!(audio.channels[index % channels][index / channels], *sample);
        }
    }
}
