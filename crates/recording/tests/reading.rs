//! Recordings of every kind, and files that are none.

use std::fs;
use std::path::{Path, PathBuf};

use recording::{Audio, Depth, ReadError, read, read_up_to, write_flac, write_wav};

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.0.path().join(name);
        fs::write(&path, bytes).unwrap();
        path
    }
}

/// A WAV file made by hand: format tag, channels, rate, bits, the bytes of its samples.
fn wav(tag: u16, channels: u16, rate: u32, bits: u16, data: &[u8]) -> Vec<u8> {
    let frame = channels * (bits / 8);
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((36 + data.len() as u32).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0");
    bytes.extend(tag.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend((rate * u32::from(frame)).to_le_bytes());
    bytes.extend(frame.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend((data.len() as u32).to_le_bytes());
    bytes.extend(data);
    bytes
}

/// Source: the RIFF/WAVE form: 8 bits are unsigned around 128, wider ones are
/// two's complement, full scale is 2^(bits−1).
#[test]
fn every_encoding_gives_the_same_half_scale() {
    let folder = Folder::new();
    let half = [
        (1, 8, vec![192_u8, 64]),
        (1, 16, [16_384_i16, -16_384].iter().flat_map(|n| n.to_le_bytes()).collect()),
        (1, 24, vec![0, 0, 0x40, 0, 0, 0xC0]),
        (1, 32, [1_i32 << 30, -(1 << 30)].iter().flat_map(|n| n.to_le_bytes()).collect()),
        (3, 32, [0.5_f32, -0.5].iter().flat_map(|n| n.to_le_bytes()).collect()),
        (3, 64, [0.5_f64, -0.5].iter().flat_map(|n| n.to_le_bytes()).collect()),
    ];
    for (tag, bits, data) in half {
        let audio = read(folder.file("half.wav", &wav(tag, 1, 48_000, bits, &data))).unwrap();
        assert_eq!(audio.channels, [[0.5, -0.5]], "{bits} bits");
        assert!(audio.condition.is_sound());
        let stereo = read(folder.file("half.wav", &wav(tag, 2, 8_000, bits, &data))).unwrap();
        assert_eq!(stereo.channels, [[0.5], [-0.5]], "{bits} bits");
        assert_eq!(stereo.sample_rate_hz, 8_000);
    }
}

#[test]
fn other_chunks_and_odd_sizes_are_skipped() {
    let folder = Folder::new();
    let plain = wav(1, 1, 48_000, 16, &[0, 64]);
    let mut bytes = plain[..12].to_vec();
    bytes.extend(b"LIST\x03\0\0\0abc\0");
    bytes.extend(&plain[12..]);
    bytes.extend(b"LIST\x04\0\0\0abcd");
    let riff = (bytes.len() as u32 - 8).to_le_bytes();
    bytes[4..8].copy_from_slice(&riff);
    let audio = read(folder.file("a.wav", &bytes)).unwrap();
    assert_eq!(audio.channels, [[0.5]]);
    assert!(audio.condition.is_sound());
}

#[test]
fn a_cut_file_is_read_as_far_as_it_goes_and_says_so() {
    let folder = Folder::new();
    let tone: Vec<f32> = (0..20_000).map(|n| (0.01 * n as f32).sin() * 0.5).collect();
    let audio = Audio::new(48_000, vec![tone.clone(), tone]);
    for name in ["a.wav", "a.flac"] {
        let path = folder.0.path().join(name);
        match name {
            "a.wav" => write_wav(&path, &audio, Depth::Int24, 0).unwrap(),
            _ => write_flac(&path, &audio, Depth::Int24, 0).unwrap(),
        }
        let bytes = fs::read(&path).unwrap();
        let whole = read(&path).unwrap();
        assert!(whole.condition.is_sound(), "{name}: {:?}", whole.condition);
        let cut = read(folder.file(name, &bytes[..bytes.len() * 2 / 3])).unwrap();
        assert!(cut.condition.truncated, "{name}");
        assert!(cut.frames() > 8_000 && cut.frames() < 14_000, "{name}: {} frames", cut.frames());
        assert_eq!(cut.channels[1][..], whole.channels[1][..cut.frames()], "{name}");
    }
}

#[test]
fn a_length_that_was_never_written_means_the_end_of_the_file() {
    let folder = Folder::new();
    for size in [0_u32, u32::MAX] {
        let mut bytes = wav(3, 1, 48_000, 32, &[0; 4_000]);
        bytes[4..8].copy_from_slice(&size.to_le_bytes());
        bytes[40..44].copy_from_slice(&size.to_le_bytes());
        let audio = read(folder.file("a.wav", &bytes)).unwrap();
        assert_eq!(audio.frames(), 1_000, "size {size:#x}");
        assert!(audio.condition.truncated);
    }
}

/// Source: EBU Tech 3306, from memory: `ds64` holds the RIFF, data and frame
/// counts; the 32-bit sizes are −1.
#[test]
fn rf64_takes_its_sizes_from_ds64() {
    let folder = Folder::new();
    let data: Vec<u8> = [0.25_f32, 0.5].iter().flat_map(|n| n.to_le_bytes()).collect();
    let plain = wav(3, 1, 48_000, 32, &data);
    let mut bytes = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
    bytes.extend((plain.len() as u64 + 28).to_le_bytes());
    bytes.extend((data.len() as u64).to_le_bytes());
    bytes.extend(2_u64.to_le_bytes());
    bytes.extend(0_u32.to_le_bytes());
    bytes.extend(&plain[12..40]);
    bytes.extend(u32::MAX.to_le_bytes());
    bytes.extend(&data);
    bytes.extend(b"LIST\x04\0\0\0abcd");
    let audio = read(folder.file("a.wav", &bytes)).unwrap();
    assert_eq!(audio.channels, [[0.25, 0.5]]);
    assert!(audio.condition.is_sound());
}

#[test]
fn samples_that_are_no_numbers_are_counted_and_read_as_silence() {
    let folder = Folder::new();
    let data: Vec<u8> =
        [0.5_f32, f32::NAN, f32::INFINITY, 3.0].iter().flat_map(|n| n.to_le_bytes()).collect();
    let audio = read(folder.file("a.wav", &wav(3, 1, 48_000, 32, &data))).unwrap();
    assert_eq!(audio.channels, [[0.5, 0.0, 0.0, 3.0]]);
    assert_eq!(audio.condition.not_finite, 2);
}

#[test]
fn what_is_no_recording_is_refused_in_words_that_help() {
    let folder = Folder::new();
    let cases: [(&str, Vec<u8>, &str); 10] = [
        ("empty.wav", vec![], "the file is empty"),
        ("short.wav", b"RIFF".to_vec(), "not an audio file"),
        ("text.wav", b"This is a shopping list: milk, bread, solder.\n".repeat(100), "not an audio file"),
        ("picture.wav", [&b"\x89PNG\r\n\x1a\n"[..], &[0x55; 4_000]].concat(), "not an audio file"),
        ("silent.wav", wav(1, 1, 48_000, 16, &[]), "holds no samples"),
        ("slow.wav", wav(1, 1, 4_000, 16, &[0, 0]), "sample rate of 4000 Hz"),
        ("fast.wav", wav(1, 1, 384_000, 16, &[0, 0]), "sample rate of 384000 Hz"),
        ("none.wav", wav(1, 0, 48_000, 16, &[0, 0]), "0 channels"),
        ("head.wav", wav(1, 1, 48_000, 16, &[0, 0])[..30].to_vec(), "ends within the `fmt ` chunk"),
        ("nodata.wav", wav(1, 1, 48_000, 16, &[0, 0])[..36].to_vec(), "no samples follow"),
    ];
    for (name, bytes, expected) in cases {
        let message = read(folder.file(name, &bytes)).unwrap_err().to_string();
        assert!(message.contains(name) && message.contains(expected), "{name}: {message}");
    }
    let missing = read(folder.0.path().join("gone.wav")).unwrap_err();
    assert!(matches!(missing, ReadError::Missing { .. }), "{missing}");
    assert!(matches!(read(folder.0.path()).unwrap_err(), ReadError::Unreadable { .. }));
    #[cfg(unix)]
    {
        // Nobody writes to it, so opening it would wait for ever.
        let pipe = folder.0.path().join("pipe.wav");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        let message = read(&pipe).unwrap_err().to_string();
        assert!(message.contains("pipe.wav") && message.contains("a pipe or a device"), "{message}");
        assert!(matches!(read("/dev/zero").unwrap_err(), ReadError::Unreadable { .. }));
    }
}

/// Source: `hound`, an independent writer, which uses `WAVE_FORMAT_EXTENSIBLE`
/// for 24 bits and for more than two channels.
#[test]
fn files_of_an_independent_writer_are_read() {
    let folder = Folder::new();
    for (channels, bits) in [(1, 8), (2, 16), (1, 24), (6, 24), (3, 32)] {
        let path = folder.0.path().join("a.wav");
        let spec = hound::WavSpec {
            channels,
            sample_rate: 44_100,
            bits_per_sample: bits,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        let quarter = 1_i32 << (bits - 3);
        for _ in 0..10 * channels {
            writer.write_sample(quarter).unwrap();
        }
        writer.finalize().unwrap();
        let audio = read(&path).unwrap();
        assert_eq!(audio.channels, vec![vec![0.25; 10]; usize::from(channels)], "{channels} × {bits}");
        assert!(audio.condition.is_sound());
    }
}

/// A beginning is read as far as the blocks go that hold it, and a file that is longer is known by that.
#[test]
fn no_more_is_read_than_somebody_wants() {
    let folder = Folder::new();
    let path = folder.0.path().join("long.wav");
    let samples: Vec<f32> = (0..200_000_u32).map(|n| (n % 100) as f32 / 256.0).collect();
    write_wav(&path, &Audio::new(8_000, vec![samples.clone()]), Depth::Float32, 1).unwrap();
    let part = read_up_to(&path, 10.0).unwrap();
    assert!(part.frames() > 80_000 && part.frames() < samples.len(), "{}", part.frames());
    assert_eq!(part.channels[0][..], samples[..part.frames()]);
    for longest_s in [25.0, 1e300, f64::INFINITY] {
        assert_eq!(read_up_to(&path, longest_s).unwrap().channels[0], samples);
    }
}

/// What fuzzing found and what it begins with: all of it ends in sound or in words.
#[test]
fn every_file_of_the_fuzzers_corpus_is_read_or_refused_in_words() {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fuzz/corpus/recording");
    let mut files = 0;
    for file in fs::read_dir(corpus).unwrap() {
        let path = file.unwrap().path();
        files += 1;
        if let Err(error) = read(&path) {
            assert!(error.to_string().contains(&*path.to_string_lossy()), "{error}");
        }
    }
    assert!(files > 5, "{files} files");
}

/// The decoding library counts the bytes of a frame in 16 bits.
#[test]
fn an_aiff_header_with_more_channels_than_can_be_is_called_damaged() {
    let file = |channels: u16| {
        let mut bytes = b"FORM\0\0\0\x42AIFF".to_vec();
        // A chunk of an odd length before it, and the byte that fills it up.
        bytes.extend(b"NAME\0\0\0\x03car\0COMM\0\0\0\x12");
        bytes.extend(channels.to_be_bytes());
        bytes.extend(b"\0\0\0\x04\0\x10\x40\x0e\xbb\x80\0\0\0\0\0\0");
        bytes.extend(b"SSND\0\0\0\x10\0\0\0\0\0\0\0\0\x40\0\xc0\0\x40\0\xc0\0");
        bytes
    };
    let folder = Folder::new();
    assert_eq!(read(folder.file("one.aiff", &file(1))).unwrap().channels, [[0.5, -0.5, 0.5, -0.5]]);
    for channels in [40_000, u16::MAX] {
        let error = read(folder.file("many.aiff", &file(channels))).unwrap_err();
        assert!(matches!(error, ReadError::Damaged { .. }), "{error}");
        assert!(error.to_string().contains(&format!("{channels} channels")), "{error}");
        // It looks for a beginning that it knows inside of a file, too.
        let inside = [b"\0\0FFB\0\0\0WAVE".as_slice(), &file(channels)].concat();
        let error = read(folder.file("inside.wav", &inside)).unwrap_err();
        assert!(matches!(error, ReadError::Damaged { .. }), "{error}");
    }
}
