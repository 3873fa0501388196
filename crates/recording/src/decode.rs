//! Compressed recordings, through `symphonia`.

use std::fs::File;
use std::path::Path;

use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use crate::read::SAMPLE_LIMIT;
use crate::{Audio, ReadError};

/// Decodes the first audio track of a file.
pub(crate) fn read(path: &Path, file: File) -> Result<Audio, ReadError> {
    let not_audio = |why: String| ReadError::NotAudio { path: path.to_owned(), why };
    let damaged = |what: String| ReadError::Damaged { path: path.to_owned(), what };

    let mut hint = Hint::new();
    if let Some(extension) = path.extension().and_then(|extension| extension.to_str()) {
        hint.with_extension(extension);
    }
    let stream = MediaSourceStream::new(Box::new(file), MediaSourceStreamOptions::default());
    let mut format = symphonia::default::get_probe()
        .probe(&hint, stream, FormatOptions::default(), MetadataOptions::default())
        .map_err(|error| not_audio(error.to_string()))?;
    let track = format
        .default_track(TrackType::Audio)
        .ok_or_else(|| not_audio("it holds no sound track".to_owned()))?;
    let track_id = track.id;
    let announced = track.num_frames;
    let parameters = track
        .codec_params
        .as_ref()
        .and_then(|parameters| parameters.audio())
        .ok_or_else(|| not_audio("its sound track does not say how it is encoded".to_owned()))?;
    let mut decoder = symphonia::default::get_codecs()
        .make_audio_decoder(parameters, &AudioDecoderOptions::default())
        .map_err(|error| not_audio(error.to_string()))?;

    let mut audio = Audio::default();
    let mut planes: Vec<Vec<f32>> = Vec::new();
    loop {
        let packet = match format.next_packet() {
            Ok(Some(packet)) if packet.track_id == track_id => packet,
            Ok(Some(_)) => continue,
            Ok(None) => break,
            // The file ends or is cut within a packet, or another stream is
            // chained behind; what came before stands.
            Err(_) => {
                audio.condition.truncated = true;
                break;
            }
        };
        match decoder.decode(&packet) {
            Ok(decoded) if decoded.frames() > 0 => {
                let rate_hz = decoded.spec().rate();
                decoded.copy_to_vecs_planar(&mut planes);
                if audio.channels.is_empty() {
                    audio.sample_rate_hz = rate_hz;
                    audio.channels = vec![Vec::new(); planes.len()];
                }
                if rate_hz != audio.sample_rate_hz || planes.len() != audio.channels.len() {
                    return Err(damaged(format!(
                        "it changes from {} channels at {} Hz to {} at {rate_hz} Hz after {:.3} s",
                        audio.channels.len(),
                        audio.sample_rate_hz,
                        planes.len(),
                        audio.duration_s()
                    )));
                }
                if (audio.frames() + decoded.frames()).saturating_mul(planes.len()) > SAMPLE_LIMIT {
                    return Err(ReadError::TooLong { path: path.to_owned(), limit: SAMPLE_LIMIT });
                }
                for (channel, plane) in audio.channels.iter_mut().zip(&planes) {
                    channel.extend_from_slice(plane);
                }
            }
            Ok(_) => {}
            Err(Error::DecodeError(_) | Error::IoError(_)) => audio.condition.lost_packets += 1,
            Err(error) => return Err(damaged(error.to_string())),
        }
    }
    if audio.channels.is_empty() && audio.condition.lost_packets > 0 {
        return Err(damaged("not one stretch of it can be decoded".to_owned()));
    }
    if announced.is_some_and(|announced| announced > audio.frames() as u64) {
        audio.condition.truncated = true;
    }
    for sample in audio.channels.iter_mut().flatten().filter(|sample| !sample.is_finite()) {
        *sample = 0.0;
        audio.condition.not_finite += 1;
    }
    Ok(audio)
}
