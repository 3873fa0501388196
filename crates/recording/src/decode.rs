//! Compressed recordings, through `symphonia`.

use std::fmt;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use crate::{Condition, ReadError};

/// The first audio track of a compressed file, from the first packet to the last.
pub(crate) struct Packets {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    announced: Option<u64>,
    sample_rate_hz: u32,
    /// The packet that was decoded last, a row for each channel, and how much of it was handed out.
    planes: Vec<Vec<f32>>,
    taken: usize,
    decoded_frames: u64,
    over: bool,
}

impl fmt::Debug for Packets {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Packets").field("decoded_frames", &self.decoded_frames).finish_non_exhaustive()
    }
}

impl Packets {
    /// Finds the track and decodes the first of it: only then are rate and channels known.
    pub(crate) fn open(path: &Path, mut file: File, condition: &mut Condition) -> Result<Self, ReadError> {
        let not_audio = |why: String| ReadError::NotAudio { path: path.to_owned(), why };
        // The decoding library computes the bytes of a frame in 16 bits.
        let is_too_large = |(channels, bits): &(u16, u16)| {
            u64::from(*channels) * u64::from(bits.div_ceil(8)) > u64::from(u16::MAX)
        };
        if let Some((channels, bits)) = aiff_frames(&mut file).into_iter().find(is_too_large) {
            let what = format!("its header says {channels} channels of {bits} bits");
            return Err(ReadError::Damaged { path: path.to_owned(), what });
        }
        file.seek(SeekFrom::Start(0)).map_err(|error| not_audio(error.to_string()))?;
        let mut hint = Hint::new();
        if let Some(extension) = path.extension().and_then(|extension| extension.to_str()) {
            hint.with_extension(extension);
        }
        let stream = MediaSourceStream::new(Box::new(file), MediaSourceStreamOptions::default());
        // Of a header that makes no sense the decoding library computes what its numbers cannot hold; a development build ends
        // such a sum with a panic.
        let probe = || {
            symphonia::default::get_probe().probe(
                &hint,
                stream,
                FormatOptions::default(),
                MetadataOptions::default(),
            )
        };
        let format = catch_unwind(AssertUnwindSafe(probe))
            .map_err(|_| not_audio("its header makes no sense".to_owned()))?
            .map_err(|error| not_audio(error.to_string()))?;
        let track = format
            .default_track(TrackType::Audio)
            .ok_or_else(|| not_audio("it holds no sound track".to_owned()))?;
        let parameters = track
            .codec_params
            .as_ref()
            .and_then(|parameters| parameters.audio())
            .ok_or_else(|| not_audio("its sound track does not say how it is encoded".to_owned()))?;
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(parameters, &AudioDecoderOptions::default())
            .map_err(|error| not_audio(error.to_string()))?;
        let (track_id, announced) = (track.id, track.num_frames);
        let mut this = Self {
            format,
            decoder,
            track_id,
            announced,
            sample_rate_hz: 0,
            planes: Vec::new(),
            taken: 0,
            decoded_frames: 0,
            over: false,
        };
        this.decode_next(path, condition)?;
        if this.over {
            return Err(if condition.lost_packets > 0 {
                let what = "not one stretch of it can be decoded".to_owned();
                ReadError::Damaged { path: path.to_owned(), what }
            } else {
                ReadError::NoFrames { path: path.to_owned() }
            });
        }
        Ok(this)
    }

    pub(crate) fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    pub(crate) fn channels(&self) -> usize {
        self.planes.len()
    }

    pub(crate) fn announced(&self) -> Option<u64> {
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
        let mut wanted = frames;
        while wanted > 0 && !self.over {
            let there = self.planes[0].len();
            let now = wanted.min(there - self.taken);
            for (row, plane) in rows.iter_mut().zip(&self.planes) {
                row.extend_from_slice(&plane[self.taken..self.taken + now]);
            }
            self.taken += now;
            wanted -= now;
            if self.taken == there {
                self.decode_next(path, condition)?;
            }
        }
        Ok(())
    }

