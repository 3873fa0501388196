//! A short sound for the person who works, beside all captures.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

use cpal::traits::StreamTrait;

use super::open::{HostMaker, open_for_output, refused};
use crate::capture::Control;
use crate::realtime::Playing;
use crate::within::within;
use crate::{EngineError, RigSpec};

/// The longest sound: what the output ring holds by itself.
const LONGEST_S: f64 = 0.45;

/// Opening, playing and closing together are given so long.
const LIMIT: Duration = Duration::from_secs(6);

/// Where sounds for the person who works are heard: never an output of the rig, from where they
/// would reach a microphone or a tap that is being recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct CueOutput {
    spec: RigSpec,
}

impl CueOutput {
    /// The device for cues that a rig names; none when it names none: then cues are shown only.
    #[must_use]
    pub fn beside(rig: &RigSpec) -> Option<Self> {
        let device = rig.cue_device.clone()?;
        // The rig file was refused if this is the device that the rig plays on.
        Some(Self { spec: RigSpec { output_device: Some(device), ..RigSpec::system_default() } })
    }

    /// The computer's own output, beside a simulated rig, which no sound can reach.
    #[must_use]
    pub fn beside_simulated() -> Self {
        Self { spec: RigSpec::system_default() }
    }

    /// The rate at which [`play`](Self::play) takes samples.
    #[must_use]
    pub fn sample_rate_hz(&self) -> u32 {
        self.spec.sample_rate_hz
    }

    /// Plays a short sound and returns when it has been heard. It is cut off after 0.45 s.
    ///
    /// # Errors
    /// When there is no output device, or it refuses.
    pub fn play(&self, samples: &[f32]) -> Result<(), EngineError> {
        self.play_on(Arc::new(cpal::default_host), samples)
    }

    pub(crate) fn play_on(&self, host: HostMaker, samples: &[f32]) -> Result<(), EngineError> {
        let longest = (LONGEST_S * f64::from(self.spec.sample_rate_hz)) as usize;
        let samples = samples[..samples.len().min(longest)].to_vec();
        let spec = self.spec.clone();
        let played = within(LIMIT, "engine-chime", move || play(&host(), &spec, &samples));
        played.unwrap_or_else(|| {
            let text = "The output device did not answer within 6 s, so a signal tone was not heard.";
            Err(EngineError::Refused { text: text.to_owned() })
        })
    }
}

fn play(host: &cpal::Host, spec: &RigSpec, samples: &[f32]) -> Result<(), EngineError> {
    let mut output =
        open_for_output(host, spec, Playing { control: Arc::new(Control::default()), path: None })?;
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
