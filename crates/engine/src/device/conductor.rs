//! The thread that runs a capture: from the rings to disk, and a watch over the devices.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use cpal::Stream;
use cpal::traits::StreamTrait;

use super::feed::Feed;
use super::open::{Opened, refused};
use crate::capture::Control;
use crate::clock::{StreamClock, Tick};
use crate::player::Player;
use crate::realtime::{Flags, InputEnds, OutputShared, Overflow};
use crate::recorder::{BLOCK_FRAMES, Recorder};
use crate::simulated::{blocks_dropped, output_limited};
use crate::within::within;
use crate::{CaptureEnd, CapturedBlock, EngineError, EngineFinding, Length, RigSpec};

/// How long to sleep when there is nothing to do.
const PAUSE: Duration = Duration::from_millis(5);
/// A device that delivers nothing for so long has stalled.
const STALL: Duration = Duration::from_secs(3);
/// The fade of a stop is awaited for so long at most.
const FADE_LIMIT: Duration = Duration::from_millis(500);
/// What was handed over last is awaited for so long at most, on its way through the device's buffers.
const LATENCY_LIMIT: Duration = Duration::from_millis(500);
/// Streams are given so long to close; some drivers never return.
const CLOSE_LIMIT: Duration = Duration::from_secs(2);
/// So many errors without a name mean that the device is lost.
const MANY_ERRORS: u64 = 1_000;
/// Clocks that differ by less are as good as one.
const SAME_CLOCK_PPM: f64 = 20.0;
/// Clocks are said to differ when they do so by so many standard errors: one clock has
/// shown 2.8 against itself through an audio server.
const SURE: f64 = 6.0;

/// One capture of real devices.
pub(crate) struct Conductor {
    streams: Vec<Stream>,
    input: InputEnds,
    input_flags: Arc<Flags>,
    input_name: String,
    input_channels: usize,
    input_clock: StreamClock,
    output: Option<Output>,
    recorder: Recorder,
    control: Arc<Control>,
    blocks: SyncSender<CapturedBlock>,
    /// The device's channel of each input, from 0.
    wires: Vec<usize>,
    rate_hz: u32,
    length: Length,
    /// When to end, in recorded frames, once that is known.
    target: Option<u64>,
    /// Frames taken out of the ring.
    taken: u64,
    overflow: Option<Overflow>,
    overflown: u64,
    lost: u64,
    xruns: u64,
    missed: bool,
    moved: Instant,
    kept: Vec<f32>,
}

/// The playing side of a capture.
struct Output {
    shared: Arc<OutputShared>,
    ticks: rtrb::Consumer<Tick>,
    flags: Arc<Flags>,
    name: String,
    clock: StreamClock,
    approach_frames: u64,
    feed: Option<JoinHandle<()>>,
    feed_stop: Arc<AtomicBool>,
    calls: u64,
    moved: Instant,
}

impl Conductor {
    /// Fills the output ring and starts the streams.
    pub(crate) fn new(
        opened: Opened,
        player: Option<Player>,
        recorder: Recorder,
        spec: &RigSpec,
        length: Length,
        control: Arc<Control>,
        blocks: SyncSender<CapturedBlock>,
    ) -> Result<Self, EngineError> {
        let rate_hz = spec.sample_rate_hz;
        let input = opened.input;
        input.stream.play().map_err(|error| refused(&error, "input", &input.name))?;
        let mut streams = vec![input.stream];
        let mut output = None;
        if let (Some(opened), Some(player)) = (opened.output, player) {
            let approach_frames = player.approach_frames() as u64;
            let end = player.total_frames().map_or(u64::MAX, |frames| frames as u64);
            opened.ends.shared.end.store(end, Ordering::Release);
            control.approaching.store(approach_frames > 0, Ordering::Relaxed);
            let feed_stop = Arc::new(AtomicBool::new(false));
            let feed =
                Feed::new(player, opened.ends.ring, opened.channels).run(Arc::clone(&feed_stop)).map_err(
                    |error| EngineError::Refused { text: format!("no thread could be started: {error}") },
                )?;
            opened.stream.play().map_err(|error| refused(&error, "output", &opened.name))?;
            streams.push(opened.stream);
            output = Some(Output {
                shared: opened.ends.shared,
                ticks: opened.ends.ticks,
                flags: opened.flags,
                name: opened.name,
                clock: StreamClock::new(rate_hz, opened.buffer_frames),
                approach_frames,
                feed: Some(feed),
                feed_stop,
                calls: 0,
                moved: Instant::now(),
            });
        }
        let target = match length {
            Length::Seconds(seconds) => Some(((seconds * f64::from(rate_hz)).round() as u64).max(1)),
            Length::Playback { .. } | Length::UntilStopped => None,
        };
        Ok(Self {
            streams,
            input: input.ends,
            input_flags: input.flags,
            input_name: input.name,
            input_channels: input.channels,
            input_clock: StreamClock::new(rate_hz, input.buffer_frames),
            output,
            recorder,
            control,
            blocks,
            wires: spec.inputs.iter().map(|input| usize::from(input.channel) - 1).collect(),
            rate_hz,
            length,
            target,
            taken: 0,
            overflow: None,
            overflown: 0,
            lost: 0,
            xruns: 0,
            missed: false,
            moved: Instant::now(),
            kept: Vec::with_capacity(BLOCK_FRAMES * spec.inputs.len()),
        })
    }

