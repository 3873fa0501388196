//! What can be wrong with a file, in words that say what to do.

use std::io;
use std::path::PathBuf;

/// Why a recording could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// There is no such file.
    #[error("{}: there is no such file. Check the name and the folder.", path.display())]
    Missing {
        /// The file asked for.
        path: PathBuf,
    },
    /// The system refused.
    #[error("{}: cannot be read ({source}). Check that it is a file and that you may read it.", path.display())]
    Unreadable {
        /// The file asked for.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file has no bytes.
    #[error("{}: the file is empty. Copy it from the recorder again.", path.display())]
    Empty {
        /// The file asked for.
        path: PathBuf,
    },
    /// The bytes are those of something else.
    #[error("{}: this is not an audio file that can be read ({why}). WAV, FLAC, AIFF, CAF, MP3, Ogg Vorbis, AAC and ALAC can.", path.display())]
    NotAudio {
        /// The file asked for.
        path: PathBuf,
        /// What gave it away.
        why: String,
    },
    /// It is audio, but contradicts itself.
    #[error("{}: the file is damaged: {what}. Copy it from the recorder again.", path.display())]
    Damaged {
        /// The file asked for.
        path: PathBuf,
        /// Where and how.
        what: String,
    },
    /// It is audio, without sound.
    #[error("{}: the recording holds no samples. Record it again.", path.display())]
    NoFrames {
        /// The file asked for.
        path: PathBuf,
    },
    /// The rate is outside 8 to 192 kHz.
    #[error("{}: a sample rate of {rate_hz} Hz cannot be used; expected 8000 to 192000 Hz.", path.display())]
    Rate {
        /// The file asked for.
        path: PathBuf,
        /// The rate in the file.
        rate_hz: u32,
    },
    /// More samples than fit in memory.
    #[error("{}: the recording holds more than {limit} samples. Cut it into shorter parts.", path.display())]
    TooLong {
        /// The file asked for.
        path: PathBuf,
        /// The most that is read, all channels together.
        limit: usize,
    },
}

/// Why an audio file could not be written or mended.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The system refused.
    #[error("{}: cannot be written ({source}). Check that the folder exists, that you may write there and that the disk is not full.", path.display())]
    Io {
        /// The file asked for.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A recording is never overwritten.
    #[error("{}: exists already, and a recording is never overwritten. Choose another name.", path.display())]
    Exists {
        /// The file asked for.
        path: PathBuf,
    },
    /// The request makes no sense for this kind of file.
    #[error("{}: {what}.", path.display())]
    Unfit {
        /// The file asked for.
        path: PathBuf,
        /// What was asked for, and what can be done.
        what: String,
    },
}

impl WriteError {
    pub(crate) fn io(path: &std::path::Path) -> impl FnOnce(io::Error) -> Self {
        move |source| Self::Io { path: path.to_owned(), source }
    }

    pub(crate) fn unfit(path: &std::path::Path, what: impl Into<String>) -> Self {
        Self::Unfit { path: path.to_owned(), what: what.into() }
    }
}
