//! What was fed so far: the measured channel, the reference, and where samples
//! were lost.

use measure::{Block, Finding, Start};

/// A stream written down, with lost frames filled by silence so that times stay
/// right.
#[derive(Debug, Default)]
pub(crate) struct Tape {
    /// Frames per second.
    pub sample_rate_hz: f64,
    channel: usize,
    reference_channel: Option<usize>,
    /// The number of the first frame on the tape: of a long recording only the end is kept.
    pub first_frame: usize,
    /// The measured channel.
    pub samples: Vec<f32>,
    /// The reference channel, where there is one.
    pub reference: Option<Vec<f32>>,
    gaps: Vec<usize>,
    not_finite: usize,
}

/// Lost frames are filled with silence up to this many at once; a jump beyond it is
/// a mistake in the numbering and not followed.
const LONGEST_GAP_S: f64 = 60.0;

impl Tape {
    /// An empty tape for a stream.
    ///
    /// # Errors
    /// A finding when the stream has no such channel or no sensible rate.
    pub(crate) fn new(start: &Start) -> Result<Self, Finding> {
        if !(1_000.0..=1_000_000.0).contains(&start.sample_rate_hz) {
            let text = format!(
                "A sample rate of {} Hz cannot be measured; 8000 to 192000 Hz can.",
                start.sample_rate_hz
            );
            return Err(Finding::stop("sample-rate", text));
        }
        for channel in std::iter::once(start.channel).chain(start.reference_channel) {
            if channel >= start.channels {
                let text = format!(
                    "Channel {} was asked for, but the recording has {}. Choose one that is there.",
                    channel + 1,
                    start.channels
                );
                return Err(Finding::stop("no-such-channel", text));
            }
        }
        Ok(Self {
            sample_rate_hz: start.sample_rate_hz,
            channel: start.channel,
            reference_channel: start.reference_channel,
            first_frame: 0,
            samples: Vec::new(),
            reference: start.reference_channel.map(|_| Vec::new()),
            gaps: Vec::new(),
            not_finite: 0,
        })
    }

    /// Writes a block down.
    pub(crate) fn feed(&mut self, block: &Block<'_>) {
        let expected = self.first_frame + self.samples.len();
        let first = usize::try_from(block.first_frame).unwrap_or(expected);
        let lost = first.saturating_sub(expected);
        if block.gap {
            self.gaps.push(expected);
            if lost > 0 && (lost as f64) < LONGEST_GAP_S * self.sample_rate_hz {
                let frames = self.samples.len() + lost;
                self.samples.resize(frames, 0.0);
                if let Some(reference) = &mut self.reference {
                    reference.resize(frames, 0.0);
                }
            }
        }
        let mut not_finite = 0;
        let mut write = |channel: usize, onto: &mut Vec<f32>| {
            let samples = block.channels.get(channel).copied().unwrap_or(&[]);
            onto.extend(samples.iter().map(|x| {
                if x.is_finite() {
                    *x
                } else {
                    not_finite += 1;
                    0.0
                }
            }));
        };
        write(self.channel, &mut self.samples);
        if let (Some(channel), Some(reference)) = (self.reference_channel, &mut self.reference) {
            write(channel, reference);
        }
        self.not_finite += not_finite;
    }

    /// How many samples are on the tape, of both channels.
    pub(crate) fn held(&self) -> usize {
        self.samples.len() + self.reference.as_ref().map_or(0, Vec::len)
    }

    /// Lets go of all but the last frames.
    pub(crate) fn keep_last(&mut self, frames: usize) {
        let gone = self.samples.len().saturating_sub(frames);
        self.samples.drain(..gone);
        if let Some(reference) = &mut self.reference {
            reference.drain(..gone);
        }
        self.first_frame += gone;
    }

    /// When the tape begins, in seconds from the beginning of the recording.
    pub(crate) fn begins_s(&self) -> f64 {
        self.first_frame as f64 / self.sample_rate_hz
    }

    /// What is wrong with the tape as such.
    pub(crate) fn findings(&self) -> Vec<Finding> {
        let mut findings = Vec::new();
        if let Some(first) = self.gaps.first() {
            let at_s = *first as f64 / self.sample_rate_hz;
            let text = format!(
                "Samples were lost {} time(s), first at {at_s:.2} s. Close other programs, choose larger buffers, and measure again.",
                self.gaps.len()
            );
            findings.push(Finding::caution("gap", text));
        }
        if self.not_finite > 0 {
            let text = format!("{} samples were not numbers and count as silence.", self.not_finite);
            findings.push(Finding::caution("not-finite", text));
        }
        findings
    }
}

