//! WAV headers, and whole WAV files.

use std::io::{self, Seek, SeekFrom, Write};
use std::path::Path;

use crate::quantise::Quantiser;
use crate::{Audio, Depth, WriteError, save_atomically};

/// Where the `ds64` chunk, or the room kept for it, stands.
const DS64_AT: u64 = 12;
/// Its content: RIFF, data and frame count of 64 bits, and an empty table.
const DS64_BYTES: u32 = 28;

/// A WAV header for as yet no samples. With `room`, space is kept for the sizes of RF64.
///
/// More than two channels are written as `WAVE_FORMAT_EXTENSIBLE` with no
/// loudspeaker assigned, since the channels of a rig are not loudspeakers.
pub(crate) fn header(sample_rate_hz: u32, channels: u16, bits: u16, room: bool) -> Vec<u8> {
    let float = bits == 32;
    let tag: u16 = if float { 3 } else { 1 };
    let frame_bytes = channels.saturating_mul(bits / 8);
    let mut bytes = b"RIFF\0\0\0\0WAVE".to_vec();
    if room {
        bytes.extend(b"JUNK");
        bytes.extend(DS64_BYTES.to_le_bytes());
        bytes.resize(bytes.len() + DS64_BYTES as usize, 0);
    }
    let extensible = channels > 2;
    let fmt_bytes: u32 = match (extensible, float) {
        (true, _) => 40,
        (false, true) => 18,
        (false, false) => 16,
    };
    bytes.extend(b"fmt ");
    bytes.extend(fmt_bytes.to_le_bytes());
    bytes.extend(if extensible { 0xFFFE } else { tag }.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(sample_rate_hz.to_le_bytes());
    bytes.extend(sample_rate_hz.saturating_mul(u32::from(frame_bytes)).to_le_bytes());
    bytes.extend(frame_bytes.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    if extensible {
        bytes.extend(22_u16.to_le_bytes());
        bytes.extend(bits.to_le_bytes());
        bytes.extend(0_u32.to_le_bytes());
        bytes.extend(tag.to_le_bytes());
        bytes.extend(b"\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71");
    } else if float {
        bytes.extend(0_u16.to_le_bytes());
    }
    if float {
        bytes.extend(b"fact");
        bytes.extend(4_u32.to_le_bytes());
        bytes.extend(0_u32.to_le_bytes());
    }
    bytes.extend(b"data\0\0\0\0");
    bytes
}

/// Brings the sizes in a header made by [`header`] with `room` up to date.
///
/// In a file too long for 32 bits, the marker becomes `RF64` and the room
/// becomes the `ds64` chunk (EBU Tech 3306).
pub(crate) fn patch_sizes(
    file: &mut (impl Write + Seek),
    channels: u16,
    bits: u16,
    samples: u64,
) -> io::Result<()> {
    let header_bytes = header(8_000, channels, bits, true).len() as u64;
    let data_bytes = samples * u64::from(bits / 8);
    let riff_bytes = header_bytes - 8 + data_bytes + data_bytes % 2;
    let frames = samples / u64::from(channels);
    let short = |bytes: u64| u32::try_from(bytes).unwrap_or(u32::MAX).to_le_bytes();
    if u32::try_from(riff_bytes).is_ok() {
        write_at(file, 0, b"RIFF")?;
    } else {
        let mut ds64 = b"ds64".to_vec();
        ds64.extend(DS64_BYTES.to_le_bytes());
        ds64.extend(riff_bytes.to_le_bytes());
        ds64.extend(data_bytes.to_le_bytes());
        ds64.extend(frames.to_le_bytes());
        ds64.extend(0_u32.to_le_bytes());
        write_at(file, DS64_AT, &ds64)?;
        write_at(file, 0, b"RF64")?;
    }
    let (riff, data) = match u32::try_from(riff_bytes) {
        Ok(_) => (short(riff_bytes), short(data_bytes)),
        Err(_) => (u32::MAX.to_le_bytes(), u32::MAX.to_le_bytes()),
    };
    write_at(file, header_bytes - 4, &data)?;
    if bits == 32 {
        write_at(file, header_bytes - 12, &short(frames))?;
    }
    write_at(file, 4, &riff)
}

pub(crate) fn write_at(file: &mut (impl Write + Seek), at: u64, bytes: &[u8]) -> io::Result<()> {
    file.seek(SeekFrom::Start(at))?;
    file.write_all(bytes)
}

/// Writes a whole WAV file, or nothing. Integers are dithered from the seed; the
/// same audio, depth and seed give the same bytes.
///
/// # Errors
/// When the channels differ in length, when the file would exceed 4 GiB, or when
/// the system refuses.
pub fn write_wav(
    path: impl AsRef<Path>,
    audio: &Audio,
    depth: Depth,
    dither_seed: u64,
) -> Result<(), WriteError> {
    let path = path.as_ref();
    let channels = check(path, audio)?;
    let sample_bytes = usize::from(depth.bits() / 8);
    let data_bytes = audio.frames().saturating_mul(usize::from(channels)).saturating_mul(sample_bytes);
    let mut head = header(audio.sample_rate_hz, channels, depth.bits(), false);
    let riff_bytes = head.len() - 8 + data_bytes + data_bytes % 2;
    let (Ok(riff_size), Ok(data_size)) = (u32::try_from(riff_bytes), u32::try_from(data_bytes)) else {
        return Err(WriteError::unfit(
            path,
            "the audio is too long for a WAV file of 4 GiB; write it in parts",
        ));
    };
    let end = head.len();
    head[4..8].copy_from_slice(&riff_size.to_le_bytes());
    head[end - 4..].copy_from_slice(&data_size.to_le_bytes());
    if depth == Depth::Float32 {
        head[end - 12..end - 8].copy_from_slice(&(audio.frames() as u32).to_le_bytes());
    }
    save_atomically(path, |writer| {
        writer.write_all(&head)?;
        let mut quantiser = (depth != Depth::Float32).then(|| Quantiser::new(depth.bits(), dither_seed));
        for frame in 0..audio.frames() {
            for channel in &audio.channels {
                let sample = channel[frame];
                match &mut quantiser {
                    Some(quantiser) => {
                        writer.write_all(&quantiser.quantise(sample).to_le_bytes()[..sample_bytes])?;
                    }
                    None => writer.write_all(&sample.to_le_bytes())?,
                }
            }
        }
        if data_bytes % 2 == 1 { writer.write_all(&[0]) } else { Ok(()) }
    })
    .map_err(WriteError::io(path))
}

/// Checks that there is something to write, and counts its channels.
pub(crate) fn check(path: &Path, audio: &Audio) -> Result<u16, WriteError> {
    let frames = audio.frames();
    if frames == 0 || audio.sample_rate_hz == 0 {
        return Err(WriteError::unfit(path, "there are no samples to write"));
    }
    if audio.channels.iter().any(|channel| channel.len() != frames) {
        return Err(WriteError::unfit(path, "the channels to write differ in length"));
    }
    u16::try_from(audio.channels.len())
        .ok()
        .filter(|&channels| channels <= 8_192)
        .ok_or_else(|| WriteError::unfit(path, "there are more than 8192 channels to write"))
}
