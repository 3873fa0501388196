//! Reading any recording into memory.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use crate::{Audio, ReadError, decode, pcm};

/// The most samples that are read, all channels together: 4 GiB in memory,
/// six hours of mono at 48 kHz.
pub(crate) const SAMPLE_LIMIT: usize = 1 << 30;

/// Reads a recording: WAV (8 to 32 bits integer, 32 and 64 bits floating point,
/// also `WAVE_FORMAT_EXTENSIBLE` and RF64), FLAC, and what else `symphonia`
/// decodes, with any number of channels, 8 to 192 kHz.
///
/// A file that ends too soon is read as far as it goes; [`Audio::condition`]
/// says so.
///
/// # Errors
/// [`ReadError`] names the file, what is wrong with it and what to do.
pub fn read(path: impl AsRef<Path>) -> Result<Audio, ReadError> {
    let path = path.as_ref();
    let unreadable = |source: io::Error| match source.kind() {
        io::ErrorKind::NotFound => ReadError::Missing { path: path.to_owned() },
        _ => ReadError::Unreadable { path: path.to_owned(), source },
    };
    let mut file = File::open(path).map_err(unreadable)?;
    let metadata = file.metadata().map_err(unreadable)?;
    if metadata.is_dir() {
        return Err(unreadable(io::Error::other("it is a folder")));
    }
    if metadata.len() == 0 {
        return Err(ReadError::Empty { path: path.to_owned() });
    }
    let mut head = [0_u8; 12];
    let wave = match file.read_exact(&mut head) {
        Ok(()) => matches!(&head[..4], b"RIFF" | b"RF64" | b"BW64") && &head[8..] == b"WAVE",
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => {
            let why = format!("it holds {} bytes", metadata.len());
            return Err(ReadError::NotAudio { path: path.to_owned(), why });
        }
        Err(error) => return Err(unreadable(error)),
    };
    file.seek(SeekFrom::Start(0)).map_err(unreadable)?;
    let pcm = if wave { pcm::read(path, &mut file, metadata.len())? } else { None };
    let audio = match pcm {
        Some(audio) => audio,
        None => {
            file.seek(SeekFrom::Start(0)).map_err(unreadable)?;
            decode::read(path, file)?
        }
    };
    if audio.frames() == 0 {
        return Err(ReadError::NoFrames { path: path.to_owned() });
    }
    check_rate(path, audio.sample_rate_hz)?;
    Ok(audio)
}

/// Refuses rates outside the range that the program works at.
pub(crate) fn check_rate(path: &Path, rate_hz: u32) -> Result<(), ReadError> {
    if (8_000..=192_000).contains(&rate_hz) {
        Ok(())
    } else {
        Err(ReadError::Rate { path: path.to_owned(), rate_hz })
    }
}