    /// Decodes the next packet that holds sound, or finds that there is none.
    fn decode_next(&mut self, path: &Path, condition: &mut Condition) -> Result<(), ReadError> {
        let damaged = |what: String| ReadError::Damaged { path: path.to_owned(), what };
        self.taken = 0;
        loop {
            let packet = match self.format.next_packet() {
                Ok(Some(packet)) if packet.track_id == self.track_id => packet,
                Ok(Some(_)) => continue,
                Ok(None) => break,
                // The file ends or is cut within a packet, or another stream is
                // chained behind; what came before stands.
                Err(_) => {
                    condition.truncated = true;
                    break;
                }
            };
            match self.decoder.decode(&packet) {
                Ok(decoded) if decoded.frames() > 0 => {
                    let rate_hz = decoded.spec().rate();
                    let (rate_before_hz, channels_before) = (self.sample_rate_hz, self.planes.len());
                    decoded.copy_to_vecs_planar(&mut self.planes);
                    let first = self.decoded_frames == 0;
                    if !first && (rate_hz != rate_before_hz || self.planes.len() != channels_before) {
                        return Err(damaged(format!(
                            "it changes from {channels_before} channels at {rate_before_hz} Hz to {} at {rate_hz} Hz \
                             after {:.3} s",
                            self.planes.len(),
                            self.decoded_frames as f64 / f64::from(rate_before_hz)
                        )));
                    }
                    if self.planes.is_empty() {
                        return Err(damaged("it has no channels".to_owned()));
                    }
                    self.sample_rate_hz = rate_hz;
                    self.decoded_frames += self.planes[0].len() as u64;
                    return Ok(());
                }
                Ok(_) => {}
                Err(Error::DecodeError(_) | Error::IoError(_)) => condition.lost_packets += 1,
                Err(error) => return Err(damaged(error.to_string())),
            }
        }
        self.over = true;
        if self.announced.is_some_and(|announced| announced > self.decoded_frames) {
            condition.truncated = true;
        }
        Ok(())
    }
}

/// The decoding library looks for a beginning that it knows so far into a file, in bytes.
const LOOKED_AT: u64 = 1 << 20;
/// So many beginnings, and chunks after each, are looked at: no recorder writes as many, and a file of nothing else must not take
/// for ever.
const MOST: usize = 256;

/// The channels and the bits of a sample that an AIFF file says it has, and whatever is in a file that the decoding library may
/// take for one.
fn aiff_frames(file: &mut File) -> Vec<(u16, u16)> {
    let mut head = Vec::new();
    if file.by_ref().take(LOOKED_AT).read_to_end(&mut head).is_err() {
        return Vec::new();
    }
    let begins = head.windows(12).enumerate();
    let begins = begins.filter(|(_, head)| &head[..4] == b"FORM" && matches!(&head[8..], b"AIFF" | b"AIFC"));
    begins.take(MOST).filter_map(|(at, _)| aiff_frame(file, at as u64)).collect()
}

/// What the one that begins there says; nothing where it does not come to say so.
fn aiff_frame(file: &mut File, begin: u64) -> Option<(u16, u16)> {
    file.seek(SeekFrom::Start(begin + 12)).ok()?;
    for _ in 0..MOST {
        let mut chunk = [0; 8];
        file.read_exact(&mut chunk).ok()?;
        if &chunk[..4] == b"COMM" {
            let mut common = [0; 8];
            file.read_exact(&mut common).ok()?;
            let number = |at| u16::from_be_bytes([common[at], common[at + 1]]);
            return Some((number(0), number(6)));
        }
        let bytes = u32::from_be_bytes([chunk[4], chunk[5], chunk[6], chunk[7]]);
        // Chunks begin at even places.
        file.seek_relative(i64::from(bytes) + i64::from(bytes % 2)).ok()?;
    }
    None
}
