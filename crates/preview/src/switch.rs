//! Running a tuning, and going over to another without a click.

use dsp::window::rise;

use crate::Chain;
use crate::chain::CHUNK;

/// How long one tuning fades into another.
const FADE_S: f64 = 0.03;
/// How long the next one runs unheard before, beyond its longest delay, so that its filters
/// have found their state.
const WARM_UP_S: f64 = 0.05;

/// Where a change stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// The next chain runs unheard for so many frames more.
    Warming(usize),
    /// So many frames of the fade are over.
    Fading(usize),
}

/// A virtual processor in the playback path.
///
/// # Real-time
/// [`Preview::process`], [`Preview::switch`] and [`Preview::retired`] allocate and free
/// nothing and never wait; a frame costs its filters, twice while one tuning fades into
/// another. Proved by `nothing_is_allocated_while_running`.
#[derive(Debug)]
pub struct Preview {
    now: Box<Chain>,
    next: Option<(Box<Chain>, Stage)>,
    retired: Option<Box<Chain>>,
    fade_frames: usize,
    warm_up_frames: usize,
}

impl Preview {
    /// Begins with this tuning.
    #[must_use]
    pub fn new(chain: Box<Chain>) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few thousand frames")]
        let frames = |seconds: f64| ((seconds * chain.sample_rate_hz()).round() as usize).max(1);
        let (fade_frames, warm_up_frames) = (frames(FADE_S), frames(WARM_UP_S));
        Self { now: chain, next: None, retired: None, fade_frames, warm_up_frames }
    }

    /// How many channels a frame has.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.now.channels()
    }

    /// The rate at which it runs.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.now.sample_rate_hz()
    }

    /// Goes over to another tuning: it warms up, then the present one fades into it.
    ///
    /// # Errors
    /// Gives the chain back when it does not fit (another rate or number of channels), when
    /// a change is still under way, or when the last one was not taken with
    /// [`Preview::retired`] yet.
    pub fn switch(&mut self, next: Box<Chain>) -> Result<(), Box<Chain>> {
        let fits = next.channels() == self.now.channels()
            && (next.sample_rate_hz() - self.now.sample_rate_hz()).abs() < 1e-6;
        if !fits || self.next.is_some() || self.retired.is_some() {
            return Err(next);
        }
        let warm_up = self.warm_up_frames + next.longest_delay();
        self.next = Some((next, Stage::Warming(warm_up)));
        Ok(())
    }

    /// Whether a change is under way.
    #[must_use]
    pub fn is_switching(&self) -> bool {
        self.next.is_some()
    }

    /// The tuning that is no longer heard, to be dropped where freeing is allowed.
    pub fn retired(&mut self) -> Option<Box<Chain>> {
        self.retired.take()
    }

    /// Runs interleaved frames through the tuning, in place. A part of a frame at the end is
    /// left as it is.
    pub fn process(&mut self, block: &mut [f32]) {
        let channels = self.now.channels();
        let mut rest = &mut block[..];
        while rest.len() >= channels {
            let left = match &self.next {
                None => usize::MAX,
                Some((_, Stage::Warming(left))) => left + 1,
                Some((_, Stage::Fading(done))) => self.fade_frames - done,
            };
            let frames = (rest.len() / channels).min(CHUNK).min(left);
            let (chunk, later) = rest.split_at_mut(frames * channels);
            self.chunk(chunk, frames);
            rest = later;
        }
    }

    /// Some whole frames that lie within one stage of a change.
    fn chunk(&mut self, chunk: &mut [f32], frames: usize) {
        let channels = self.now.channels();
        self.now.run(chunk);
        if let Some((next, _)) = &mut self.next {
            next.run(chunk);
        }
        for (frame, samples) in chunk.chunks_exact_mut(channels).enumerate() {
            for (channel, sample) in samples.iter_mut().enumerate() {
                let old = self.now.sample(frame, channel);
                *sample = single(match &self.next {
                    Some((next, Stage::Fading(done))) => {
                        let share = rise(part(done + frame, self.fade_frames));
                        old + share * (next.sample(frame, channel) - old)
                    }
                    _ => old,
                });
            }
        }
        let Some((_, stage)) = &mut self.next else { return };
        *stage = match *stage {
            Stage::Warming(left) if frames > left => Stage::Fading(0),
            Stage::Warming(left) => Stage::Warming(left - frames),
            Stage::Fading(done) => Stage::Fading(done + frames),
        };
        if *stage == Stage::Fading(self.fade_frames)
            && let Some((next, _)) = self.next.take()
        {
            self.retired = Some(std::mem::replace(&mut self.now, next));
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "a few thousand frames")]
fn part(frames: usize, of: usize) -> f64 {
    frames as f64 / of as f64
}

