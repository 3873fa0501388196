//! Finding devices and opening their streams.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{
    BufferSize, Device, ErrorKind, FromSample, InputCallbackInfo, OutputCallbackInfo, Sample, SampleFormat,
    SizedSample, Stream, StreamConfig, StreamInstant, SupportedBufferSize, SupportedStreamConfigRange,
};

use crate::realtime::{CONVERTED_FRAMES, Flags, InputEnds, InputHalf, OutputEnds, OutputHalf, Playing};
use crate::{EngineError, RigSpec};

/// Makes the host that devices are looked for on, anew for every capture, so that a device or an
/// audio server that comes back is found again.
pub(crate) type HostMaker = Arc<dyn Fn() -> cpal::Host + Send + Sync>;

/// How much sound the input ring holds while the disk is busy.
const INPUT_RING_S: f64 = 8.0;
/// How much sound the output ring holds ahead.
const OUTPUT_RING_S: f64 = 0.5;
/// How long a device may be silent before its driver looks after it.
const POLL_LIMIT: Duration = Duration::from_millis(500);

/// Formats in the order in which they are asked for; 24-bit integers are not among them,
/// since one host gets the sign wrong.
const FORMATS: [SampleFormat; 3] = [SampleFormat::F32, SampleFormat::I32, SampleFormat::I16];

/// Streams that are open and have not started.
pub(crate) struct Opened {
    pub(crate) input: OpenedInput,
    pub(crate) output: Option<OpenedOutput>,
}

/// An input stream with the ends of its rings.
pub(crate) struct OpenedInput {
    pub(crate) stream: Stream,
    pub(crate) ends: InputEnds,
    pub(crate) flags: Arc<Flags>,
    pub(crate) channels: usize,
    pub(crate) name: String,
    pub(crate) buffer_frames: u32,
}

/// An output stream with the ends of its rings.
pub(crate) struct OpenedOutput {
    pub(crate) stream: Stream,
    pub(crate) ends: OutputEnds,
    pub(crate) flags: Arc<Flags>,
    pub(crate) channels: usize,
    pub(crate) name: String,
    pub(crate) buffer_frames: u32,
}

/// Which way a device is used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Direction {
    Input,
    Output,
}

impl Direction {
    fn word(self) -> &'static str {
        match self {
            Self::Input => "input",
            Self::Output => "output",
        }
    }
}

/// Opens the rig's devices; the output only when something is played.
pub(crate) fn open(
    host: &cpal::Host,
    spec: &RigSpec,
    playing: Option<Playing>,
) -> Result<Opened, EngineError> {
    let needed = spec.inputs.iter().map(|input| input.channel).max().unwrap_or(1);
    let device = find(host, spec.input_device.as_deref(), Direction::Input)?;
    let chosen = choose(&device, Direction::Input, needed, spec)?;
    let input = open_input(&device, &chosen, spec)?;
    let output = playing.map(|playing| open_for_output(host, spec, playing)).transpose()?;
    Ok(Opened { input, output })
}

/// Opens the device that plays.
pub(crate) fn open_for_output(
    host: &cpal::Host,
    spec: &RigSpec,
    playing: Playing,
) -> Result<OpenedOutput, EngineError> {
    let needed = spec.outputs.iter().map(|output| output.channel).max().unwrap_or(1);
    let device = find(host, spec.output_device.as_deref(), Direction::Output)?;
    let chosen = choose(&device, Direction::Output, needed, spec)?;
    open_output(&device, &chosen, spec, playing)
}

/// The device with this id, or the system's own choice.
fn find(host: &cpal::Host, id: Option<&str>, direction: Direction) -> Result<Device, EngineError> {
    let word = direction.word();
    let Some(id) = id else {
        let device = match direction {
            Direction::Input => host.default_input_device(),
            Direction::Output => host.default_output_device(),
        };
        let text = format!(
            "The system names no {word} device. Plug one in, or name one as {word}_device in the rig file (`headrest devices` lists them)."
        );
        return device.ok_or(EngineError::NoDevice { text });
    };
    let mut devices = host.devices().map_err(|error| refused(&error, word, id))?;
    devices.find(|device| device.id().is_ok_and(|found| found.to_string() == id)).ok_or_else(|| {
        let text = format!(
            "The {word} device `{id}` is not there. Plug it in, or choose another (`headrest devices` lists them)."
        );
        EngineError::NoDevice { text }
    })
}

/// What a device is asked for.
#[derive(Debug)]
struct Chosen {
    config: StreamConfig,
    format: SampleFormat,
    name: String,
}

