//! Audio files in and out.
//!
//! [`Reader`] takes any recording a person may bring, block by block, and [`read`] takes it whole. [`WavWriter`] streams a
//! capture to disk while it is recorded, so that a crash loses at most a second,
//! and [`repair`] mends the header that a crash left behind. [`write_wav`] and
//! [`write_flac`] make the files for a memory stick, repeatable to the byte.
//! [`save_atomically`] is how all finished files come to be.

mod audio;
mod decode;
mod error;
mod flac;
mod pcm;
mod quantise;
mod read;
mod reader;
mod repair;
mod save;
mod wav_layout;
mod wav_out;
mod wav_writer;

pub use audio::{Audio, Condition};
pub use error::{ReadError, WriteError};
pub use flac::write_flac;
pub use quantise::Depth;
pub use read::{read, read_up_to};
pub use reader::Reader;
pub use repair::{Repair, RepairError, repair};
pub use save::save_atomically;
pub use wav_out::write_wav;
pub use wav_writer::WavWriter;
