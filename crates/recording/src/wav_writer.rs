//! A capture on its way to disk.

use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::WriteError;
use crate::save::flush_folder;
use crate::wav_out::{header, patch_sizes};

/// How long samples may wait in the system's memory before they are forced to disk: as much
/// as a power cut costs.
const SYNC: Duration = Duration::from_secs(5);

/// Streams 32-bit floating-point samples into a WAV file whose header is brought
/// up to date once a second of audio, so that the file can be read after a crash. Every five
/// seconds it is forced to disk, so that a power cut takes no more than those.
///
/// A file that grows beyond 4 GiB becomes RF64: room for its 64-bit sizes is
/// kept from the start.
#[derive(Debug)]
pub struct WavWriter {
    file: BufWriter<File>,
    path: PathBuf,
    channels: u16,
    sample_rate_hz: u32,
    samples: u64,
    samples_in_header: u64,
    synced: Instant,
    finished: bool,
}

impl WavWriter {
    /// Begins a new file.
    ///
    /// # Errors
    /// When a file of this name exists (a recording is never overwritten), when
    /// the system refuses, or when there is no channel.
    pub fn create(path: impl AsRef<Path>, sample_rate_hz: u32, channels: u16) -> Result<Self, WriteError> {
        let path = path.as_ref();
        if channels == 0 || sample_rate_hz == 0 {
            let what = format!("{channels} channels at {sample_rate_hz} Hz are nothing to record");
            return Err(WriteError::unfit(path, what));
        }
        let file =
            OpenOptions::new().write(true).create_new(true).open(path).map_err(|source| {
                match source.kind() {
                    io::ErrorKind::AlreadyExists => WriteError::Exists { path: path.to_owned() },
                    _ => WriteError::Io { path: path.to_owned(), source },
                }
            })?;
        let mut writer = Self {
            file: BufWriter::with_capacity(waiting_bytes(sample_rate_hz, channels), file),
            path: path.to_owned(),
            channels,
            sample_rate_hz,
            samples: 0,
            samples_in_header: 0,
            synced: Instant::now(),
            finished: false,
        };
        writer.begin().map_err(WriteError::io(path))?;
        Ok(writer)
    }

    fn begin(&mut self) -> io::Result<()> {
        self.file.write_all(&header(self.sample_rate_hz, self.channels, 32, true))?;
        self.file.flush()?;
        self.file.get_ref().sync_all()?;
        flush_folder(&self.path)
    }

    /// Appends whole frames, the channels' samples side by side.
    ///
    /// # Errors
    /// When the disk is full or gone. What was flushed before stays readable.
    ///
    /// # Panics
    /// When the samples do not make whole frames.
    pub fn write(&mut self, interleaved: &[f32]) -> Result<(), WriteError> {
        assert!(
            interleaved.len().is_multiple_of(usize::from(self.channels)),
            "only whole frames are written"
        );
        let result = interleaved.iter().try_for_each(|sample| self.file.write_all(&sample.to_le_bytes()));
        result.map_err(WriteError::io(&self.path))?;
        self.samples += interleaved.len() as u64;
        let second = u64::from(self.sample_rate_hz) * u64::from(self.channels);
        if self.samples - self.samples_in_header >= second { self.flush() } else { Ok(()) }
    }

    /// Hands everything to the system and brings the header up to date. After
    /// this the program may crash without losing a sample.
    ///
    /// # Errors
    /// When the disk is full or gone.
    pub fn flush(&mut self) -> Result<(), WriteError> {
        self.try_flush().map_err(WriteError::io(&self.path))
    }

    fn try_flush(&mut self) -> io::Result<()> {
        // Samples first: a header must never announce what is not there.
        self.file.flush()?;
        let file = self.file.get_mut();
        patch_sizes(file, self.channels, 32, self.samples)?;
        file.seek(SeekFrom::End(0))?;
        if self.synced.elapsed() >= SYNC {
            file.sync_data()?;
            self.synced = Instant::now();
        }
        self.samples_in_header = self.samples;
        Ok(())
    }

    /// Gives up after the disk failed: makes the header agree with what reached it, and tells how
    /// many frames that are. Needs no room on the disk.
    #[must_use]
    pub fn salvage(mut self) -> u64 {
        self.finished = true;
        self.try_salvage().unwrap_or(self.samples_in_header / u64::from(self.channels))
    }

    fn try_salvage(&mut self) -> io::Result<u64> {
        // What still goes in goes in; what waits after that is lost.
        let _ = self.file.flush();
        let header_bytes = header(self.sample_rate_hz, self.channels, 32, true).len() as u64;
        let channels = u64::from(self.channels);
        let file = self.file.get_mut();
        let frames = file.metadata()?.len().saturating_sub(header_bytes) / (4 * channels);
        patch_sizes(file, self.channels, 32, frames * channels)?;
        // What still waits must never go into the header.
        file.seek(SeekFrom::End(0))?;
        file.sync_data()?;
        Ok(frames)
    }

    /// How many frames were written.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.samples / u64::from(self.channels)
    }

    /// Where the file is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Ends the file, safe against a power cut, and tells how many frames it holds.
    ///
    /// # Errors
    /// When the disk is full or gone.
    pub fn finish(mut self) -> Result<u64, WriteError> {
        self.finished = true;
        self.flush()?;
        self.file.get_ref().sync_all().map_err(WriteError::io(&self.path))?;
        Ok(self.frames())
    }
}

/// How many bytes may wait in the program's own memory: as much as it costs when the program is killed, a twentieth of
/// a second where few channels come slowly.
fn waiting_bytes(sample_rate_hz: u32, channels: u16) -> usize {
    (sample_rate_hz as usize * usize::from(channels) * size_of::<f32>() / 20).min(1 << 16)
}

impl Drop for WavWriter {
    /// Keeps what was recorded when the writer is given up without [`finish`](Self::finish).
    fn drop(&mut self) {
        if !self.finished && self.try_flush().is_err() {
            // There is no one left to tell; `repair` mends what remains.
            let _ = self.try_salvage();
        }
    }
}
