//! The rig without hardware.

use std::sync::atomic::Ordering;
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crate::capture::{Control, Pull, Source};
use crate::player::Player;
use crate::recorder::{BLOCK_FRAMES, Recorder};
use crate::stage::OutputStage;
use crate::{
    Capture, CaptureEnd, CaptureRequest, CapturedBlock, EngineError, EngineFinding, Length, PreviewPath, Rig,
    RigSpec,
};

/// What stands between the outputs and the inputs of a simulated rig.
pub trait Plant: Send {
    /// Takes interleaved frames of [`outputs`](Self::outputs) channels and gives as many
    /// interleaved frames of [`inputs`](Self::inputs) channels.
    fn process(&mut self, played: &[f32], captured: &mut [f32]);
    /// How many channels it takes.
    fn outputs(&self) -> usize;
    /// How many channels it gives.
    fn inputs(&self) -> usize;
}

/// A plant that changes nothing: each output reaches the input of the same number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StraightWire {
    /// How many channels.
    pub channels: usize,
}

impl Plant for StraightWire {
    fn process(&mut self, played: &[f32], captured: &mut [f32]) {
        captured.copy_from_slice(played);
    }

    fn outputs(&self) -> usize {
        self.channels
    }

    fn inputs(&self) -> usize {
        self.channels
    }
}

/// How fast a simulated rig runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// As devices would.
    RealTime,
    /// By the clock, but so many times faster than devices would.
    Times(u32),
    /// A block is computed when it is asked for: the same request gives the same recording,
    /// to the bit.
    AsFastAsPossible,
}

/// A plant behind the interface of a rig.
///
/// The plant is shared, so that its owner may change its setting (a volume step, a microphone's
/// place) while a capture runs; a change takes effect at the next block. There is no approach
/// to a new level: nobody listens.
#[derive(Debug)]
pub struct SimulatedRig<P> {
    plant: Arc<Mutex<P>>,
    spec: RigSpec,
    pace: Pace,
}

impl<P: Plant + 'static> SimulatedRig<P> {
    /// Wires a plant as the rig file says: output and input channels are those of the plant.
    ///
    /// # Errors
    /// When the rig file is at fault or names channels that the plant does not have.
    pub fn new(plant: Arc<Mutex<P>>, spec: RigSpec, pace: Pace) -> Result<Self, EngineError> {
        if let Some(fault) = spec.fault() {
            return Err(EngineError::request(format!("the rig `{}`: {fault}", spec.name)));
        }
        let (outputs, inputs) = {
            let plant = plant.lock().unwrap_or_else(PoisonError::into_inner);
            (plant.outputs(), plant.inputs())
        };
        let beyond = spec.outputs.iter().any(|output| usize::from(output.channel) > outputs)
            || spec.inputs.iter().any(|input| usize::from(input.channel) > inputs);
        if beyond {
            return Err(EngineError::request(format!(
                "the rig `{}` names a channel beyond the {outputs} outputs and {inputs} inputs of the simulation",
                spec.name
            )));
        }
        Ok(Self { plant, spec, pace })
    }

    /// The plant, to change its setting.
    #[must_use]
    pub fn plant(&self) -> Arc<Mutex<P>> {
        Arc::clone(&self.plant)
    }

    /// Runs at another pace from the next capture on.
    pub fn set_pace(&mut self, pace: Pace) {
        self.pace = pace;
    }
}

impl<P: Plant + 'static> Rig for SimulatedRig<P> {
    fn spec(&self) -> &RigSpec {
        &self.spec
    }

    fn capture_through(
        &mut self,
        path: Option<PreviewPath>,
        request: CaptureRequest,
    ) -> Result<Capture, EngineError> {
        request.check(&self.spec, path.as_ref())?;
        let control = Arc::new(Control::of(request.run.clone(), &Arc::default()));
        let endless = request.length == Length::UntilStopped;
        let run = Run::begin(Arc::clone(&self.plant), &self.spec, request, path, Arc::clone(&control))?;
        let meters = run.recorder.meters();
        let source = match self.pace {
            Pace::AsFastAsPossible => Source::Pull(Box::new(run)),
            Pace::RealTime | Pace::Times(_) => {
                let times = if let Pace::Times(times) = self.pace { times.max(1) } else { 1 };
                // Half a minute of blocks.
                let bound = 30 * self.spec.sample_rate_hz as usize / BLOCK_FRAMES + 1;
                let (sender, blocks) = sync_channel(bound);
                let thread = thread::Builder::new()
                    .name("engine-simulated".to_owned())
                    .spawn(move || run.by_the_clock(times, &sender))
                    .map_err(|error| EngineError::Refused {
                        text: format!("no thread could be started: {error}"),
                    })?;
                Source::Thread(thread, blocks)
            }
        };
        Ok(Capture::new(source, control, meters, endless))
    }
}

