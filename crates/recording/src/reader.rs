//! Reading a recording block by block.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use crate::decode::Packets;
use crate::pcm::Frames;
use crate::{Condition, ReadError};

/// A recording that is read from its beginning to its end, a block at a time: an hour of many channels needs
/// no more memory than a second of it.
#[derive(Debug)]
pub struct Reader {
    path: PathBuf,
    source: Source,
    sample_rate_hz: u32,
    channels: usize,
    frames: u64,
    condition: Condition,
}

#[derive(Debug)]
enum Source {
    /// Samples that need no decoder.
    Frames(Frames),
    /// A compressed file.
    Packets(Box<Packets>),
}

impl Reader {
    /// Opens a recording: WAV (8 to 32 bits integer, 32 and 64 bits floating point,
    /// also `WAVE_FORMAT_EXTENSIBLE` and RF64), FLAC, and what else `symphonia`
    /// decodes, with any number of channels, 8 to 192 kHz.
    ///
    /// # Errors
    /// [`ReadError`] names the file, what is wrong with it and what to do.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, ReadError> {
        let path = path.as_ref();
        let unreadable = |source: io::Error| match source.kind() {
            io::ErrorKind::NotFound => ReadError::Missing { path: path.to_owned() },
            _ => ReadError::Unreadable { path: path.to_owned(), source },
        };
        // Looked at before it is opened: a pipe that nobody writes to would be waited for.
        let metadata = std::fs::metadata(path).map_err(unreadable)?;
        if metadata.is_dir() {
            return Err(unreadable(io::Error::other("it is a folder")));
        }
        if !metadata.is_file() {
            let why = "it is a pipe or a device; a recording is read from a file";
            return Err(unreadable(io::Error::other(why)));
        }
        let mut file = File::open(path).map_err(unreadable)?;
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
        let mut condition = Condition::default();
        let frames = if wave { Frames::open(path, &mut file, metadata.len(), &mut condition)? } else { None };
        let (source, sample_rate_hz, channels) = match frames {
            Some(frames) => {
                let (rate_hz, channels) = (frames.sample_rate_hz(), frames.channels());
                (Source::Frames(frames), rate_hz, channels)
            }
            None => {
                file.seek(SeekFrom::Start(0)).map_err(unreadable)?;
                let packets = Packets::open(path, file, &mut condition)?;
                let (rate_hz, channels) = (packets.sample_rate_hz(), packets.channels());
                (Source::Packets(Box::new(packets)), rate_hz, channels)
            }
        };
        check_rate(path, sample_rate_hz)?;
        Ok(Self { path: path.to_owned(), source, sample_rate_hz, channels, frames: 0, condition })
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Frames per second.
    #[must_use]
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// How many channels there are.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// How many frames were read so far.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// How long the part is that was read so far.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        self.frames as f64 / f64::from(self.sample_rate_hz)
    }

    /// How many frames there will be in all, where that is known beforehand. A file that is cut short may
    /// have fewer.
    #[must_use]
    pub fn announced_frames(&self) -> Option<u64> {
        match &self.source {
            Source::Frames(frames) => Some(frames.announced()),
            Source::Packets(packets) => packets.announced(),
        }
    }

    /// What the reader had to put up with so far; after the last block, what was wrong with the file.
    #[must_use]
    pub fn condition(&self) -> Condition {
        self.condition
    }

    /// Reads the next frames, so many at most, into a row for each channel; what was in the rows is replaced.
    /// Tells how many frames there are: fewer than asked for only at the end, and 0 after it.
    ///
    /// # Errors
    /// When the file cannot be read on or contradicts itself. A file that ends too soon is no error;
    /// [`Reader::condition`] says so.
    pub fn next_block(&mut self, frames: usize, rows: &mut Vec<Vec<f32>>) -> Result<usize, ReadError> {
        rows.resize_with(self.channels, Vec::new);
        rows.iter_mut().for_each(Vec::clear);
        match &mut self.source {
            Source::Frames(source) => source.read(&self.path, frames, rows, &mut self.condition)?,
            Source::Packets(source) => source.read(&self.path, frames, rows, &mut self.condition)?,
        }
        for sample in rows.iter_mut().flatten().filter(|sample| !sample.is_finite()) {
            *sample = 0.0;
            self.condition.not_finite += 1;
        }
        let read = rows.first().map_or(0, Vec::len);
        self.frames += read as u64;
        Ok(read)
    }
}

/// Refuses rates outside the range that the program works at.
fn check_rate(path: &Path, rate_hz: u32) -> Result<(), ReadError> {
    if (8_000..=192_000).contains(&rate_hz) {
        Ok(())
    } else {
        Err(ReadError::Rate { path: path.to_owned(), rate_hz })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Audio, Depth, read, write_flac, write_wav};

    /// However it is parted, it is the same recording.
    #[test]
    fn blocks_of_any_length_make_the_whole() {
        let folder = tempfile::tempdir().unwrap();
        let row = |step: f32| (0..50_001).map(|n| 0.5 * (n as f32 * step).sin()).collect::<Vec<f32>>();
        let audio = Audio::new(48_000, vec![row(0.01), row(0.03), row(0.5)]);
        let (wav, flac) = (folder.path().join("a.wav"), folder.path().join("a.flac"));
        write_wav(&wav, &audio, Depth::Int24, 1).unwrap();
        write_flac(&flac, &audio, Depth::Int16, 1).unwrap();
        for path in [wav, flac] {
            let whole = read(&path).unwrap();
            assert_eq!(whole.frames(), 50_001);
            for frames in [1, 17, 4_096, 50_000, 1 << 20] {
                let mut reader = Reader::open(&path).unwrap();
                assert_eq!((reader.channels(), reader.sample_rate_hz()), (3, 48_000));
                assert_eq!(reader.announced_frames(), Some(50_001));
                let (mut all, mut block) = (vec![Vec::<f32>::new(); 3], Vec::new());
                loop {
                    let got = reader.next_block(frames, &mut block).unwrap();
                    assert!(got == frames || reader.frames() == 50_001, "{got} of {frames}");
                    if got == 0 {
                        break;
                    }
                    all.iter_mut().zip(&block).for_each(|(all, row)| all.extend(row));
                }
                assert!(all == whole.channels, "{} in blocks of {frames}", path.display());
                assert!(reader.condition().is_sound());
            }
        }
    }
}
