//! The two halves that run inside the audio callbacks.
//!
//! They copy between the device and a ring, fade and limit, count, and note times.
//! # Real-time
//! Neither half allocates, locks, logs or calls the system; the test
//! `callbacks_do_not_allocate` proves the first.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use rtrb::{Consumer, Producer, RingBuffer};

use crate::PreviewPath;
use crate::capture::Control;
use crate::clock::Tick;
use crate::stage::{OutputStage, raised_cosine};

/// Frames that found no room in the ring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Overflow {
    /// How many frames had entered the ring before.
    pub(crate) at: u64,
    /// How many did not.
    pub(crate) frames: u64,
}

/// How many ticks are kept until they are read: 20 s of 10 ms buffers.
const TICKS: usize = 2_048;
/// How many separate overflows are kept until they are read.
const OVERFLOWS: usize = 256;
/// How many frames are converted at once when a device does not speak `f32`.
pub(crate) const CONVERTED_FRAMES: usize = 1_024;

/// How many frames an interruption of what is played takes to fade, out and in.
const INTERRUPTION_FRAMES: usize = 32;

/// What a stream's error callback leaves behind.
#[derive(Debug, Default)]
pub(crate) struct Flags {
    /// The device is no longer there.
    pub(crate) gone: AtomicBool,
    /// The system moved the stream to another device.
    pub(crate) rerouted: AtomicBool,
    /// The device lost samples and said so.
    pub(crate) xruns: AtomicU64,
    /// The system refused the callback's thread its priority.
    pub(crate) unprioritised: AtomicBool,
    /// Everything else.
    pub(crate) errors: AtomicU64,
}

/// What the output callback and the rest of the engine tell each other.
#[derive(Debug)]
pub(crate) struct OutputShared {
    /// Asks the callback to fade out.
    pub(crate) stop: AtomicBool,
    /// The callback has faded out.
    pub(crate) silent: AtomicBool,
    /// How many frames there will be in all, once that is known.
    pub(crate) end: AtomicU64,
    /// How many frames of the signal were handed to the device.
    pub(crate) played: AtomicU64,
    /// How many frames were missing when they were due.
    pub(crate) underrun: AtomicU64,
    /// How many samples the limiter held.
    pub(crate) limited: AtomicU64,
    /// How often the callback was called.
    pub(crate) calls: AtomicU64,
    /// How long after its callback the end of a buffer is heard.
    pub(crate) latency_ns: AtomicU64,
}

/// What the output callback needs beside its ring.
#[derive(Debug)]
pub(crate) struct Playing {
    /// Tells when to stop.
    pub(crate) control: Arc<Control>,
    /// The virtual processor, where there is one.
    pub(crate) path: Option<PreviewPath>,
}

/// The half inside the output callback.
#[derive(Debug)]
pub(crate) struct OutputHalf {
    ring: Consumer<f32>,
    ticks: Producer<Tick>,
    playing: Playing,
    interruption: Interruption,
    stage: OutputStage,
    channels: usize,
    rate_hz: u64,
    shared: Arc<OutputShared>,
    /// Frames handed to the device, silence included.
    frames: u64,
}

/// The other ends of an [`OutputHalf`].
#[derive(Debug)]
pub(crate) struct OutputEnds {
    pub(crate) ring: Producer<f32>,
    pub(crate) ticks: Consumer<Tick>,
    pub(crate) shared: Arc<OutputShared>,
}

impl OutputHalf {
    pub(crate) fn new(
        channels: usize,
        ring_frames: usize,
        rate_hz: u32,
        ceiling_dbfs: f64,
        playing: Playing,
    ) -> (Self, OutputEnds) {
        let (ring_in, ring) = RingBuffer::new(ring_frames * channels);
        let (ticks, ticks_out) = RingBuffer::new(TICKS);
        let shared = Arc::new(OutputShared {
            stop: AtomicBool::new(false),
            silent: AtomicBool::new(false),
            end: AtomicU64::new(u64::MAX),
            played: AtomicU64::new(0),
            underrun: AtomicU64::new(0),
            limited: AtomicU64::new(0),
            calls: AtomicU64::new(0),
            latency_ns: AtomicU64::new(0),
        });
        let stage = OutputStage::new(channels, rate_hz, ceiling_dbfs);
        let half = Self {
            ring,
            ticks,
            playing,
            interruption: Interruption::new(channels),
            stage,
            channels,
            rate_hz: u64::from(rate_hz),
            shared: Arc::clone(&shared),
            frames: 0,
        };
        (half, OutputEnds { ring: ring_in, ticks: ticks_out, shared })
    }