/// The fewest channels and the best format that serve the rig.
fn choose(device: &Device, direction: Direction, needed: u16, spec: &RigSpec) -> Result<Chosen, EngineError> {
    let name = device.to_string();
    let word = direction.word();
    let ranges: Vec<SupportedStreamConfigRange> = match direction {
        Direction::Input => device.supported_input_configs().map(Iterator::collect),
        Direction::Output => device.supported_output_configs().map(Iterator::collect),
    }
    .map_err(|error| refused(&error, word, &name))?;
    let rate = spec.sample_rate_hz;
    let usable: Vec<_> = ranges.iter().filter(|range| FORMATS.contains(&range.sample_format())).collect();
    if usable.is_empty() {
        let text = format!(
            "The {word} device `{name}` offers no sample format that can be used. Choose the same card under `plughw:`, where the system converts for it, or another device (`headrest devices` lists them)."
        );
        return Err(EngineError::Refused { text });
    }
    let wide: Vec<_> = usable.into_iter().filter(|range| range.channels() >= needed).collect();
    if wide.is_empty() {
        let most = ranges.iter().map(SupportedStreamConfigRange::channels).max().unwrap_or(0);
        let text = format!(
            "The rig uses channel {needed} of the {word} device `{name}`, which has {most}. Correct the channels in the rig file."
        );
        return Err(EngineError::Request { text });
    }
    let fits = |range: &&&SupportedStreamConfigRange| {
        (range.min_sample_rate()..=range.max_sample_rate()).contains(&rate)
    };
    let best = wide.iter().filter(fits).min_by_key(|range| {
        (range.channels(), FORMATS.iter().position(|format| *format == range.sample_format()))
    });
    let Some(best) = best else {
        let mut rates: Vec<String> = wide.iter().map(|range| rates(range)).collect();
        rates.sort();
        rates.dedup();
        let text = format!(
            "The {word} device `{name}` does not run at {rate} Hz; it offers {}. Set sample_rate_hz in the rig file, or the rate of the device.",
            rates.join(", ")
        );
        return Err(EngineError::Rate { text });
    };
    let buffer = match *best.buffer_size() {
        SupportedBufferSize::Range { min, max } => spec.buffer().clamp(min, max.max(min)),
        SupportedBufferSize::Unknown => spec.buffer(),
    };
    let config =
        StreamConfig { channels: best.channels(), sample_rate: rate, buffer_size: BufferSize::Fixed(buffer) };
    Ok(Chosen { config, format: best.sample_format(), name })
}

fn rates(range: &SupportedStreamConfigRange) -> String {
    let (low, high) = (range.min_sample_rate(), range.max_sample_rate());
    if low == high { format!("{low} Hz") } else { format!("{low} to {high} Hz") }
}

fn ring_frames(seconds: f64, spec: &RigSpec, buffer: u32) -> usize {
    // Large buffers need more room than the seconds say.
    ((seconds * f64::from(spec.sample_rate_hz)) as usize).max(4 * buffer as usize)
}

fn buffer_frames(config: &StreamConfig) -> u32 {
    match config.buffer_size {
        BufferSize::Fixed(frames) => frames,
        BufferSize::Default => 0,
    }
}

fn open_input(device: &Device, chosen: &Chosen, spec: &RigSpec) -> Result<OpenedInput, EngineError> {
    let buffer = buffer_frames(&chosen.config);
    let channels = usize::from(chosen.config.channels);
    let flags = Arc::new(Flags::default());
    let (half, ends) = InputHalf::new(channels, ring_frames(INPUT_RING_S, spec, buffer));
    let flagged = Arc::clone(&flags);
    let stream = match chosen.format {
        SampleFormat::I32 => input_stream::<i32>(device, chosen.config, half, flagged),
        SampleFormat::I16 => input_stream::<i16>(device, chosen.config, half, flagged),
        _ => device.build_input_stream(
            chosen.config,
            {
                let mut half = half;
                move |data: &[f32], info: &InputCallbackInfo| {
                    half.tick(nanoseconds(info.timestamp().capture));
                    half.take(data);
                }
            },
            move |error| flag(&flagged, &error),
            Some(POLL_LIMIT),
        ),
    }
    .map_err(|error| refused(&error, "input", &chosen.name))?;
    Ok(OpenedInput { stream, ends, flags, channels, name: chosen.name.clone(), buffer_frames: buffer })
}

