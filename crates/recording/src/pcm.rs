//! Samples of a WAV file that need no decoder.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use crate::wav_layout::{Encoding, Layout, LayoutError};
use crate::{Condition, ReadError};

/// About how many bytes are converted at once.
const STRETCH_BYTES: usize = 1 << 18;

/// The samples of a WAV file, from the first to the last.
#[derive(Debug)]
pub(crate) struct Frames {
    file: File,
    layout: Layout,
    /// How many frames there are, by the header and by the file's length.
    announced: u64,
    left: u64,
    bytes: Vec<u8>,
}

impl Frames {
    /// Looks at the header of a WAV file; nothing when its samples are compressed.
    pub(crate) fn open(
        path: &Path,
        file: &mut File,
        file_len: u64,
        condition: &mut Condition,
    ) -> Result<Option<Self>, ReadError> {
        let unreadable = |source| ReadError::Unreadable { path: path.to_owned(), source };
        let layout = match Layout::read(&mut BufReader::new(&mut *file), file_len) {
            Ok(layout) => layout,
            Err(LayoutError::Io(source)) => return Err(unreadable(source)),
            Err(LayoutError::Damaged(what)) => {
                return Err(ReadError::Damaged { path: path.to_owned(), what });
            }
        };
        if layout.encoding == Encoding::Other {
            return Ok(None);
        }
        let there = file_len - layout.data_start;
        let meant = layout.data_bytes.unwrap_or(there);
        let frame_bytes = layout.frame_bytes();
        let frames = meant.min(there) / frame_bytes;
        if frames == 0 {
            return Err(ReadError::NoFrames { path: path.to_owned() });
        }
        condition.truncated =
            layout.data_bytes.is_none() || meant > there || !there.min(meant).is_multiple_of(frame_bytes);
        file.seek(SeekFrom::Start(layout.data_start)).map_err(unreadable)?;
        let file = file.try_clone().map_err(unreadable)?;
        Ok(Some(Self { file, layout, announced: frames, left: frames, bytes: Vec::new() }))
    }

    pub(crate) fn sample_rate_hz(&self) -> u32 {
        self.layout.sample_rate_hz
    }

    pub(crate) fn channels(&self) -> usize {
        usize::from(self.layout.channels)
    }

    pub(crate) fn announced(&self) -> u64 {
        self.announced
    }

    /// Appends the next frames to the rows, so many at most.
    pub(crate) fn read(
        &mut self,
        path: &Path,
        frames: usize,
        rows: &mut [Vec<f32>],
        condition: &mut Condition,
    ) -> Result<(), ReadError> {
        let frame_bytes = self.layout.frame_bytes() as usize;
        let mut wanted = self.left.min(frames as u64) as usize;
        while wanted > 0 {
            let now = wanted.min((STRETCH_BYTES / frame_bytes).max(1));
            self.bytes.resize(now * frame_bytes, 0);
            let got = read_full(&mut self.file, &mut self.bytes)
                .map_err(|source| ReadError::Unreadable { path: path.to_owned(), source })?
                / frame_bytes;
            spread(&self.bytes[..got * frame_bytes], self.layout.encoding, rows);
            if got < now {
                // It became shorter while it was read.
                condition.truncated = true;
                self.left = 0;
                break;
            }
            self.left -= now as u64;
            wanted -= now;
        }
        Ok(())
    }
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
fn spread(bytes: &[u8], encoding: Encoding, rows: &mut [Vec<f32>]) {
    let size = usize::from(encoding.bytes());
    for frame in bytes.chunks_exact(size * rows.len()) {
        for (sample, row) in frame.chunks_exact(size).zip(&mut *rows) {
            row.push(convert(sample, encoding));
        }
    }
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