    /// Runs until the capture is over, then closes everything.
    pub(crate) fn run(mut self) -> CaptureEnd {
        loop {
            self.read_ticks();
            let approaching = self.approaching();
            let moved = if approaching { self.discard() } else { self.take() };
            if moved {
                self.moved = Instant::now();
            }
            if self.reached() || self.broken() {
                break;
            }
            if self.control.is_stopped() {
                break;
            }
            if !moved {
                thread::sleep(PAUSE);
            }
        }
        self.fade_out();
        self.close()
    }

    /// Whether the approach to a new level still sounds.
    fn approaching(&self) -> bool {
        let sounds = self
            .output
            .as_ref()
            .is_some_and(|output| output.shared.played.load(Ordering::Relaxed) < output.approach_frames);
        if !sounds {
            self.control.approached.store(true, Ordering::Relaxed);
        }
        self.control.approaching.store(sounds, Ordering::Relaxed);
        sounds
    }

    /// Throws away what came in during the approach.
    fn discard(&mut self) -> bool {
        let samples = self.input.ring.slots();
        if let Ok(chunk) = self.input.ring.read_chunk(samples) {
            self.taken += (samples / self.input_channels) as u64;
            chunk.commit_all();
        }
        while self.input.overflows.pop().is_ok() {}
        samples > 0
    }

    /// Takes what came in, up to the target.
    fn take(&mut self) -> bool {
        let mut available = (self.input.ring.slots() / self.input_channels) as u64;
        let moved = available > 0;
        while available > 0 {
            // The note of an overflow enters its ring before the samples that follow it.
            self.overflow = self.overflow.or_else(|| self.input.overflows.pop().ok());
            if let Some(overflow) = self.overflow.filter(|overflow| overflow.at <= self.taken) {
                self.overflow = None;
                self.overflown += overflow.frames;
                self.recorder.lose(overflow.frames);
            }
            let to_gap = self.overflow.map_or(u64::MAX, |overflow| overflow.at - self.taken);
            let to_target =
                self.target.map_or(u64::MAX, |target| target.saturating_sub(self.recorder.frames()));
            let frames = available.min(BLOCK_FRAMES as u64).min(to_gap).min(to_target);
            if frames == 0 {
                break;
            }
            self.take_block(frames as usize);
            available -= frames;
        }
        moved
    }

    /// One block: out of the ring, to disk, to the caller.
    fn take_block(&mut self, frames: usize) {
        let Ok(chunk) = self.input.ring.read_chunk(frames * self.input_channels) else { return };
        self.kept.clear();
        let (first, second) = chunk.as_slices();
        // The ring's capacity is a multiple of the channel count, so frames stay whole.
        for frame in first.chunks_exact(self.input_channels).chain(second.chunks_exact(self.input_channels)) {
            self.kept.extend(self.wires.iter().map(|&wire| frame[wire]));
        }
        chunk.commit_all();
        self.taken += frames as u64;
        let mut block = self.recorder.take(&self.kept);
        self.control.frames.store(self.recorder.frames(), Ordering::Relaxed);
        block.gap |= std::mem::take(&mut self.missed);
        if let Err(TrySendError::Full(_)) = self.blocks.try_send(block) {
            self.missed = true;
            self.recorder.find(blocks_dropped());
        }
    }

