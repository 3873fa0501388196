//! One tuning, prepared to run.

use dsp::bank::{Bank, Frame};
use dsp::biquad::Cascade;

/// The longest delay that can be heard in a preview.
pub const LONGEST_DELAY_S: f64 = 0.1;

/// What one channel of the playback goes through.
#[derive(Debug, Clone, Default)]
pub struct ChannelSettings {
    /// Bands and crossover filters, one after the other.
    pub filters: Cascade,
    /// The delay; it is rounded to whole samples.
    pub delay_s: f64,
    /// The gain in dB.
    pub gain_db: f64,
    /// Whether the polarity is turned over.
    pub invert: bool,
}

/// Why a chain cannot be prepared.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum PreviewError {
    /// Nothing to play through.
    #[error("a preview needs at least one channel")]
    NoChannel,
    /// A rate that makes no sense.
    #[error("the sample rate is {0} Hz; expected 8000 to 768000 Hz")]
    SampleRate(f64),
    /// A filter that was made for another rate would sound at another frequency.
    #[error(
        "a filter of channel {channel} was made for {made_for_hz} Hz and would run at {sample_rate_hz} Hz"
    )]
    OtherRate {
        /// Which channel, from 1.
        channel: usize,
        /// The rate that it was made for.
        made_for_hz: f64,
        /// The rate of the preview.
        sample_rate_hz: f64,
    },
    /// A delay or gain that cannot be heard.
    #[error("channel {channel}: `{what}` is {value}; expected {expected}")]
    Limit {
        /// Which channel, from 1.
        channel: usize,
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What it should be.
        expected: &'static str,
    },
}

/// How many frames are worked on at once.
pub(crate) const CHUNK: usize = 64;

/// How many channels run side by side.
const LANES: usize = 4;

/// The filters of some channels, and room for a chunk of their samples.
#[derive(Debug, Clone)]
struct Group {
    bank: Bank<LANES>,
    frames: Vec<Frame<LANES>>,
}

/// One channel at work.
#[derive(Debug, Clone)]
struct Channel {
    /// What its group's bank runs.
    filters: Cascade,
    gain: f64,
    /// The samples on their way; its length is the delay.
    late: Vec<f64>,
    at: usize,
}

/// A tuning that is ready to run.
#[derive(Debug, Clone)]
pub struct Chain {
    channels: Vec<Channel>,
    groups: Vec<Group>,
    sample_rate_hz: f64,
    loudness_db: f64,
}

impl Chain {
    /// Makes a tuning ready. With `level_matched` its gain is set so that pink noise on all
    /// channels is as loud through it as through a straight wire: louder does not sound better.
    ///
    /// # Errors
    /// When the settings make no sense at this rate.
    pub fn prepare(
        sample_rate_hz: f64,
        settings: &[ChannelSettings],
        level_matched: bool,
    ) -> Result<Box<Self>, PreviewError> {
        if settings.is_empty() {
            return Err(PreviewError::NoChannel);
        }
        if !(8_000.0..=768_000.0).contains(&sample_rate_hz) {
            return Err(PreviewError::SampleRate(sample_rate_hz));
        }
        let mut channels = Vec::with_capacity(settings.len());
        for (index, channel) in settings.iter().enumerate() {
            channels.push(Channel::new(sample_rate_hz, index + 1, channel)?);
        }
        let loudness_db = loudness_db(sample_rate_hz, &channels);
        let groups = channels.chunks(LANES).map(Group::new).collect();
        let mut chain = Self { channels, groups, sample_rate_hz, loudness_db };
        if level_matched {
            let gain = 10f64.powf(-chain.loudness_db / 20.0);
            chain.channels.iter_mut().for_each(|channel| channel.gain *= gain);
        }
        Ok(Box::new(chain))
    }

    /// How much louder than through a straight wire pink noise is, before levels were matched.
    #[must_use]
    pub fn loudness_db(&self) -> f64 {
        self.loudness_db
    }

    /// How loud pink noise is through it against a straight wire, each frequency counted with a
    /// weight in dB: the ear's, and what the room does to the sound on its way. Its own gains
    /// count.
    #[must_use]
    pub fn weighted_loudness_db(&self, weight_db: &dyn Fn(f64) -> f64) -> f64 {
        let straight = Channel { filters: Cascade::default(), gain: 1.0, late: Vec::new(), at: 0 };
        weighted_db(self.sample_rate_hz, &self.channels, weight_db)
            - weighted_db(self.sample_rate_hz, &[straight], weight_db)
    }