    /// Notes when a buffer of so many samples will be heard: once per callback, before
    /// [`fill`](Self::fill). Devices tell when its first frame is heard; the last is what a
    /// stop waits for.
    pub(crate) fn tick(&mut self, callback_ns: u64, playback_ns: u64, samples: usize) {
        let length_ns = (samples / self.channels) as u64 * 1_000_000_000 / self.rate_hz;
        let latency_ns = playback_ns.saturating_sub(callback_ns) + length_ns;
        self.shared.calls.fetch_add(1, Ordering::Relaxed);
        self.shared.latency_ns.store(latency_ns, Ordering::Relaxed);
        // A full ring only costs the clock estimate a point.
        let _ = self.ticks.push(Tick { frames: self.frames, ns: playback_ns });
    }

    /// Fills a buffer of whole frames.
    pub(crate) fn fill(&mut self, data: &mut [f32]) {
        let shared = &*self.shared;
        let channels = self.channels as u64;
        self.frames += data.len() as u64 / channels;
        if shared.silent.load(Ordering::Relaxed) {
            data.fill(0.0);
            return;
        }
        // The end is read before the ring: whoever fills it sets the end first.
        let end = shared.end.load(Ordering::Acquire);
        let (sounding, missing) = self.ring.pop_partial_slice(data);
        let (played, missing_frames) = (sounding.len() as u64 / channels, missing.len() as u64 / channels);
        let played = shared.played.fetch_add(played, Ordering::Relaxed) + played;
        let underrun = missing_frames.min(end.saturating_sub(played));
        self.interruption.smooth(sounding, missing, underrun > 0);
        let stop = shared.stop.load(Ordering::Relaxed) || self.playing.control.is_stopped();
        if underrun > 0 && !stop {
            shared.underrun.fetch_add(underrun, Ordering::Relaxed);
        }
        if let Some(path) = &mut self.playing.path {
            path.run(data, self.channels);
        }
        let limited = self.stage.apply(data, stop);
        if limited > 0 {
            shared.limited.fetch_add(limited, Ordering::Relaxed);
        }
        if self.stage.is_silent() {
            shared.silent.store(true, Ordering::Release);
        }
    }
}

/// Takes the steps out of an interruption: where samples are missing, the last frame fades to
/// silence, and what comes after fades in. A step at full level is a click that a tweeter feels.
#[derive(Debug)]
struct Interruption {
    /// From 0 to 1.
    ramp: Vec<f32>,
    /// The frame that was heard last.
    heard: Vec<f32>,
    /// The frame that fades to silence.
    tail: Vec<f32>,
    /// How many frames of the tail are left.
    tail_frames: usize,
    /// How many frames of what came back were played; as many as the ramp has when it is whole.
    back_frames: usize,
    /// Whether the last frame was one of the signal.
    sounded: bool,
}

impl Interruption {
    fn new(channels: usize) -> Self {
        let ramp = raised_cosine(INTERRUPTION_FRAMES);
        let silence = vec![0.0; channels];
        Self {
            back_frames: ramp.len(),
            ramp,
            heard: silence.clone(),
            tail: silence,
            tail_frames: 0,
            sounded: false,
        }
    }

    /// Smooths both ends of a gap between `sounding` and `missing`, which together are one
    /// buffer. Where nothing was to be played any more, nothing was `interrupted`.
    fn smooth(&mut self, sounding: &mut [f32], missing: &mut [f32], interrupted: bool) {
        let channels = self.heard.len();
        for frame in sounding.chunks_exact_mut(channels) {
            let Some(gain) = self.ramp.get(self.back_frames) else { break };
            frame.iter_mut().for_each(|x| *x *= gain);
            self.back_frames += 1;
            self.add_tail(frame);
        }
        if let Some(frame) = sounding.chunks_exact(channels).next_back() {
            self.heard.copy_from_slice(frame);
            self.sounded = true;
        }
        missing.fill(0.0);
        if !missing.is_empty() && std::mem::take(&mut self.sounded) && interrupted {
            self.tail.copy_from_slice(&self.heard);
            self.tail_frames = self.ramp.len();
            self.back_frames = 0;
        }
        for frame in missing.chunks_exact_mut(channels) {
            if self.tail_frames == 0 {
                break;
            }
            self.add_tail(frame);
        }
    }