    /// Follows both clocks, and notes what the device lost.
    fn read_ticks(&mut self) {
        while let Ok(tick) = self.input.ticks.pop() {
            if let Some(lost) = self.input_clock.add(tick) {
                self.lost += lost;
                self.recorder.mark(lost);
            }
        }
        let xruns = self.input_flags.xruns.load(Ordering::Relaxed);
        if xruns > self.xruns {
            self.xruns = xruns;
            self.recorder.mark(0);
        }
        if let Some(output) = &mut self.output {
            while let Ok(tick) = output.ticks.pop() {
                output.clock.add(tick);
            }
        }
    }

    /// Whether the capture has its length.
    fn reached(&mut self) -> bool {
        if let (Length::Playback { tail_s }, None, Some(output)) = (self.length, self.target, &self.output)
            && output.shared.is_over()
        {
            // The last sample was handed over now and is heard after the device's latency.
            let latency_s = output.shared.latency_ns.load(Ordering::Relaxed) as f64 * 1e-9;
            let waiting = (self.input.ring.slots() / self.input_channels) as u64;
            let more = (tail_s + latency_s.min(2.0)) * f64::from(self.rate_hz);
            self.target = Some(self.recorder.frames() + waiting + more as u64);
        }
        self.target.is_some_and(|target| self.recorder.frames() >= target)
    }

    /// Whether something ended the capture; the finding is noted.
    fn broken(&mut self) -> bool {
        let after_s = self.recorder.frames() as f64 / f64::from(self.rate_hz);
        let mut finding = device_fault(&self.input_flags, "input", &self.input_name, after_s);
        if self.moved.elapsed() > STALL {
            finding = finding.or_else(|| Some(stalled("input", &self.input_name, after_s)));
        }
        if let Some(output) = &mut self.output {
            let calls = output.shared.calls.load(Ordering::Relaxed);
            if calls != output.calls || output.shared.is_over() {
                output.calls = calls;
                output.moved = Instant::now();
            }
            finding = finding.or_else(|| device_fault(&output.flags, "output", &output.name, after_s));
            if output.moved.elapsed() > STALL {
                finding = finding.or_else(|| Some(stalled("output", &output.name, after_s)));
            }
        }
        let found = finding.is_some();
        if let Some(finding) = finding {
            // What is still in the ring was captured before.
            self.take();
            self.recorder.find(finding);
        }
        found || self.recorder.is_broken()
    }

    /// Fades the output out, and goes on recording until it is silent.
    fn fade_out(&mut self) {
        let Some(shared) = self.output.as_ref().map(|output| Arc::clone(&output.shared)) else { return };
        shared.stop.store(true, Ordering::Relaxed);
        let start = Instant::now();
        let gone = || self.output.as_ref().is_some_and(|output| output.flags.gone.load(Ordering::Relaxed));
        while !shared.silent.load(Ordering::Acquire) && !gone() && start.elapsed() < FADE_LIMIT {
            thread::sleep(PAUSE);
        }
        // A stream that is closed drops what is still in its buffers, and the fade with it.
        if !shared.is_over() && !gone() {
            let latency = Duration::from_nanos(shared.latency_ns.load(Ordering::Relaxed));
            thread::sleep(latency.min(LATENCY_LIMIT));
        }
        if self.target.is_none() && !self.control.approaching.load(Ordering::Relaxed) {
            self.take();
        }
    }

    /// Closes streams and file, and sums up.
    fn close(mut self) -> CaptureEnd {
        if let Some(output) = &mut self.output {
            output.feed_stop.store(true, Ordering::Relaxed);
            if output.feed.take().is_some_and(|feed| feed.join().is_err()) {
                tracing::error!("the thread that feeds the output panicked");
            }
        }
        let streams = std::mem::take(&mut self.streams);
        if within(CLOSE_LIMIT, "engine-close", move || drop(streams)).is_none() {
            let text = "The audio driver did not close within 2 s. Should the next capture fail, unplug and replug the interface or restart the audio server.";
            self.recorder.find(EngineFinding::note("device-hung", text));
        }
        self.read_ticks();
        self.sum_up();
        let mut end = self.recorder.end();
        end.clock = self.output.as_ref().and_then(|output| self.input_clock.against(&output.clock));
        if let Some(clock) = end.clock
            && clock.ppm.abs() > SAME_CLOCK_PPM.max(SURE * clock.uncertainty_ppm)
        {
            end.findings.push(EngineFinding::note(
                "clocks-differ",
                format!(
                    "The recorder's clock runs {:+.0} ppm (± {:.0}) against the player's. Measurements take it into account where they can.",
                    clock.ppm, clock.uncertainty_ppm
                ),
            ));
        }
        end
    }

