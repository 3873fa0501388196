//! Where everything stands in a WAV file: the chunks before the samples.
//!
//! References: Microsoft/IBM *Multimedia Programming Interface and Data
//! Specifications 1.0* (RIFF, WAVE), EBU Tech 3306 (RF64, `ds64`), from memory.

use std::io::{self, Read, Seek, SeekFrom};

/// What a sample is, by the container that holds it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Encoding {
    /// Unsigned bytes around 128.
    Unsigned8,
    /// Signed integers of 2, 3 or 4 bytes; fewer valid bits stand at the top.
    Signed {
        /// The size of one.
        bytes: u16,
    },
    /// IEEE floating point of 4 or 8 bytes.
    Float {
        /// The size of one.
        bytes: u16,
    },
    /// Something compressed.
    Other,
}

impl Encoding {
    /// The size of one sample; 0 where there is no such thing.
    pub(crate) fn bytes(self) -> u16 {
        match self {
            Self::Unsigned8 => 1,
            Self::Signed { bytes } | Self::Float { bytes } => bytes,
            Self::Other => 0,
        }
    }
}

/// A WAV file up to its samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Layout {
    pub(crate) encoding: Encoding,
    pub(crate) channels: u16,
    pub(crate) sample_rate_hz: u32,
    /// Where the samples start.
    pub(crate) data_start: u64,
    /// How many bytes of samples the header announces; nothing when it was
    /// never filled in.
    pub(crate) data_bytes: Option<u64>,
    /// Where the RIFF chunk ends by its own account.
    pub(crate) riff_end: u64,
    /// Where a 28-byte `JUNK` or `ds64` chunk stands, if there is one.
    pub(crate) ds64_at: Option<u64>,
    /// Where the content of the `fact` chunk stands, if there is one.
    pub(crate) fact_at: Option<u64>,
}

/// Why there is no layout.
#[derive(Debug)]
pub(crate) enum LayoutError {
    /// The system refused.
    Io(io::Error),
    /// The file contradicts itself.
    Damaged(String),
}

impl From<io::Error> for LayoutError {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// The size of a chunk whose true size stands elsewhere or nowhere.
const UNKNOWN: u32 = u32::MAX;

impl Layout {
    /// The size of one frame in bytes.
    pub(crate) fn frame_bytes(&self) -> u64 {
        u64::from(self.channels) * u64::from(self.encoding.bytes())
    }

    /// Reads the chunks of a file of this length up to its samples.
    pub(crate) fn read(file: &mut (impl Read + Seek), file_len: u64) -> Result<Self, LayoutError> {
        let damaged = |what: String| Err(LayoutError::Damaged(what));
        file.seek(SeekFrom::Start(0))?;
        let mut riff = [0_u8; 12];
        if file_len < 12 {
            return damaged("it ends within the RIFF header".to_owned());
        }
        file.read_exact(&mut riff)?;
        let long = &riff[..4] != b"RIFF";
        let mut riff_bytes = Some(u64::from(u32_at(&riff, 4))).filter(|&n| n != u64::from(UNKNOWN) && n != 0);
        let mut long_data = None;
        let mut format = None;
        let (mut ds64_at, mut fact_at) = (None, None);
        let mut at = 12_u64;
        loop {
            if file_len < at + 8 {
                return damaged(format!("no samples follow before its end at byte {file_len}"));
            }
            file.seek(SeekFrom::Start(at))?;
            let mut head = [0_u8; 8];
            file.read_exact(&mut head)?;
            let size = u32_at(&head, 4);
            let body = at + 8;
            match &head[..4] {
                b"ds64" | b"JUNK" if size >= 28 => {
                    ds64_at = ds64_at.or((at == 12).then_some(at));
                    if &head[..4] == b"ds64" && long {
                        let mut sizes = [0_u8; 16];
                        read_within(file, &mut sizes, body, file_len, "ds64")?;
                        riff_bytes = Some(u64_at(&sizes, 0));
                        long_data = Some(u64_at(&sizes, 8));
                    }
                }
                b"fmt " => format = Some(read_format(file, body, size, file_len)?),
                b"fact" if size >= 4 => fact_at = Some(body),
                b"data" => {
                    let Some((encoding, channels, sample_rate_hz)) = format else {
                        return damaged(format!("the samples at byte {at} come before their format"));
                    };
                    let riff_end = riff_bytes.map_or(body, |bytes| bytes.saturating_add(8));
                    let declared = if size == UNKNOWN { long_data } else { Some(u64::from(size)) };
                    // A size of 0 with nothing announced behind it, yet bytes there, was never
                    // filled in.
                    let data_bytes =
                        declared.filter(|&bytes| bytes != 0 || riff_end > body || file_len <= body);
                    return Ok(Self {
                        encoding,
                        channels,
                        sample_rate_hz,
                        data_start: body,
                        data_bytes,
                        riff_end,
                        ds64_at,
                        fact_at,
                    });
                }
                _ => {}
            }
            at = body + u64::from(size) + u64::from(size % 2);
        }
    }
}

fn read_within(
    file: &mut impl Read,
    bytes: &mut [u8],
    at: u64,
    file_len: u64,
    chunk: &str,
) -> Result<(), LayoutError> {
    if file_len < at + bytes.len() as u64 {
        return Err(LayoutError::Damaged(format!("it ends within the `{chunk}` chunk at byte {at}")));
    }
    Ok(file.read_exact(bytes)?)
}

/// The encoding, the number of channels and the rate from a `fmt ` chunk.
fn read_format(
    file: &mut impl Read,
    at: u64,
    size: u32,
    file_len: u64,
) -> Result<(Encoding, u16, u32), LayoutError> {
    if size < 16 {
        return Err(LayoutError::Damaged(format!(
            "the `fmt ` chunk at byte {at} holds {size} bytes, not 16"
        )));
    }
    let mut fmt = [0_u8; 40];
    let held = (size as usize).min(fmt.len());
    read_within(file, &mut fmt[..held], at, file_len, "fmt ")?;
    let tag = match u16_at(&fmt, 0) {
        0xFFFE if held >= 26 => u16_at(&fmt, 24),
        tag => tag,
    };
    let channels = u16_at(&fmt, 2);
    let frame_bytes = u16_at(&fmt, 12);
    let sample_bytes = frame_bytes.checked_div(channels).unwrap_or(0);
    let encoding = match (tag, sample_bytes) {
        (1, 1) => Encoding::Unsigned8,
        (1, bytes @ 2..=4) => Encoding::Signed { bytes },
        (3, bytes @ (4 | 8)) => Encoding::Float { bytes },
        (1 | 3, bytes) => {
            return Err(LayoutError::Damaged(format!(
                "{channels} channels in frames of {frame_bytes} bytes make samples of {bytes} bytes"
            )));
        }
        _ => Encoding::Other,
    };
    Ok((encoding, channels, u32_at(&fmt, 4)))
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}
