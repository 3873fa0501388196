//! The virtual processor in the playback path, and its owner's hand on it.

use preview::{Chain, Preview};
use rtrb::{Consumer, Producer, RingBuffer};

/// How many tunings may be on their way to the path.
const WAITING: usize = 4;

/// The owner's end: hands tunings to a capture that plays, and drops those that are no
/// longer heard, which the audio callback must not do.
#[derive(Debug)]
pub struct PreviewHand {
    to: Producer<Box<Chain>>,
    back: Consumer<Box<Chain>>,
}

/// What a capture plays through: one tuning, exchanged for another without a click.
///
/// It stands behind the fades of what is played and before the fade of a stop and the
/// limiter, in the output callback itself, so that a change is heard at once.
///
/// # Real-time
/// Running it allocates and frees nothing and never waits; the test
/// `a_preview_in_the_callback_does_not_allocate` proves it.
#[derive(Debug)]
pub struct PreviewPath {
    preview: Preview,
    from: Consumer<Box<Chain>>,
    back: Producer<Box<Chain>>,
    /// The device's channel of each of the preview's, from 0.
    wires: Vec<usize>,
    /// One frame of the preview's channels.
    frame: Vec<f32>,
}

/// A path that begins with this tuning, and the hand on it. The tuning has one channel for
/// each output of the rig, in its order.
#[must_use]
pub fn preview_path(chain: Box<Chain>) -> (PreviewHand, PreviewPath) {
    let (to, from) = RingBuffer::new(WAITING);
    // Room for all that may ever be on the way, so that nothing has to be dropped there.
    let (back_in, back) = RingBuffer::new(2 * WAITING);
    let preview = Preview::new(chain);
    let frame = vec![0.0; preview.channels()];
    (PreviewHand { to, back }, PreviewPath { preview, from, back: back_in, wires: Vec::new(), frame })
}

impl PreviewHand {
    /// Hands in the next tuning; it is heard when those before it have been.
    ///
    /// # Errors
    /// Gives it back when too many wait already, or the capture is over.
    pub fn hand(&mut self, chain: Box<Chain>) -> Result<(), Box<Chain>> {
        self.clear();
        if self.to.is_abandoned() {
            return Err(chain);
        }
        self.to.push(chain).map_err(|rtrb::PushError::Full(chain)| chain)
    }

    /// Drops what is no longer heard.
    pub fn clear(&mut self) {
        while self.back.pop().is_ok() {}
    }
}

impl PreviewPath {
    /// How many channels it has.
    pub(crate) fn channels(&self) -> usize {
        self.preview.channels()
    }

    /// The rate at which it runs.
    pub(crate) fn sample_rate_hz(&self) -> f64 {
        self.preview.sample_rate_hz()
    }

    /// Wires its channels to those of a device.
    pub(crate) fn wire(&mut self, wires: &[usize]) {
        self.wires = wires.to_vec();
    }

    /// Runs whole interleaved frames of a device with so many channels through it.
    pub(crate) fn run(&mut self, frames: &mut [f32], channels: usize) {
        self.exchange();
        for played in frames.chunks_exact_mut(channels) {
            for (sample, &wire) in self.frame.iter_mut().zip(&self.wires) {
                *sample = played[wire];
            }
            self.preview.process(&mut self.frame);
            for (sample, &wire) in self.frame.iter().zip(&self.wires) {
                played[wire] = *sample;
            }
        }
    }

    /// Gives back what is no longer heard, and takes what comes next.
    fn exchange(&mut self) {
        // Twice: the one that comes back, and one that is refused.
        if self.preview.is_switching() || self.back.slots() < 2 {
            return;
        }
        // There is room for both.
        if let Some(old) = self.preview.retired() {
            let _ = self.back.push(old);
        }
        if let Ok(next) = self.from.pop()
            && let Err(unfit) = self.preview.switch(next)
        {
            let _ = self.back.push(unfit);
        }
    }
}

