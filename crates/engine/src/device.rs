//! The rig of real devices.

mod chime;
mod conductor;
mod feed;
mod open;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::sync_channel;
use std::thread;
use std::time::Duration;

use crate::capture::{Control, Source};
use crate::player::Player;
use crate::realtime::Playing;
use crate::recorder::{BLOCK_FRAMES, Recorder};
use crate::within::within;
use crate::{Capture, CaptureRequest, EngineError, Length, Play, PreviewPath, Rig, RigSpec};

pub use chime::CueOutput;

use conductor::Conductor;
pub(crate) use open::HostMaker;
use open::{Opened, open};

/// Devices are given so long to open; some drivers never return.
const OPEN_LIMIT: Duration = Duration::from_secs(10);

/// How many levels count as one: a tenth of a decibel.
const SAME_LEVEL: f32 = 1.011_6;

/// Real devices, opened for each capture.
pub struct DeviceRig {
    host: HostMaker,
    spec: RigSpec,
    /// The highest sample that was played on each output since the rig was set up.
    loudest: Vec<f32>,
    /// Whether it was said that the callbacks run without priority.
    priority_told: Arc<AtomicBool>,
    /// What becomes of `loudest` when the capture that runs has been heard.
    pending: Option<(Vec<f32>, Arc<Control>)>,
}

impl std::fmt::Debug for DeviceRig {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("DeviceRig").field("spec", &self.spec).finish_non_exhaustive()
    }
}

impl DeviceRig {
    /// The devices that a rig file names. They are opened at the first capture.
    ///
    /// # Errors
    /// When the rig file is at fault.
    pub fn new(spec: RigSpec) -> Result<Self, EngineError> {
        Self::on_host(spec, Arc::new(cpal::default_host))
    }

    pub(crate) fn on_host(spec: RigSpec, host: HostMaker) -> Result<Self, EngineError> {
        if let Some(fault) = spec.fault() {
            return Err(EngineError::request(format!("the rig `{}`: {fault}", spec.name)));
        }
        let loudest = vec![0.0; spec.outputs.len()];
        Ok(Self { host, spec, loudest, priority_told: Arc::default(), pending: None })
    }

    /// Whether any output would be louder than it ever was.
    fn is_new_level(&self, play: &Play) -> bool {
        self.loudest.iter().enumerate().any(|(row, &loudest)| play.peak(row) > loudest * SAME_LEVEL)
    }

    /// Takes over what the capture before has let be heard.
    fn settle(&mut self) {
        if let Some((peaks, control)) = self.pending.take()
            && control.approached.load(Ordering::Relaxed)
        {
            for (loudest, peak) in self.loudest.iter_mut().zip(peaks) {
                *loudest = loudest.max(peak);
            }
        }
    }
}

impl Rig for DeviceRig {
    fn spec(&self) -> &RigSpec {
        &self.spec
    }

    fn capture_through(
        &mut self,
        mut path: Option<PreviewPath>,
        request: CaptureRequest,
    ) -> Result<Capture, EngineError> {
        request.check(&self.spec, path.as_ref())?;
        self.settle();
        let new_level = self.is_new_level(&request.play);
        let peaks = (0..self.loudest.len()).map(|row| request.play.peak(row)).collect();
        let plays = request.play != Play::Nothing;

        let wires: Vec<usize> =
            self.spec.outputs.iter().map(|output| usize::from(output.channel) - 1).collect();
        if let Some(path) = &mut path {
            path.wire(&wires);
        }
        let control = Arc::new(Control::of(request.run.clone(), &self.priority_told));
        let (host, spec) = (Arc::clone(&self.host), self.spec.clone());
        let playing = plays.then(|| Playing { control: Arc::clone(&control), path });
        let opened = within(OPEN_LIMIT, "engine-open", move || open(&host(), &spec, playing));
        let opened: Opened = opened.unwrap_or_else(|| {
            let text = "The audio devices did not open within 10 s. Unplug and replug the interface, or restart the audio server, and try again.";
            Err(EngineError::Refused { text: text.to_owned() })
        })?;

        // Only now, so that a device that does not open leaves no empty recording.
        let recorder = Recorder::begin(&self.spec, request.record_to)?;
        let meters = recorder.meters();
        self.pending = Some((peaks, Arc::clone(&control)));
        let player = opened.output.as_ref().map(|output| {
            Player::new(request.play, &wires, output.channels, self.spec.sample_rate_hz, new_level)
        });
        // Half a minute of blocks, which are made at least five times as large as the smallest.
        let bound = 30 * self.spec.sample_rate_hz as usize / BLOCK_FRAMES + 1;
        let (sender, blocks) = sync_channel(bound);
        let endless = request.length == Length::UntilStopped;
        let conductor = Conductor::new(
            opened,
            player,
            recorder,
            &self.spec,
            request.length,
            Arc::clone(&control),
            sender,
        )?;
        let thread =
            thread::Builder::new().name("engine-record".to_owned()).spawn(move || conductor.run()).map_err(
                |error| EngineError::Refused { text: format!("no thread could be started: {error}") },
            )?;
        Ok(Capture::new(Source::Thread(thread, blocks), control, meters, endless))
    }
}