/// What the tops of a waveform look like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tops {
    /// Round, as far as can be seen.
    Round,
    /// Flat, at the recorder's own full scale: the recorder clipped.
    AtFullScale,
    /// Flat, below full scale: something in the path clipped.
    BelowFullScale,
}

/// Looks for flat tops: the share of samples within 0.05 % of the highest one is
/// `2/π·acos(0.9995)` = 2 % for a sine, and over 8 % for one that is clipped by
/// 0.07 dB. The share is taken over stretches of a quarter of a second, because a
/// response that is not flat lets only part of a sweep reach the top.
///
/// References: amplitude distribution of a sine (arcsine law).
pub(crate) fn tops(samples: &[f32], sample_rate_hz: f64) -> Tops {
    let highest = samples.iter().fold(0.0f32, |a, x| a.max(x.abs()));
    if highest == 0.0 {
        return Tops::Round;
    }
    let near_top = highest * 0.9995;
    let stretch = ((0.25 * sample_rate_hz) as usize).max(1);
    let flat = samples.chunks(stretch).any(|chunk| {
        let count = chunk.iter().filter(|x| x.abs() >= near_top).count();
        chunk.len() * 2 > stretch && count as f64 > 0.08 * chunk.len() as f64
    });
    match flat {
        false => Tops::Round,
        true if (0.985..=1.0005).contains(&highest) => Tops::AtFullScale,
        true => Tops::BelowFullScale,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn start() -> Start {
        Start {
            sample_rate_hz: 48_000.0,
            channels: 2,
            channel: 1,
            reference_channel: Some(0),
            ..Start::default()
        }
    }

    #[test]
    fn lost_frames_become_silence_and_are_told() {
        let mut tape = Tape::new(&start()).unwrap();
        let (a, b) = ([0.5f32; 10], [0.25f32; 10]);
        tape.feed(&Block { first_frame: 0, channels: &[&a, &b], gap: false });
        tape.feed(&Block { first_frame: 15, channels: &[&a, &b], gap: true });
        assert_eq!(tape.samples.len(), 25);
        assert_eq!(&tape.samples[9..16], &[0.25, 0.0, 0.0, 0.0, 0.0, 0.0, 0.25]);
        assert_eq!(tape.reference.as_ref().unwrap()[15], 0.5);
        assert_eq!(tape.findings()[0].code, "gap");
    }

    #[test]
    fn what_is_not_a_number_is_silence_and_is_told() {
        let mut tape = Tape::new(&start()).unwrap();
        let (a, b) = ([0.0f32; 3], [f32::NAN, 1.0, f32::INFINITY]);
        tape.feed(&Block { first_frame: 0, channels: &[&a, &b], gap: false });
        assert_eq!(tape.samples, [0.0, 1.0, 0.0]);
        assert_eq!(tape.findings()[0].code, "not-finite");
    }

    #[test]
    fn a_channel_that_is_not_there_is_refused() {
        assert_eq!(Tape::new(&Start { channels: 1, ..start() }).unwrap_err().code, "no-such-channel");
        assert_eq!(
            Tape::new(&Start { sample_rate_hz: f64::NAN, ..start() }).unwrap_err().code,
            "sample-rate"
        );
    }

    /// Source: analytic, the arcsine law of a sine's amplitudes.
    #[test]
    fn flat_tops_are_told_from_round_ones() {
        let sine = |gain: f64, limit: f64, hz: f64| -> Vec<f32> {
            (0..48_000)
                .map(|i| {
                    ((gain * (2.0 * std::f64::consts::PI * hz * f64::from(i) / 48_000.0).sin())
                        .clamp(-limit, limit)) as f32
                })
                .collect()
        };
        for hz in [20.0, 997.0] {
            assert_eq!(tops(&sine(1.0, 2.0, hz), 48_000.0), Tops::Round);
            assert_eq!(tops(&sine(1.05, 1.0, hz), 48_000.0), Tops::AtFullScale);
            assert_eq!(tops(&sine(0.5, 0.45, hz), 48_000.0), Tops::BelowFullScale);
        }
        assert_eq!(tops(&[0.0; 100], 48_000.0), Tops::Round);
    }
}