/// One capture of a simulated rig.
struct Run<P> {
    plant: Arc<Mutex<P>>,
    player: Player,
    path: Option<PreviewPath>,
    stage: OutputStage,
    recorder: Recorder,
    control: Arc<Control>,
    rate_hz: u32,
    /// The plant's channel of each input, from 0.
    wires: Vec<usize>,
    played: Vec<f32>,
    captured: Vec<f32>,
    kept: Vec<f32>,
    inputs: usize,
    outputs: usize,
    /// How many frames there are in all, where that is known.
    end: Option<u64>,
    limited: u64,
}

impl<P: Plant> Run<P> {
    fn begin(
        plant: Arc<Mutex<P>>,
        spec: &RigSpec,
        request: CaptureRequest,
        mut path: Option<PreviewPath>,
        control: Arc<Control>,
    ) -> Result<Self, EngineError> {
        let (outputs, inputs) = {
            let plant = plant.lock().unwrap_or_else(PoisonError::into_inner);
            (plant.outputs(), plant.inputs())
        };
        let rate_hz = spec.sample_rate_hz;
        let frames = |seconds: f64| (seconds * f64::from(rate_hz)).round() as u64;
        let played = request.play.rows().iter().map(Vec::len).max().unwrap_or(0) as u64;
        let end = match request.length {
            Length::Playback { tail_s } => Some(played + frames(tail_s)),
            Length::Seconds(seconds) => Some(frames(seconds).max(1)),
            Length::UntilStopped => None,
        };
        let recorder = Recorder::begin(spec, request.record_to)?;
        let wires: Vec<usize> = spec.outputs.iter().map(|output| usize::from(output.channel) - 1).collect();
        if let Some(path) = &mut path {
            path.wire(&wires);
        }
        Ok(Self {
            plant,
            path,
            player: Player::new(request.play, &wires, outputs, rate_hz, false),
            stage: OutputStage::new(outputs, rate_hz, spec.output_ceiling_dbfs),
            recorder,
            control,
            rate_hz,
            wires: spec.inputs.iter().map(|input| usize::from(input.channel) - 1).collect(),
            played: vec![0.0; BLOCK_FRAMES * outputs],
            captured: vec![0.0; BLOCK_FRAMES * inputs],
            kept: Vec::with_capacity(BLOCK_FRAMES * spec.inputs.len()),
            inputs,
            outputs,
            end,
            limited: 0,
        })
    }

    /// Runs by the clock, or so many times faster, until it is over.
    fn by_the_clock(mut self, times: u32, blocks: &SyncSender<CapturedBlock>) -> CaptureEnd {
        let start = Instant::now();
        let mut missed = false;
        while let Some(mut block) = self.pull() {
            let due_s = self.recorder.frames() as f64 / f64::from(self.rate_hz) / f64::from(times);
            let due = start + Duration::from_secs_f64(due_s);
            thread::sleep(due.saturating_duration_since(Instant::now()));
            block.gap |= missed;
            missed = false;
            if let Err(TrySendError::Full(_)) = blocks.try_send(block) {
                missed = true;
                self.recorder.find(blocks_dropped());
            }
        }
        Box::new(self).end()
    }
}

impl<P: Plant> Pull for Run<P> {
    fn pull(&mut self) -> Option<CapturedBlock> {
        let left = self.end.map_or(u64::MAX, |end| end - self.recorder.frames());
        if left == 0 || self.stage.is_silent() || self.recorder.is_broken() {
            return None;
        }
        let frames = left.min(BLOCK_FRAMES as u64) as usize;
        let played = &mut self.played[..frames * self.outputs];
        let captured = &mut self.captured[..frames * self.inputs];
        self.player.fill(played);
        if let Some(path) = &mut self.path {
            path.run(played, self.outputs);
        }
        self.limited += self.stage.apply(played, self.control.is_stopped());
        self.plant.lock().unwrap_or_else(PoisonError::into_inner).process(played, captured);
        self.kept.clear();
        for frame in captured.chunks_exact(self.inputs) {
            self.kept.extend(self.wires.iter().map(|&wire| frame[wire]));
        }
        let block = self.recorder.take(&self.kept);
        self.control.frames.store(self.recorder.frames(), Ordering::Relaxed);
        Some(block)
    }

    fn end(mut self: Box<Self>) -> CaptureEnd {
        if self.limited > 0 {
            self.recorder.find(output_limited(self.limited));
        }
        self.recorder.end()
    }
}

/// The caller was too slow.
pub(crate) fn blocks_dropped() -> EngineFinding {
    EngineFinding::caution(
        "blocks-dropped",
        "The analysis could not keep up and missed part of the signal. The recording is complete: analyze it from the file.",
    )
}

/// The limiter was at work.
pub(crate) fn output_limited(samples: u64) -> EngineFinding {
    EngineFinding::caution(
        "output-limited",
        format!(
            "The limiter held {samples} samples at the rig's output ceiling, so what was played is not what was asked for. Play at a lower level, or raise output_ceiling_dbfs in the rig file."
        ),
    )
}