fn open_output(
    device: &Device,
    chosen: &Chosen,
    spec: &RigSpec,
    playing: Playing,
) -> Result<OpenedOutput, EngineError> {
    let buffer = buffer_frames(&chosen.config);
    let channels = usize::from(chosen.config.channels);
    let flags = Arc::new(Flags::default());
    let (half, ends) = OutputHalf::new(
        channels,
        ring_frames(OUTPUT_RING_S, spec, buffer),
        spec.sample_rate_hz,
        spec.output_ceiling_dbfs,
        playing,
    );
    let flagged = Arc::clone(&flags);
    let stream = match chosen.format {
        SampleFormat::I32 => output_stream::<i32>(device, chosen.config, half, flagged),
        SampleFormat::I16 => output_stream::<i16>(device, chosen.config, half, flagged),
        _ => device.build_output_stream(
            chosen.config,
            {
                let mut half = half;
                move |data: &mut [f32], info: &OutputCallbackInfo| {
                    let times = info.timestamp();
                    half.tick(nanoseconds(times.callback), nanoseconds(times.playback), data.len());
                    half.fill(data);
                }
            },
            move |error| flag(&flagged, &error),
            Some(POLL_LIMIT),
        ),
    }
    .map_err(|error| refused(&error, "output", &chosen.name))?;
    Ok(OpenedOutput { stream, ends, flags, channels, name: chosen.name.clone(), buffer_frames: buffer })
}

/// A stream of integers, converted in pieces.
fn input_stream<T>(
    device: &Device,
    config: StreamConfig,
    mut half: InputHalf,
    flags: Arc<Flags>,
) -> Result<Stream, cpal::Error>
where
    T: SizedSample + Send + 'static,
    f32: FromSample<T>,
{
    let mut converted = vec![0.0_f32; CONVERTED_FRAMES * usize::from(config.channels)];
    device.build_input_stream(
        config,
        move |data: &[T], info: &InputCallbackInfo| {
            half.tick(nanoseconds(info.timestamp().capture));
            for piece in data.chunks(converted.len()) {
                let converted = &mut converted[..piece.len()];
                for (to, &from) in converted.iter_mut().zip(piece) {
                    *to = f32::from_sample(from);
                }
                half.take(converted);
            }
        },
        move |error| flag(&flags, &error),
        Some(POLL_LIMIT),
    )
}

/// A stream of integers, converted in pieces.
fn output_stream<T>(
    device: &Device,
    config: StreamConfig,
    mut half: OutputHalf,
    flags: Arc<Flags>,
) -> Result<Stream, cpal::Error>
where
    T: SizedSample + FromSample<f32> + Send + 'static,
{
    let mut converted = vec![0.0_f32; CONVERTED_FRAMES * usize::from(config.channels)];
    device.build_output_stream(
        config,
        move |data: &mut [T], info: &OutputCallbackInfo| {
            let times = info.timestamp();
            half.tick(nanoseconds(times.callback), nanoseconds(times.playback), data.len());
            for piece in data.chunks_mut(converted.len()) {
                let converted = &mut converted[..piece.len()];
                half.fill(converted);
                for (to, &from) in piece.iter_mut().zip(converted.iter()) {
                    *to = T::from_sample(from);
                }
            }
        },
        move |error| flag(&flags, &error),
        Some(POLL_LIMIT),
    )
}

fn nanoseconds(instant: StreamInstant) -> u64 {
    instant.as_nanos() as u64
}

/// All that an error callback does. Some hosts call it a million times a second once their server
/// is gone.
fn flag(flags: &Flags, error: &cpal::Error) {
    match error.kind() {
        ErrorKind::Xrun => {
            flags.xruns.fetch_add(1, Ordering::Relaxed);
        }
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable | ErrorKind::StreamInvalidated => {
            flags.gone.store(true, Ordering::Relaxed);
        }
        ErrorKind::DeviceChanged => flags.rerouted.store(true, Ordering::Relaxed),
        // The sound goes on without the priority.
        ErrorKind::RealtimeDenied => flags.unprioritised.store(true, Ordering::Relaxed),
        _ => {
            flags.errors.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// The engine's words for a device that does not start.
pub(crate) fn refused(error: &cpal::Error, word: &str, name: &str) -> EngineError {
    let advice = match error.kind() {
        ErrorKind::DeviceBusy => "Close other programs that use it, and try again.",
        ErrorKind::PermissionDenied => {
            "Allow the use of audio devices (and the microphone) in the system's settings."
        }
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => {
            let text = format!(
                "The {word} device `{name}` is not there ({error}). Plug it in, start the audio server, or choose another (`headrest devices` lists them)."
            );
            return EngineError::NoDevice { text };
        }
        _ => "Try another buffer_frames or sample_rate_hz in the rig file, or another device.",
    };
    EngineError::Refused { text: format!("The {word} device `{name}` does not start: {error}. {advice}") }
}