    fn add_tail(&mut self, frame: &mut [f32]) {
        self.tail_frames = self.tail_frames.saturating_sub(1);
        if self.tail_frames > 0 {
            for (x, tail) in frame.iter_mut().zip(&self.tail) {
                *x += tail * self.ramp[self.tail_frames];
            }
        }
    }
}

impl OutputShared {
    /// Whether everything there is was handed to the device.
    pub(crate) fn is_over(&self) -> bool {
        self.played.load(Ordering::Relaxed) >= self.end.load(Ordering::Relaxed)
    }
}

/// The half inside the input callback.
#[derive(Debug)]
pub(crate) struct InputHalf {
    ring: Producer<f32>,
    ticks: Producer<Tick>,
    overflows: Producer<Overflow>,
    channels: usize,
    /// Frames in the ring so far.
    pushed: u64,
    /// Frames of a device so far.
    frames: u64,
    /// Lost frames that were not yet noted.
    lost: u64,
}

/// The other ends of an [`InputHalf`].
#[derive(Debug)]
pub(crate) struct InputEnds {
    pub(crate) ring: Consumer<f32>,
    pub(crate) ticks: Consumer<Tick>,
    pub(crate) overflows: Consumer<Overflow>,
}

impl InputHalf {
    pub(crate) fn new(channels: usize, ring_frames: usize) -> (Self, InputEnds) {
        let (ring, ring_out) = RingBuffer::new(ring_frames * channels);
        let (ticks, ticks_out) = RingBuffer::new(TICKS);
        let (overflows, overflows_out) = RingBuffer::new(OVERFLOWS);
        let half = Self { ring, ticks, overflows, channels, pushed: 0, frames: 0, lost: 0 };
        (half, InputEnds { ring: ring_out, ticks: ticks_out, overflows: overflows_out })
    }

    /// Notes when a buffer was captured: once per callback, before [`take`](Self::take).
    pub(crate) fn tick(&mut self, capture_ns: u64) {
        // A full ring only costs the clock estimate a point.
        let _ = self.ticks.push(Tick { frames: self.frames, ns: capture_ns });
    }