    /// Turns what was counted into findings.
    fn sum_up(&mut self) {
        let rate = f64::from(self.rate_hz);
        if self.overflown > 0 {
            self.recorder.find(EngineFinding::caution(
                "ring-overflow",
                format!(
                    "{:.3} s of the signal were lost because the disk or the computer was too slow; they are silence in the recording. Close other programs and record again.",
                    self.overflown as f64 / rate
                ),
            ));
        }
        let mut wrong_rate = self.input_clock.other_rate_hz();
        if let Some(output) = &self.output {
            let underrun = output.shared.underrun.load(Ordering::Relaxed);
            let xruns = output.flags.xruns.load(Ordering::Relaxed);
            if underrun > 0 || xruns > 0 {
                self.recorder.find(EngineFinding::caution(
                    "output-underrun",
                    format!(
                        "Playback was interrupted for about {:.3} s (the device reports {xruns} interruptions), so what was played is not what was asked for. Set a larger buffer_frames in the rig file and record again.",
                        underrun as f64 / rate
                    ),
                ));
            }
            let limited = output.shared.limited.load(Ordering::Relaxed);
            if limited > 0 {
                self.recorder.find(output_limited(limited));
            }
            wrong_rate = wrong_rate.or_else(|| output.clock.other_rate_hz());
        }
        let unprioritised = |flags: &Flags| flags.unprioritised.load(Ordering::Relaxed);
        let output_flags = self.output.as_ref().map(|output| &*output.flags);
        if (unprioritised(&self.input_flags) || output_flags.is_some_and(unprioritised))
            && !self.control.priority_told.swap(true, Ordering::Relaxed)
        {
            self.recorder.find(EngineFinding::note(
                "no-priority",
                "The system gives the sound no priority over other programs, which is the first cause of lost samples. Allow real-time scheduling for this user (on Linux: the service rtkit, or the group audio with an rtprio limit), or close other programs while you measure.",
            ));
        }
        if wrong_rate.is_none() && (self.lost > 0 || self.xruns > 0) {
            self.report_lost();
        }
        if let Some(true_hz) = wrong_rate {
            self.recorder.find(EngineFinding::stop(
                "rate-mismatch",
                format!(
                    "A device runs at about {true_hz:.0} Hz although {rate:.0} Hz were asked for, so every frequency and time would be wrong. Set the device to {rate:.0} Hz in the system's settings, or change sample_rate_hz in the rig file."
                ),
            ));
        }
    }

    /// What the device lost by itself.
    fn report_lost(&mut self) {
        let rate = f64::from(self.rate_hz);
        let much = match self.lost {
            0 => "a little".to_owned(),
            frames => format!("about {:.3} s", frames as f64 / rate),
        };
        self.recorder.find(EngineFinding::caution(
            "samples-lost",
            format!(
                "The input device `{}` lost {much} of the signal. Set a larger buffer_frames in the rig file, use another USB socket, and record again.",
                self.input_name
            ),
        ));
    }
}

/// What an error callback has left behind, if it ends the capture.
fn device_fault(flags: &Flags, word: &str, name: &str, after_s: f64) -> Option<EngineFinding> {
    if flags.gone.load(Ordering::Relaxed) || flags.errors.load(Ordering::Relaxed) > MANY_ERRORS {
        let text = format!(
            "The {word} device `{name}` vanished, or its driver gave up, after {after_s:.1} s. What was recorded is kept. See that it is plugged in, and repeat the capture."
        );
        return Some(EngineFinding::stop("device-gone", text));
    }
    if flags.rerouted.load(Ordering::Relaxed) {
        let text = format!(
            "After {after_s:.1} s the system moved the {word} from `{name}` to another device, so the capture was ended. Name the device in the rig file, and repeat the capture."
        );
        return Some(EngineFinding::stop("device-rerouted", text));
    }
    None
}

fn stalled(word: &str, name: &str, after_s: f64) -> EngineFinding {
    let text = format!(
        "The {word} device `{name}` fell silent after {after_s:.1} s: nothing came for 3 s. What was recorded is kept. Unplug and replug it, and repeat the capture."
    );
    EngineFinding::stop("device-stalled", text)
}