#[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
fn single(sample: f64) -> f32 {
    sample as f32
}

#[cfg(test)]
mod tests {
    use dsp::biquad::{Biquad, Cascade};
    use testkit::{at_most, near};

    use super::*;
    use crate::ChannelSettings;

    const RATE: f64 = 48_000.0;

    fn straight() -> Box<Chain> {
        Chain::prepare(RATE, &[ChannelSettings::default(), ChannelSettings::default()], false).unwrap()
    }

    fn tuned(invert: bool) -> Box<Chain> {
        let filters = Cascade::new(vec![
            Biquad::peak(RATE, 100.0, 9.0, 2.0).unwrap(),
            Biquad::high_shelf(RATE, 2_000.0, -6.0, 0.7).unwrap(),
        ]);
        let channel = ChannelSettings { filters, delay_s: 0.004, gain_db: -3.0, invert };
        Chain::prepare(RATE, &[channel.clone(), channel], true).unwrap()
    }

    fn tone(frames: usize) -> Vec<f32> {
        (0..frames).flat_map(|n| [single(0.5 * (0.02 * n as f64).sin()); 2]).collect()
    }

    /// The greatest second difference of the first channel: what a click is heard by.
    fn roughness(block: &[f32]) -> f64 {
        let left: Vec<f64> = block.iter().step_by(2).map(|sample| f64::from(*sample)).collect();
        left.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).fold(0.0, f64::max)
    }

    /// Source: analytic; a sine's second difference is `2 (1 − cos w)` of its peak. A hard change
    /// between the two is a step of up to half the peak.
    #[test]
    fn a_change_is_not_heard_as_a_click() {
        for invert in [false, true] {
            let mut preview = Preview::new(straight());
            let mut block = tone(24_000);
            let still = roughness(&block[..2_000]);
            preview.process(&mut block[..4_000]);
            preview.switch(tuned(invert)).unwrap();
            for piece in block[4_000..].chunks_mut(254) {
                preview.process(piece);
            }
            assert!(!preview.is_switching());
            let tuned_peak = block[40_000..].iter().map(|s| f64::from(s.abs())).fold(0.0, f64::max);
            let largest = tuned_peak.max(0.5) / 0.5;
            at_most("roughness at the change", roughness(&block), 1.5 * largest * still);
            // A hard change, for comparison, is far rougher.
            let mut hard = tone(4_000);
            let mut second = Preview::new(tuned(true));
            second.process(&mut hard[4_020..]);
            assert!(roughness(&hard) > 20.0 * still, "{} {still}", roughness(&hard));
        }
    }

    #[test]
    fn a_straight_wire_is_one_and_the_old_chain_comes_back() {
        let mut preview = Preview::new(straight());
        let mut block = tone(1_000);
        preview.process(&mut block);
        for (got, wanted) in block.iter().zip(tone(1_000)) {
            near("sample", f64::from(*got), f64::from(wanted), 1e-7);
        }
        preview.switch(tuned(false)).unwrap();
        assert!(preview.switch(tuned(false)).is_err(), "one change at a time");
        preview.process(&mut tone(48_000));
        assert!(preview.switch(straight()).is_err(), "the old one was not taken yet");
        assert!(preview.retired().is_some());
        preview.switch(straight()).unwrap();
        let mono = Chain::prepare(RATE, &[ChannelSettings::default()], false).unwrap();
        assert!(preview.switch(mono).is_err());
    }
}
