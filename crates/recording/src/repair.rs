//! Mending the header that a crash left behind.

use std::fs::OpenOptions;
use std::io::BufReader;
use std::path::Path;

use crate::wav_layout::{Encoding, Layout, LayoutError};
use crate::wav_out::{header, patch_sizes};
use crate::{ReadError, WriteError};

/// What a capture on disk holds once its header is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Repair {
    /// Whether anything had to be mended.
    pub mended: bool,
    /// How many frames the file holds.
    pub frames: u64,
    /// How many frames more than the header had announced.
    pub recovered_frames: u64,
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// How many channels.
    pub channels: u16,
}

/// Why a capture could not be mended.
#[derive(Debug, thiserror::Error)]
pub enum RepairError {
    /// It could not be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// It could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
}

/// Makes the header of a file that [`WavWriter`](crate::WavWriter) began agree with the
/// samples that reached the disk. Does nothing to a file that is in order.
///
/// # Errors
/// When the file cannot be read or written, or was not made by `WavWriter`: what
/// follows its samples might then be something else.
pub fn repair(path: impl AsRef<Path>) -> Result<Repair, RepairError> {
    let path = path.as_ref();
    let unreadable = |source: std::io::Error| match source.kind() {
        std::io::ErrorKind::NotFound => ReadError::Missing { path: path.to_owned() },
        _ => ReadError::Unreadable { path: path.to_owned(), source },
    };
    let mut file = OpenOptions::new().read(true).write(true).open(path).map_err(unreadable)?;
    let file_len = file.metadata().map_err(unreadable)?.len();
    if file_len == 0 {
        return Err(ReadError::Empty { path: path.to_owned() }.into());
    }
    let layout = Layout::read(&mut BufReader::new(&mut file), file_len).map_err(|error| match error {
        LayoutError::Io(source) => unreadable(source),
        LayoutError::Damaged(what) => ReadError::Damaged { path: path.to_owned(), what },
    })?;
    if !is_ours(&layout) {
        let what = "this file was not recorded by this program, so it is left as it is";
        return Err(WriteError::unfit(path, what).into());
    }
    let frame_bytes = layout.frame_bytes();
    let frames = (file_len - layout.data_start) / frame_bytes;
    let announced = layout.data_bytes.unwrap_or(0) / frame_bytes;
    let whole = layout.data_start + frames * frame_bytes;
    let mended = layout.data_bytes != Some(frames * frame_bytes) || file_len != whole;
    if mended {
        // Less than a frame at the end is the rest of an unfinished write.
        file.set_len(whole)
            .and_then(|()| patch_sizes(&mut file, layout.channels, 32, frames * u64::from(layout.channels)))
            .and_then(|()| file.sync_all())
            .map_err(WriteError::io(path))?;
    }
    Ok(Repair {
        mended,
        frames,
        recovered_frames: frames.saturating_sub(announced),
        sample_rate_hz: layout.sample_rate_hz,
        channels: layout.channels,
    })
}

/// Whether the header is laid out as [`WavWriter`](crate::WavWriter) does it.
fn is_ours(layout: &Layout) -> bool {
    let bytes = header(layout.sample_rate_hz, layout.channels, 32, true).len() as u64;
    layout.encoding == (Encoding::Float { bytes: 4 })
        && layout.channels > 0
        && layout.ds64_at == Some(12)
        && layout.fact_at == Some(bytes - 12)
        && layout.data_start == bytes
}