    /// How many channels it has.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.channels.len()
    }

    /// The rate at which it runs.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// The longest of its delays, in frames.
    pub(crate) fn longest_delay(&self) -> usize {
        self.channels.iter().map(|channel| channel.late.len()).max().unwrap_or(0)
    }

    /// Works on at most [`CHUNK`] interleaved frames, to be read by [`Chain::sample`].
    ///
    /// # Real-time
    /// Allocates nothing; some 4 nanoseconds for each filter section of four channels.
    pub(crate) fn run(&mut self, block: &[f32]) {
        let count = self.channels.len();
        let frames = block.len() / count;
        for (number, (group, channels)) in
            self.groups.iter_mut().zip(self.channels.chunks_mut(LANES)).enumerate()
        {
            let group_frames = &mut group.frames[..frames];
            for (frame, samples) in group_frames.iter_mut().zip(block.chunks_exact(count)) {
                for (slot, sample) in frame.iter_mut().zip(&samples[number * LANES..]) {
                    *slot = f64::from(*sample);
                }
            }
            group.bank.run(group_frames);
            for (lane, channel) in channels.iter_mut().enumerate() {
                for frame in &mut *group_frames {
                    frame[lane] = channel.gain_and_delay(frame[lane]);
                }
            }
        }
    }

    /// What became of a channel's sample in one of the frames that were worked on last.
    #[inline]
    pub(crate) fn sample(&self, frame: usize, channel: usize) -> f64 {
        self.groups[channel / LANES].frames[frame][channel % LANES]
    }
}

impl Group {
    fn new(channels: &[Channel]) -> Self {
        let sections = |channel: &Channel| channel.filters.sections().iter().cloned().map(Some).collect();
        let bank = Bank::new(&channels.iter().map(sections).collect::<Vec<_>>());
        Self { bank, frames: vec![[0.0; LANES]; CHUNK] }
    }
}

impl Channel {
    fn new(sample_rate_hz: f64, number: usize, settings: &ChannelSettings) -> Result<Self, PreviewError> {
        let limit = |what, value: f64, fits: bool, expected| {
            if fits { Ok(()) } else { Err(PreviewError::Limit { channel: number, what, value, expected }) }
        };
        limit(
            "delay",
            settings.delay_s,
            (0.0..=LONGEST_DELAY_S).contains(&settings.delay_s),
            "0 to 0.1 seconds",
        )?;
        limit("gain", settings.gain_db, (-120.0..=24.0).contains(&settings.gain_db), "-120 to 24 dB")?;
        for section in settings.filters.sections() {
            let made_for_hz = section.sample_rate_hz();
            if (made_for_hz - sample_rate_hz).abs() > 1e-6 * sample_rate_hz {
                return Err(PreviewError::OtherRate { channel: number, made_for_hz, sample_rate_hz });
            }
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "at most a tenth of a second"
        )]
        let frames = (settings.delay_s * sample_rate_hz).round() as usize;
        let sign = if settings.invert { -1.0 } else { 1.0 };
        Ok(Self {
            filters: settings.filters.clone(),
            gain: sign * 10f64.powf(settings.gain_db / 20.0),
            late: vec![0.0; frames],
            at: 0,
        })
    }

    #[inline]
    fn gain_and_delay(&mut self, filtered: f64) -> f64 {
        let filtered = self.gain * filtered;
        let Some(slot) = self.late.get_mut(self.at) else { return filtered };
        let out = std::mem::replace(slot, filtered);
        self.at = (self.at + 1) % self.late.len();
        out
    }
}

/// The level of pink noise through the channels, each with the same power, against a straight
/// wire, in dB: `10 lg mean |H|²` over log frequency from 20 Hz to 20 kHz and over channels.
///
/// References: analytic; pink noise has the same power in every octave.
fn loudness_db(sample_rate_hz: f64, channels: &[Channel]) -> f64 {
    weighted_db(sample_rate_hz, channels, &|_| 0.0)
}

fn weighted_db(sample_rate_hz: f64, channels: &[Channel], weight_db: &dyn Fn(f64) -> f64) -> f64 {
    const POINTS: u32 = 480;
    let highest_hz = 20_000f64.min(0.49 * sample_rate_hz);
    let mut power = 0.0;
    for channel in channels {
        for point in 0..POINTS {
            let hz = 20.0 * (highest_hz / 20.0).powf((f64::from(point) + 0.5) / f64::from(POINTS));
            let heard = channel.gain * channel.filters.response(hz).norm();
            power += heard * heard * 10f64.powf(weight_db(hz) / 10.0);
        }
    }
    #[expect(clippy::cast_precision_loss, reason = "a handful of channels")]
    let count = channels.len() as f64 * f64::from(POINTS);
    10.0 * (power / count).max(1e-12).log10()
}

#[cfg(test)]
mod tests {
    use dsp::biquad::Biquad;
    use testkit::{at_most, near};

    use super::*;

