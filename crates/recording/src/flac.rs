//! Whole FLAC files.

use std::io::Write;
use std::path::Path;

use flacenc::bitsink::ByteSink;
use flacenc::component::BitRepr;
use flacenc::error::Verify;
use flacenc::source::MemSource;

use crate::quantise::Quantiser;
use crate::wav_out::check;
use crate::{Audio, Depth, WriteError, save_atomically};

/// Writes a whole FLAC file, or nothing; dithered from the seed. The same audio,
/// depth and seed give the same bytes.
///
/// # Errors
/// When the depth is not 16 or 24 bits, when there are more than 8 channels or they
/// differ in length, when the rate is over 96 kHz (the encoder's limit), or when the
/// system refuses.
pub fn write_flac(
    path: impl AsRef<Path>,
    audio: &Audio,
    depth: Depth,
    dither_seed: u64,
) -> Result<(), WriteError> {
    let path = path.as_ref();
    let channels = usize::from(check(path, audio)?);
    if depth == Depth::Float32 || channels > 8 || audio.sample_rate_hz > 96_000 {
        let what = "FLAC is written at 16 or 24 bits, up to 8 channels and up to 96 kHz; write WAV instead";
        return Err(WriteError::unfit(path, what));
    }
    let mut quantiser = Quantiser::new(depth.bits(), dither_seed);
    let mut samples = Vec::with_capacity(audio.frames() * channels);
    for frame in 0..audio.frames() {
        samples.extend(audio.channels.iter().map(|channel| quantiser.quantise(channel[frame])));
    }
    let refused = |error: String| WriteError::unfit(path, format!("the FLAC encoder refused: {error}"));
    let mut config = flacenc::config::Encoder::default();
    // For loud noise at 24 bits the encoder misjudges the length of a block under its
    // fixed predictors a hundredfold and then does not fall back to plain samples; the
    // length under its adaptive predictor is counted in earnest.
    config.subframe_coding.use_fixed = depth == Depth::Int16;
    let config = config.into_verified();
    let config = config.map_err(|(_, error)| refused(error.to_string()))?;
    let source =
        MemSource::from_samples(&samples, channels, usize::from(depth.bits()), audio.sample_rate_hz as usize);
    let mut stream = flacenc::encode_with_fixed_block_size(&config, source, config.block_size)
        .map_err(|error| refused(error.to_string()))?;
    // The encoder counts the short last block as the smallest one; by the format it
    // does not count, and strict readers take a stream of such a kind for another.
    let block = config.block_size.min(audio.frames().max(32));
    stream.stream_info_mut().set_block_sizes(block, block).map_err(|error| refused(error.to_string()))?;
    let mut sink = ByteSink::new();
    stream.write(&mut sink).map_err(|error| refused(error.to_string()))?;
    save_atomically(path, |writer| writer.write_all(sink.as_slice())).map_err(WriteError::io(path))
}
