//! A short sound for the person who works, beside all captures.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

use cpal::traits::StreamTrait;

use super::HostMaker;
use super::open::{open_for_output, refused};
use crate::within::within;
use crate::{EngineError, RigSpec};

/// The longest sound: what the output ring holds by itself.
const LONGEST_S: f64 = 0.45;

/// Opening, playing and closing together are given so long.
const LIMIT: Duration = Duration::from_secs(6);

/// Plays a short sound on every output of a rig and returns when it has been heard. Nothing is
/// recorded; no capture of the same rig may run meanwhile.
///
/// The sound is cut off after 0.45 s, and the rig's ceiling holds.
///
/// # Errors
/// When there is no output device, or it refuses.
pub fn chime(spec: &RigSpec, samples: &[f32]) -> Result<(), EngineError> {
    chime_on(Arc::new(cpal::default_host), spec, samples)
}

pub(crate) fn chime_on(host: HostMaker, spec: &RigSpec, samples: &[f32]) -> Result<(), EngineError> {
    let longest = (LONGEST_S * f64::from(spec.sample_rate_hz)) as usize;
    let samples = samples[..samples.len().min(longest)].to_vec();
    let spec = spec.clone();
    let played = within(LIMIT, "engine-chime", move || play(&host(), &spec, &samples));
    played.unwrap_or_else(|| {
        let text = "The output device did not answer within 6 s, so a signal tone was not heard.";
        Err(EngineError::Refused { text: text.to_owned() })
    })
}

fn play(host: &cpal::Host, spec: &RigSpec, samples: &[f32]) -> Result<(), EngineError> {
    let mut output = open_for_output(host, spec, None)?;
    let mut frames = vec![0.0; samples.len() * output.channels];
    for (frame, &sample) in frames.chunks_mut(output.channels).zip(samples) {
        for wire in &spec.outputs {
            frame[usize::from(wire.channel) - 1] = sample;
        }
    }
    output.ends.shared.end.store(samples.len() as u64, Ordering::Release);
    if output.ends.ring.push_entire_slice(&frames).is_err() {
        let text = "The signal tone does not fit into the output's ring.";
        return Err(EngineError::Request { text: text.to_owned() });
    }
    output.stream.play().map_err(|error| refused(&error, "output", &output.name))?;
    let began = Instant::now();
    while !output.ends.shared.is_over() && began.elapsed() < LIMIT / 4 {
        thread::sleep(Duration::from_millis(5));
    }
    if !output.ends.shared.is_over() {
        let text = format!("A signal tone was given to `{}`, but nothing was heard.", output.name);
        return Err(EngineError::Refused { text });
    }
    // What was handed over last is still in the device's buffers.
    let latency = Duration::from_nanos(output.ends.shared.latency_ns.load(Ordering::Relaxed));
    thread::sleep(latency.min(Duration::from_millis(300)));
    Ok(())
}
