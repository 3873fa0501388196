//! What a stimulus excites with: the signal, the moments at which it is played,
//! and its band.

use dsp::fft::{fast_len, rfft};
use dsp::smoothing::LogMeans;
use dsp::sweep::Sweep;
use measure::{Finding, Segment, Side, Signal, Stimulus};

use crate::signals::{check, render, sounding_s, sweep_of, timeline};

/// A broadband signal that is played once or more.
#[derive(Debug, Clone)]
pub(crate) struct Excitation {
    segment: Segment,
    /// When each copy begins, from the beginning of the stimulus.
    pub starts_s: Vec<f64>,
    /// How long the signal sounds.
    pub duration_s: f64,
    /// The silence that follows every copy, at the least.
    pub silence_after_s: f64,
    /// The silence before the first copy.
    pub silence_before_s: f64,
    /// The lower end of its band.
    pub from_hz: f64,
    /// The upper end of its band.
    pub to_hz: f64,
    /// The short sweeps of the same band in the silences of a track, where it has any.
    pub marks: Option<Box<Excitation>>,
}

/// A mark lasts no longer than this part of the sweep.
const MARK_PART: f64 = 0.25;

impl Excitation {
    /// The longest broadband signal of a stimulus and all its copies.
    ///
    /// # Errors
    /// A finding when the stimulus cannot sound or holds nothing broadband.
    pub(crate) fn of(stimulus: &Stimulus) -> Result<Self, Finding> {
        Ok(Self::longest(stimulus, |_| true)?.with_marks(stimulus))
    }

    /// With the marks of its band that the stimulus has.
    pub(crate) fn with_marks(mut self, stimulus: &Stimulus) -> Self {
        let main = &self.segment;
        let is_mark = |segment: &Segment| match (&segment.signal, &main.signal) {
            (
                Signal::Sweep { from_hz, to_hz, .. },
                Signal::Sweep { from_hz: main_from_hz, to_hz: main_to_hz, .. },
            ) => {
                (from_hz, to_hz, segment.side) == (main_from_hz, main_to_hz, main.side)
                    && segment.duration_s < MARK_PART * main.duration_s
            }
            _ => false,
        };
        self.marks = Self::longest(stimulus, is_mark).ok().map(Box::new);
        self
    }

    /// One pulse of a stimulus that holds pulses of one shape and nothing else, and all
    /// its copies.
    pub(crate) fn pulses(stimulus: &Stimulus) -> Option<Self> {
        check(stimulus).ok()?;
        let (mut one, mut starts_s, mut shortest_s): (Option<Segment>, Vec<f64>, f64) =
            (None, Vec::new(), 1.0);
        for (start_s, segment) in timeline(stimulus) {
            let Signal::Pulse { from_hz, to_hz, every_s } = segment.signal else {
                if segment.signal == Signal::Silence {
                    continue;
                }
                return None;
            };
            let duration_s = 1.5 / to_hz + 1.5 / from_hz;
            // As many as the stretch has room for, however it was rounded.
            let count = (segment.duration_s / every_s + 1e-6).floor() as usize;
            starts_s.extend((0..count).map(|i| start_s + i as f64 * every_s));
            shortest_s = shortest_s.min(every_s);
            let signal = Signal::Pulse { from_hz, to_hz, every_s: duration_s };
            let alone = Segment { duration_s, signal, ..segment.clone() };
            if one.get_or_insert_with(|| alone.clone()) != &alone {
                return None;
            }
        }
        let segment = one?;
        let Signal::Pulse { from_hz, to_hz, .. } = segment.signal else { return None };
        let (duration_s, silence_before_s) = (segment.duration_s, *starts_s.first()?);
        let silence_after_s = shortest_s - duration_s;
        Some(Self {
            segment,
            starts_s,
            duration_s,
            silence_after_s,
            silence_before_s,
            from_hz,
            to_hz,
            marks: None,
        })
    }