#[cfg(test)]
mod tests {
    use dsp::biquad::{Biquad, Cascade};
    use preview::ChannelSettings;
    use testkit::{allocations, near};

    use super::*;
    use crate::realtime::{OutputHalf, Playing};

    const RATE: u32 = 48_000;

    fn chain(gain_db: f64) -> Box<Chain> {
        let filters =
            Cascade::new(vec![Biquad::peak(f64::from(RATE), 1_000.0, gain_db, 1.4).expect("a filter")]);
        let channel = ChannelSettings { filters, delay_s: 0.001, ..ChannelSettings::default() };
        Chain::prepare(f64::from(RATE), &[channel.clone(), channel], false).expect("a chain")
    }

    /// A sine of 1 kHz on the second and third of three channels.
    fn tone(frames: usize, from: usize) -> Vec<f32> {
        let sample = |n: usize| 0.2 * (std::f64::consts::TAU * 1_000.0 * n as f64 / f64::from(RATE)).sin();
        (from..from + frames).flat_map(|n| [0.0, sample(n) as f32, sample(n) as f32]).collect()
    }

    #[test]
    fn a_preview_in_the_callback_does_not_allocate() {
        let (mut hand, mut path) = preview_path(chain(0.0));
        path.wire(&[1, 2]);
        let (mut half, mut ends) =
            OutputHalf::new(3, 48_000, RATE, 0.0, Playing { control: Default::default(), path: Some(path) });
        let mut data = vec![0.0_f32; 3 * 256];
        let mut peak = 0.0_f32;
        for block in 0..150 {
            ends.ring.push_entire_slice(&tone(256, 256 * block)).expect("there is room");
            if block == 10 {
                hand.hand(chain(-6.0)).expect("there is room");
            }
            if block == 60 {
                hand.hand(chain(6.0)).expect("there is room");
            }
            assert_eq!(allocations(|| half.fill(&mut data)), 0, "block {block}");
            assert!(data.iter().step_by(3).all(|&x| x == 0.0), "a channel without a wire stays silent");
            peak = data.iter().fold(0.0, |peak: f32, x| peak.max(x.abs()));
            if block == 50 {
                // Source: analytic: −6 dB at the centre of the peak.
                near("with −6 dB", f64::from(peak), 0.2 * 10_f64.powf(-0.3), 1e-3);
            }
        }
        near("with +6 dB", f64::from(peak), 0.2 * 10_f64.powf(0.3), 2e-3);
    }

    /// Source: analytic: the second difference of a sine is at most `A·(2π f/fs)²`; a hard
    /// change of 12 dB at its crest would be a step of most of the amplitude.
    #[test]
    fn a_change_while_it_plays_makes_no_click() {
        let (mut hand, mut path) = preview_path(chain(-6.0));
        path.wire(&[1, 2]);
        let mut heard: Vec<f64> = Vec::new();
        for block in 0..150 {
            let mut data = tone(256, 256 * block);
            if block == 40 {
                hand.hand(chain(6.0)).expect("there is room");
            }
            path.run(&mut data, 3);
            // What comes before is the beginning of the tone itself.
            if block >= 20 {
                heard.extend(data.iter().skip(1).step_by(3).map(|&x| f64::from(x)));
            }
        }
        let rough = heard.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).fold(0.0, f64::max);
        let crest = 0.2 * 10_f64.powf(0.3);
        let smooth = crest * (std::f64::consts::TAU * 1_000.0 / f64::from(RATE)).powi(2);
        testkit::at_most("second difference", rough, 1.05 * smooth);
    }

    #[test]
    fn what_comes_too_fast_or_too_late_comes_back() {
        let (mut hand, path) = preview_path(chain(0.0));
        for _ in 0..WAITING {
            hand.hand(chain(1.0)).expect("there is room");
        }
        assert!(hand.hand(chain(1.0)).is_err(), "nobody takes them");
        drop(path);
        let (mut hand, path) = preview_path(chain(0.0));
        drop(path);
        assert!(hand.hand(chain(1.0)).is_err(), "the capture is over");
    }
}