    const RATE: f64 = 48_000.0;

    fn with(filters: Vec<Biquad>) -> ChannelSettings {
        ChannelSettings { filters: Cascade::new(filters), ..ChannelSettings::default() }
    }

    /// Source: analytic; a gain of 6 dB on everything is 6 dB louder, and none when matched.
    #[test]
    fn matched_levels_are_equal() {
        let louder = ChannelSettings { gain_db: 6.0, ..ChannelSettings::default() };
        let chain = Chain::prepare(RATE, std::slice::from_ref(&louder), true).unwrap();
        near("loudness", chain.loudness_db(), 6.0, 1e-9);
        let mut chain = *chain;
        chain.run(&[0.5]);
        near("a sample", chain.sample(0, 0), 0.5, 1e-9);
        let shelf = with(vec![Biquad::low_shelf(RATE, 632.0, 6.0, 0.7).unwrap()]);
        let chain = Chain::prepare(RATE, &[shelf], true).unwrap();
        // Half of the octaves lie below 632 Hz: 10 lg ((10^0.6 + 1)/2) = 3.963 dB for a hard step;
        // a slope that is even in decibels holds less power, but more than its mean of 3 dB.
        at_most("half the octaves 6 dB up", chain.loudness_db(), 3.963);
        at_most("more than the mean", 3.0, chain.loudness_db() - 0.5);
    }

    /// Source: analytic: where only what lies above 1 kHz counts, a cut of the bass is not missed.
    #[test]
    fn what_does_not_count_is_not_made_up_for() {
        let bass = with(vec![Biquad::low_shelf(RATE, 60.0, -12.0, 0.7).unwrap()]);
        let chain = Chain::prepare(RATE, &[bass], false).unwrap();
        let treble_only = |hz: f64| if hz > 1_000.0 { 0.0 } else { -200.0 };
        near("above 1 kHz", chain.weighted_loudness_db(&treble_only), 0.0, 0.01);
        near("everything", chain.weighted_loudness_db(&|_| 0.0), chain.loudness_db(), 1e-9);
    }

    #[test]
    fn delay_gain_and_polarity_do_what_they_say() {
        let settings = ChannelSettings {
            delay_s: 3.0 / RATE,
            gain_db: -6.0206,
            invert: true,
            ..ChannelSettings::default()
        };
        let mut chain = *Chain::prepare(RATE, &[settings], false).unwrap();
        chain.run(&[1.0, 0.0, 0.0, 0.0, 0.0]);
        for (frame, wanted) in [0.0, 0.0, 0.0, -0.5, 0.0].into_iter().enumerate() {
            near("impulse", chain.sample(frame, 0), wanted, 1e-6);
        }
    }

    /// Source: each channel's own filters, one sample after another.
    #[test]
    fn any_number_of_channels_runs_as_each_alone() {
        for count in [1u8, 2, 5, 9] {
            let section = |channel: u8| Biquad::peak(RATE, 100.0 * f64::from(channel + 1), 6.0, 2.0).unwrap();
            let settings: Vec<ChannelSettings> =
                (0..count).map(|channel| with(vec![section(channel)])).collect();
            let mut chain = Chain::prepare(RATE, &settings, false).unwrap();
            let mut alone: Vec<Biquad> = (0..count).map(section).collect();
            for _ in 0..2 {
                let block: Vec<f32> = (0..40 * u16::from(count)).map(|n| f32::from(n % 7) - 3.0).collect();
                chain.run(&block);
                for (frame, samples) in block.chunks_exact(count.into()).enumerate() {
                    for (channel, sample) in samples.iter().enumerate() {
                        let wanted = alone[channel].process(f64::from(*sample));
                        near("a sample", chain.sample(frame, channel), wanted, 1e-12);
                    }
                }
            }
        }
    }

    #[test]
    fn what_makes_no_sense_is_refused() {
        let refused = |rate: f64, settings: &[ChannelSettings]| {
            Chain::prepare(rate, settings, false).map(|_| ()).unwrap_err().to_string()
        };
        let plain = ChannelSettings::default();
        assert!(refused(RATE, &[]).contains("at least one channel"));
        assert!(refused(0.0, std::slice::from_ref(&plain)).contains("sample rate"));
        assert!(
            refused(RATE, &[ChannelSettings { delay_s: 0.2, ..plain.clone() }]).contains("`delay` is 0.2")
        );
        assert!(refused(RATE, &[ChannelSettings { gain_db: f64::NAN, ..plain }]).contains("`gain`"));
        let other = with(vec![Biquad::peak(44_100.0, 100.0, 3.0, 1.0).unwrap()]);
        assert!(refused(RATE, &[other]).contains("made for 44100 Hz"));
    }
}