    /// As [`Excitation::of`], of those segments that are wanted.
    pub(crate) fn longest(stimulus: &Stimulus, wanted: impl Fn(&Segment) -> bool) -> Result<Self, Finding> {
        check(stimulus).map_err(|text| Finding::stop("stimulus-unusable", format!("{text}.")))?;
        let broadband = |segment: &&Segment| {
            matches!(segment.signal, Signal::Sweep { .. } | Signal::Pink { .. } | Signal::Samples { .. })
                && wanted(segment)
        };
        let segment = stimulus
            .segments
            .iter()
            .filter(broadband)
            .reduce(|a, b| if b.duration_s > a.duration_s { b } else { a })
            .ok_or_else(|| {
                let text = format!(
                    "The stimulus `{}` holds no sweep or noise, and a response needs one. Use a sweep track.",
                    stimulus.name
                );
                Finding::stop("stimulus-unusable", text)
            })?
            .clone();
        let parts: Vec<(f64, &Segment)> = timeline(stimulus).collect();
        let starts_s: Vec<f64> =
            parts.iter().filter(|(_, part)| **part == segment).map(|(start, _)| *start).collect();
        let duration_s = sounding_s(&segment);
        let is_sound = |part: &Segment| part.signal != Signal::Silence;
        // After the last copy the track may be over, and silence follows.
        let silence_after_s = starts_s
            .iter()
            .map(|start| {
                parts
                    .iter()
                    .find(|(next, part)| *next > start + 1e-9 && is_sound(part))
                    .map_or(1.0, |(next, _)| next - start - duration_s)
            })
            .fold(1.0, f64::min)
            .max(0.0);
        let silence_before_s = parts
            .iter()
            .filter(|(start, part)| *start < starts_s[0] - 1e-9 && is_sound(part))
            .map(|(start, part)| starts_s[0] - start - part.duration_s)
            .fold(starts_s[0], f64::min);
        let (from_hz, to_hz) = match segment.signal {
            Signal::Sweep { from_hz, to_hz, .. } | Signal::Pink { from_hz, to_hz, .. } => (from_hz, to_hz),
            _ => occupied_band(&segment)?,
        };
        let marks = None;
        Ok(Self { segment, starts_s, duration_s, silence_after_s, silence_before_s, from_hz, to_hz, marks })
    }

    /// The samples of one copy at a rate, from its beginning to its end.
    pub(crate) fn samples(&self, sample_rate_hz: f64) -> Vec<f64> {
        let alone = Stimulus { name: String::new(), segments: vec![self.segment.clone()] };
        let mut samples: Vec<f64> = render(&alone, sample_rate_hz).into_iter().map(f64::from).collect();
        samples.truncate((self.duration_s * sample_rate_hz).ceil() as usize + 1);
        samples
    }

    /// Its band.
    pub(crate) fn band_hz(&self) -> (f64, f64) {
        (self.from_hz, self.to_hz)
    }

    /// The sweep, where it is one.
    pub(crate) fn sweep(&self, sample_rate_hz: f64) -> Option<Sweep> {
        sweep_of(&self.segment, sample_rate_hz)
    }

    /// The peak amplitude.
    pub(crate) fn peak(&self) -> f64 {
        dsp::response::amplitude(self.segment.peak_dbfs)
    }

    /// The side of the track that carries it.
    pub(crate) fn side(&self) -> Side {
        self.segment.side
    }

    /// The fade at both ends.
    pub(crate) fn fade_s(&self) -> f64 {
        self.segment.fade_s
    }

    /// The part of its band that is played at full level. A sweep is faded in and out, and
    /// where it is, dividing by it raises the noise.
    pub(crate) fn full_band_hz(&self) -> (f64, f64) {
        if !matches!(self.segment.signal, Signal::Sweep { .. }) || 4.0 * self.fade_s() > self.duration_s {
            return (self.from_hz, self.to_hz);
        }
        // An exponential sweep passes a factor of e in L = T/ln(f2/f1).
        let faded = (self.fade_s() / self.duration_s * (self.to_hz / self.from_hz).ln()).exp();
        (self.from_hz * faded, self.to_hz / faded)
    }

