//! Samples of a WAV file that need no decoder.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use crate::read::{SAMPLE_LIMIT, check_rate};
use crate::wav_layout::{Encoding, Layout, LayoutError};
use crate::{Audio, ReadError};

/// About how many bytes are converted at once.
const STRETCH_BYTES: usize = 1 << 18;

/// Reads a WAV file, or nothing when its samples are compressed.
pub(crate) fn read(path: &Path, file: &mut File, file_len: u64) -> Result<Option<Audio>, ReadError> {
    let unreadable = |source| ReadError::Unreadable { path: path.to_owned(), source };
    let layout = match Layout::read(&mut BufReader::new(&mut *file), file_len) {
        Ok(layout) => layout,
        Err(LayoutError::Io(source)) => return Err(unreadable(source)),
        Err(LayoutError::Damaged(what)) => return Err(ReadError::Damaged { path: path.to_owned(), what }),
    };
    if layout.encoding == Encoding::Other {
        return Ok(None);
    }
    check_rate(path, layout.sample_rate_hz)?;
    let there = file_len - layout.data_start;
    let meant = layout.data_bytes.unwrap_or(there);
    let frame_bytes = layout.frame_bytes();
    let frames = meant.min(there) / frame_bytes;
    let channels = usize::from(layout.channels);
    if frames.saturating_mul(u64::from(layout.channels)) > SAMPLE_LIMIT as u64 {
        return Err(ReadError::TooLong { path: path.to_owned(), limit: SAMPLE_LIMIT });
    }
    let mut audio = Audio::new(
        layout.sample_rate_hz,
        (0..channels).map(|_| Vec::with_capacity(frames as usize)).collect(),
    );
    audio.condition.truncated =
        layout.data_bytes.is_none() || meant > there || !there.min(meant).is_multiple_of(frame_bytes);

    file.seek(SeekFrom::Start(layout.data_start)).map_err(unreadable)?;
    let frame_bytes = frame_bytes as usize;
    let mut bytes = vec![0_u8; (STRETCH_BYTES / frame_bytes).max(1) * frame_bytes];
    let mut left = frames as usize * frame_bytes;
    while left > 0 {
        let wanted = left.min(bytes.len());
        let got = read_full(file, &mut bytes[..wanted]).map_err(unreadable)?;
        spread(&bytes[..got - got % frame_bytes], layout.encoding, &mut audio);
        if got < wanted {
            audio.condition.truncated = true;
            break;
        }
        left -= wanted;
    }
    Ok(Some(audio))
}

/// Fills the buffer unless the file ends, and says how far it came.
fn read_full(file: &mut File, bytes: &mut [u8]) -> io::Result<usize> {
    let mut filled = 0;
    while filled < bytes.len() {
        match file.read(&mut bytes[filled..]) {
            Ok(0) => break,
            Ok(count) => filled += count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// Converts whole frames and hands each sample to its channel.
fn spread(bytes: &[u8], encoding: Encoding, audio: &mut Audio) {
    let size = usize::from(encoding.bytes());
    let channels = audio.channels.len();
    let mut not_finite = 0;
    for frame in bytes.chunks_exact(size * channels) {
        for (sample, channel) in frame.chunks_exact(size).zip(&mut audio.channels) {
            let value = convert(sample, encoding);
            if value.is_finite() {
                channel.push(value);
            } else {
                not_finite += 1;
                channel.push(0.0);
            }
        }
    }
    audio.condition.not_finite += not_finite;
}

fn convert(sample: &[u8], encoding: Encoding) -> f32 {
    match (encoding, sample) {
        (Encoding::Unsigned8, &[a]) => (f32::from(a) - 128.0) / 128.0,
        (Encoding::Signed { .. }, &[a, b]) => f32::from(i16::from_le_bytes([a, b])) / 32_768.0,
        (Encoding::Signed { .. }, &[a, b, c]) => signed(i32::from_le_bytes([0, a, b, c])),
        (Encoding::Signed { .. }, &[a, b, c, d]) => signed(i32::from_le_bytes([a, b, c, d])),
        (Encoding::Float { .. }, &[a, b, c, d]) => f32::from_le_bytes([a, b, c, d]),
        (Encoding::Float { .. }, &[a, b, c, d, e, f, g, h]) => {
            f64::from_le_bytes([a, b, c, d, e, f, g, h]) as f32
        }
        _ => 0.0,
    }
}

fn signed(sample: i32) -> f32 {
    (f64::from(sample) / 2_147_483_648.0) as f32
}
