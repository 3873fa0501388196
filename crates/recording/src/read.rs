//! Reading any recording into memory.

use std::path::Path;

use crate::{Audio, ReadError, Reader};

/// The most samples that are read into memory, all channels together: 4 GiB,
/// six hours of mono at 48 kHz.
const SAMPLE_LIMIT: usize = 1 << 30;

/// How many frames are read at once.
const BLOCK_FRAMES: usize = 1 << 16;

/// Reads a recording of any kind that [`Reader::open`] takes as a whole.
///
/// A file that ends too soon is read as far as it goes; [`Audio::condition`]
/// says so.
///
/// # Errors
/// [`ReadError`] names the file, what is wrong with it and what to do.
pub fn read(path: impl AsRef<Path>) -> Result<Audio, ReadError> {
    read_up_to(path, f64::INFINITY)
}

/// Reads as [`read`], and stops as soon as more than `longest_s` seconds are there: whoever asks for a bounded part
/// sees by the duration whether the recording is longer.
///
/// # Errors
/// As [`read`].
pub fn read_up_to(path: impl AsRef<Path>, longest_s: f64) -> Result<Audio, ReadError> {
    let path = path.as_ref();
    let mut reader = Reader::open(path)?;
    let channels = reader.channels();
    let too_long = || ReadError::TooLong { path: path.to_owned(), limit: SAMPLE_LIMIT };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "it saturates, and no time is negative"
    )]
    let longest = (longest_s * f64::from(reader.sample_rate_hz())) as u64;
    let announced = reader.announced_frames().unwrap_or(0).min(longest);
    if announced.saturating_mul(channels as u64) > SAMPLE_LIMIT as u64 {
        return Err(too_long());
    }
    let mut audio = Audio::new(reader.sample_rate_hz(), vec![Vec::new(); channels]);
    let mut block = Vec::new();
    while reader.frames() <= longest && reader.next_block(BLOCK_FRAMES, &mut block)? > 0 {
        if (audio.frames() + block[0].len()).saturating_mul(channels) > SAMPLE_LIMIT {
            return Err(too_long());
        }
        for (channel, row) in audio.channels.iter_mut().zip(&block) {
            channel.extend_from_slice(row);
        }
    }
    audio.condition = reader.condition();
    Ok(audio)
}