    /// The band that can be limited gently without reaching where the excitation is faded,
    /// or what a recording at this rate holds of it.
    pub(crate) fn inner_band_hz(&self, sample_rate_hz: f64) -> (f64, f64) {
        let (from_hz, to_hz) = self.full_band_hz();
        (1.3 * from_hz, (to_hz / 1.15).min(0.43 * sample_rate_hz))
    }

    /// From the beginning of the first copy to that of the last.
    pub(crate) fn spread_s(&self) -> f64 {
        self.starts_s[self.starts_s.len() - 1] - self.starts_s[0]
    }
}

/// Where a recording used as a stimulus has energy: the sixths of an octave within 20 dB
/// of its strongest one.
fn occupied_band(segment: &Segment) -> Result<(f64, f64), Finding> {
    let rate = match &segment.signal {
        Signal::Samples { sample_rate_hz, .. } => *sample_rate_hz,
        _ => 48_000.0,
    };
    let alone = Stimulus { name: String::new(), segments: vec![segment.clone()] };
    let samples: Vec<f64> = render(&alone, rate).into_iter().map(f64::from).collect();
    let n = fast_len(samples.len());
    let power: Vec<f64> = rfft(&samples, n).iter().map(|x| x.norm_sqr()).collect();
    let means = LogMeans::new(power, rate / n as f64);
    // The last step leaves a margin to half the rate.
    let middles: Vec<f64> =
        (0..).map(|i| 10.0 * (f64::from(i) / 6.0).exp2()).take_while(|f| *f < 0.47 * rate).collect();
    let level = |f: f64| f * means.mean(f * 0.944, f * 1.059);
    let strongest = middles.iter().map(|f| level(*f)).fold(0.0, f64::max);
    let loud: Vec<f64> = middles.into_iter().filter(|f| level(*f) > 1e-2 * strongest).collect();
    match (loud.first(), loud.last()) {
        (Some(&from), Some(&to)) if strongest > 0.0 && to > 1.5 * from => Ok((from, to)),
        _ => {
            let text = "The recording given as stimulus is silent or holds a tone only, and a response needs a broad band.";
            Err(Finding::stop("stimulus-unusable", text))
        }
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::signals::track;

    #[test]
    fn a_sweep_track_is_two_copies_between_silences() {
        let excitation = Excitation::of(&track("sweep-full").unwrap()).unwrap();
        assert_eq!(excitation.starts_s.len(), 2);
        near("first start", excitation.starts_s[0], 1.0, 1e-12);
        near("distance", excitation.spread_s(), excitation.duration_s + 1.0, 1e-9);
        let marks = excitation.marks.as_ref().unwrap();
        assert_eq!(marks.starts_s.len(), 3);
        near("silence up to the mark", excitation.silence_after_s, 0.5, 1e-9);
        near("silence from the mark on", excitation.silence_before_s, 0.35, 1e-9);
        near("the first mark", marks.starts_s[0], 0.5, 1e-9);
    }

    #[test]
    fn a_recording_as_stimulus_has_the_band_that_it_fills() {
        let sweep = Excitation::of(&track("sweep-mid").unwrap()).unwrap();
        let samples: Vec<f32> = sweep.samples(48_000.0).into_iter().map(|x| x as f32).collect();
        let duration_s = samples.len() as f64 / 48_000.0;
        let signal = Signal::Samples { sample_rate_hz: 48_000.0, samples };
        let stimulus =
            Stimulus { name: "mine".to_owned(), segments: vec![Segment::of(signal, duration_s, 0.0, 0.0)] };
        let excitation = Excitation::of(&stimulus).unwrap();
        assert!((70.0..95.0).contains(&excitation.from_hz), "{}", excitation.from_hz);
        assert!((7_000.0..9_000.0).contains(&excitation.to_hz), "{}", excitation.to_hz);
        assert_eq!(excitation.starts_s, [0.0]);
    }

    #[test]
    fn tones_and_silence_are_refused() {
        for name in ["tone-1k", "quiet"] {
            assert_eq!(Excitation::of(&track(name).unwrap()).unwrap_err().code, "stimulus-unusable");
        }
    }
}