    /// Takes a buffer of whole frames, all of it or nothing, so that a gap falls between
    /// frames.
    pub(crate) fn take(&mut self, data: &[f32]) {
        let frames = (data.len() / self.channels) as u64;
        self.frames += frames;
        if self.lost > 0 && self.ring.slots() >= data.len() {
            // Noted before the samples that follow it, and kept when it cannot be.
            match self.overflows.push(Overflow { at: self.pushed, frames: self.lost }) {
                Ok(()) => self.lost = 0,
                Err(_) => {
                    self.lost += frames;
                    return;
                }
            }
        }
        match self.ring.push_entire_slice(data) {
            Ok(()) => self.pushed += frames,
            Err(_) => self.lost += frames,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_overflow_is_counted_and_placed_between_whole_buffers() {
        let (mut half, mut ends) = InputHalf::new(2, 10);
        half.take(&[1.0; 12]);
        half.take(&[2.0; 12]);
        half.take(&[3.0; 4]);
        half.take(&[4.0; 12]);
        let chunk = ends.ring.read_chunk(16).unwrap();
        assert_eq!(chunk.as_slices().0, [[1.0; 12].as_slice(), &[3.0; 4]].concat());
        chunk.commit_all();
        assert_eq!(ends.overflows.pop().unwrap(), Overflow { at: 6, frames: 6 });
        half.take(&[5.0; 2]);
        assert_eq!(ends.overflows.pop().unwrap(), Overflow { at: 8, frames: 6 });
        assert_eq!(ends.ring.slots(), 2);
        half.tick(7);
        assert_eq!(ends.ticks.pop().unwrap(), Tick { frames: 21, ns: 7 });
    }

    #[test]
    fn a_stop_waits_for_the_end_of_a_buffer_and_not_for_its_beginning() {
        let (mut half, ends) = OutputHalf::new(2, 100, 48_000, 0.0, playing());
        half.tick(1_000_000, 21_000_000, 2 * 4_800);
        assert_eq!(ends.shared.latency_ns.load(Ordering::Relaxed), 120_000_000);
    }

    #[test]
    fn an_underrun_is_counted_and_the_end_is_not_one() {
        let (mut half, mut ends) = OutputHalf::new(2, 100, 48_000, 0.0, playing());
        let push = |ends: &mut OutputEnds, frames: usize| {
            ends.ring.push_entire_slice(&vec![0.5; frames * 2]).unwrap();
        };
        push(&mut ends, 6);
        let mut data = [9.0; 16];
        half.fill(&mut data);
        assert_eq!(data[..12], [0.5; 12]);
        assert_eq!(ends.shared.underrun.load(Ordering::Relaxed), 2);
        ends.shared.end.store(9, Ordering::Release);
        push(&mut ends, 3);
        half.fill(&mut data);
        assert_eq!(ends.shared.underrun.load(Ordering::Relaxed), 2);
        assert!(ends.shared.is_over());
    }

    /// Source: analytic: the steepest slope of a raised cosine over N frames is π/2N.
    #[test]
    fn an_underrun_fades_out_and_in_without_a_step() {
        let (mut half, mut ends) = OutputHalf::new(2, 1_000, 48_000, 0.0, playing());
        let mut heard = Vec::new();
        for frames in [100, 90, 3, 0, 0, 100, 50, 64] {
            ends.ring.push_entire_slice(&vec![0.8; 2 * frames]).unwrap();
            let mut data = [9.0; 200];
            half.fill(&mut data);
            heard.extend(data.chunks(2).map(|frame| frame[0]));
        }
        assert_eq!(ends.shared.underrun.load(Ordering::Relaxed), 10 + 97 + 200 + 50 + 36);
        let bound = 0.8 * std::f64::consts::FRAC_PI_2 / INTERRUPTION_FRAMES as f64 * 1.01;
        for pair in heard.windows(2) {
            testkit::at_most("step", f64::from((pair[1] - pair[0]).abs()), bound);
        }
        assert!(heard[340..500].iter().all(|&x| x == 0.0), "silence between");
        assert!(heard[540..600].iter().all(|&x| x == 0.8), "whole again after the fade");
    }

    #[test]
    fn the_callback_reads_the_stop_switch_itself() {
        let switch = crate::StopSwitch::default();
        let control = Arc::new(Control::of(Some(switch.begin()), &Arc::default()));
        let (mut half, mut ends) = OutputHalf::new(1, 4_000, 48_000, 0.0, Playing { control, path: None });
        ends.ring.push_entire_slice(&[0.5; 4_000]).unwrap();
        let mut data = [0.0; 1_024];
        half.fill(&mut data);
        assert_eq!(data[1_023], 0.5);
        switch.stop();
        half.fill(&mut data);
        assert!(data[0] > 0.49 && data[480..].iter().all(|&x| x == 0.0));
    }

    fn playing() -> Playing {
        Playing { control: Arc::new(Control::default()), path: None }
    }

    #[test]
    fn after_a_stop_nothing_is_played() {
        let (mut half, mut ends) = OutputHalf::new(1, 4_000, 48_000, 0.0, playing());
        ends.ring.push_entire_slice(&[0.5; 4_000]).unwrap();
        ends.shared.stop.store(true, Ordering::Relaxed);
        let mut data = [0.0; 1_024];
        half.fill(&mut data);
        assert!(data[0] > 0.49 && data[480..].iter().all(|&x| x == 0.0));
        assert!(ends.shared.silent.load(Ordering::Relaxed));
        half.fill(&mut data);
        assert!(data.iter().all(|&x| x == 0.0));
        assert_eq!(ends.shared.underrun.load(Ordering::Relaxed), 0);
    }
}
