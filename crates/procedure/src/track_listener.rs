//! A stream in which tracks are recognised as they play.

use std::collections::VecDeque;

use host::{Registry, Run};
use job::CaptureStore;
use library::{Error, Result};
use measure::{Finding, Reading, Start, Stimulus};
use measurements::{Extent, Heard, Recogniser};
use recording::Audio;

use crate::excerpt::{self, CaptureContext, Excerpt, MARGIN_S, Placement, measurement_for};
use crate::feed::feed_all;

/// How much later than it was played a part of a track is known, at the most.
const STEP_S: f64 = 1.0;
/// How much longer than the longest track is remembered.
const REMEMBERED_S: f64 = 8.0;

/// Listens to a stream for tracks.
///
/// It is fed whatever comes from a rig, block by block, and says what it hears. A
/// track that has been played to its end comes as a [`RecognisedTrack`], which holds its own
/// samples: the reading may be computed on another thread.
pub(crate) struct TrackListener {
    recogniser: Recogniser,
    tracks: Vec<Stimulus>,
    context: CaptureContext,
    sample_rate_hz: u32,
    /// The last stretch of each channel, beginning with frame `base`.
    memory: Vec<VecDeque<f32>>,
    base: u64,
    capacity: usize,
    /// When it is worth looking again.
    next_look_s: f64,
    known: Vec<Known>,
}

/// A track that has been spoken of.
#[derive(Debug, Clone, PartialEq)]
struct Known {
    track: String,
    start_s: f64,
    over: bool,
}

/// What listening has to say.
#[derive(Debug, Clone)]
pub(crate) enum ListenEvent {
    /// A track is being played.
    Playing {
        /// Its name.
        track: String,
        /// When it began, in seconds of listening.
        from_s: f64,
        /// When it will be over.
        to_s: f64,
    },
    /// A track has been played to its end.
    Whole(Box<RecognisedTrack>),
    /// A track was begun and not played to its end; the finding says what to do.
    Cut(Finding),
}

/// A track that was heard from beginning to end, with all that its reading needs.
#[derive(Debug, Clone)]
pub(crate) struct RecognisedTrack {
    /// Its name.
    pub track: String,
    /// When it began, in seconds of listening.
    pub from_s: f64,
    /// When it was over.
    pub to_s: f64,
    /// What it is measured with.
    pub measurement: &'static str,
    stimulus: Stimulus,
    context: CaptureContext,
    audio: Audio,
}

impl TrackListener {
    /// Listens for the standard tracks in channel `channel` (from 0) of a stream.
    ///
    /// # Panics
    /// When the stream has no such channel.
    #[must_use]
    pub(crate) fn new(sample_rate_hz: u32, channels: usize, context: CaptureContext) -> Self {
        assert!(context.channel < channels, "the channel is one of the stream's");
        let tracks: Vec<Stimulus> = measurements::signals::tracks()
            .into_iter()
            .filter(|track| measurement_for(track).is_some())
            .collect();
        let longest_s = tracks.iter().map(Stimulus::duration_s).fold(0.0, f64::max);
        Self {
            recogniser: Recogniser::live(f64::from(sample_rate_hz), &tracks, STEP_S),
            tracks,
            context,
            sample_rate_hz,
            memory: vec![VecDeque::new(); channels],
            base: 0,
            capacity: ((longest_s + REMEMBERED_S) * f64::from(sample_rate_hz)) as usize,
            next_look_s: 0.0,
            known: Vec::new(),
        }
    }

    /// How long it has listened.
    #[must_use]
    pub(crate) fn elapsed_s(&self) -> f64 {
        (self.base + self.memory[0].len() as u64) as f64 / f64::from(self.sample_rate_hz)
    }

    /// Takes the next block, all channels of one length. Costs little: nothing is
    /// measured here.
    pub(crate) fn feed(&mut self, channels: &[&[f32]]) -> Vec<ListenEvent> {
        for (memory, samples) in self.memory.iter_mut().zip(channels) {
            memory.extend(*samples);
        }
        let surplus = self.memory[0].len().saturating_sub(self.capacity);
        self.memory.iter_mut().for_each(|memory| drop(memory.drain(..surplus)));
        self.base += surplus as u64;
        self.recogniser.feed(channels[self.context.channel]);
        if self.elapsed_s() < self.next_look_s {
            return Vec::new();
        }
        self.next_look_s = self.elapsed_s() + STEP_S / 2.0;
        self.look()
    }

    /// Says that nothing follows.
    pub(crate) fn end(&mut self) -> Vec<ListenEvent> {
        self.recogniser.end();
        self.look()
    }

    fn look(&mut self) -> Vec<ListenEvent> {
        let since_s = self.base as f64 / f64::from(self.sample_rate_hz);
        self.known.retain(|known| known.start_s > since_s - 60.0);
        self.recogniser.forget_before(since_s);
        self.recogniser.heard_since(since_s).into_iter().filter_map(|heard| self.say(heard)).collect()
    }

    /// What is new about a track.
    fn say(&mut self, heard: Heard) -> Option<ListenEvent> {
        let same = |known: &Known| known.track == heard.track && (known.start_s - heard.start_s).abs() < 1.0;
        let index = self.known.iter().position(same);
        let over = index.is_some_and(|index| self.known[index].over);
        // What was first taken for something else, or what lies under what is known.
        let under = self
            .known
            .iter()
            .any(|known| known.over && !same(known) && (known.start_s - heard.start_s).abs() < 5.0);
        if over || under {
            return None;
        }
        let due = self.elapsed_s() >= heard.end_s;
        let event = match heard.extent {
            Extent::Whole if due => self.whole(&heard).map(|whole| ListenEvent::Whole(Box::new(whole))),
            Extent::Cut => Some(ListenEvent::Cut(excerpt::cut(&heard.track))),
            Extent::Whole | Extent::Playing if index.is_none() => Some(ListenEvent::Playing {
                track: heard.track.clone(),
                from_s: heard.start_s,
                to_s: heard.end_s,
            }),
            Extent::Whole | Extent::Playing => None,
        };
        if let Some(event) = &event {
            let over = !matches!(event, ListenEvent::Playing { .. });
            let known = Known { track: heard.track, start_s: heard.start_s, over };
            match index {
                Some(index) => self.known[index] = known,
                None => self.known.push(known),
            }
        }
        event
    }

    fn whole(&self, heard: &Heard) -> Option<RecognisedTrack> {
        let stimulus = self.tracks.iter().find(|track| track.name == heard.track)?.clone();
        let (measurement, _) = measurement_for(&stimulus)?;
        let rate = f64::from(self.sample_rate_hz);
        let frame = |s: f64| {
            let frame = (s * rate).round() as i64 - self.base as i64;
            (frame.max(0) as usize).min(self.memory[0].len())
        };
        let range = frame(heard.start_s - MARGIN_S)..frame(heard.end_s + MARGIN_S);
        let channels = self.memory.iter().map(|memory| memory.range(range.clone()).copied().collect());
        Some(RecognisedTrack {
            track: heard.track.clone(),
            from_s: heard.start_s,
            to_s: heard.end_s,
            measurement,
            stimulus,
            context: self.context.clone(),
            audio: Audio::new(self.sample_rate_hz, channels.collect()),
        })
    }
}

impl RecognisedTrack {
    /// Computes the reading. Takes a second or so.
    ///
    /// # Errors
    /// When the measurement is not there, which would be a fault of the program.
    pub(crate) fn reading(&self) -> Result<Reading> {
        let registry = Registry::built_in();
        let measurement =
            registry.measurement(self.measurement).map_err(|unknown| Error::input(unknown.to_string()))?;
        let start = Start {
            sample_rate_hz: f64::from(self.audio.sample_rate_hz),
            channels: self.audio.channels.len(),
            channel: self.context.channel,
            reference_channel: self.context.reference_channel,
            calibration: self.context.calibration.clone(),
            stimulus: Some(self.stimulus.clone()),
            parameters: measurement.manifest().defaults(),
        };
        Ok(feed_all(Run::start(measurement, &start), &self.audio))
    }

    /// Begins a capture of a job with it: the audio is on disk, the reading is to be computed.
    ///
    /// # Errors
    /// When the job cannot be written.
    pub(crate) fn begin(&self, store: &CaptureStore, placement: &Placement) -> Result<Excerpt> {
        let channels: Vec<&[f32]> = self.audio.channels.iter().map(Vec::as_slice).collect();
        self.context.keep(store, &self.stimulus, placement, self.audio.sample_rate_hz, &channels)
    }

    /// Lets go of the samples: they are on disk, and are read from there.
    pub(crate) fn forget_audio(&mut self) {
        self.audio = Audio::new(self.audio.sample_rate_hz, Vec::new());
    }
}

#[cfg(test)]
mod tests {
    use measurements::signals::{render, track};
    use testkit::near;

    use super::*;

    /// Two tracks in one stream with pauses: each is announced while it plays and
    /// measured when it is over, and the second one is broken off.
    #[test]
    fn a_track_is_announced_and_then_measured() {
        let rate_hz = 24_000;
        let mut samples = vec![0.0f32; 40_000];
        let played = render(&track("arrival").unwrap(), f64::from(rate_hz));
        samples.extend(played.iter().map(|x| -0.5 * x));
        samples.extend(std::iter::repeat_n(0.0, 60_000));
        let broken = render(&track("sweep-high").unwrap(), f64::from(rate_hz));
        samples.extend(&broken[..8 * 24_000]);
        samples.extend(std::iter::repeat_n(0.0, 10 * 24_000));
        let mut noise = 1u32;
        samples.iter_mut().for_each(|x| {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *x += 1e-4 * (noise as f32 / 2f32.powi(31) - 1.0);
        });

        let mut listener = TrackListener::new(rate_hz, 1, CaptureContext::default());
        let mut told = Vec::new();
        for part in samples.chunks(4_096) {
            for event in listener.feed(&[part]) {
                let at_s = listener.elapsed_s();
                match event {
                    ListenEvent::Playing { track, to_s, .. } => told.push((track, "playing", at_s < to_s)),
                    ListenEvent::Cut(finding) => {
                        let named =
                            ["arrival", "sweep-high"].into_iter().find(|name| finding.text.contains(name));
                        told.push((named.expect("it is named").to_owned(), "cut", true));
                    }
                    ListenEvent::Whole(whole) => {
                        near("beginning", whole.from_s, 40_000.0 / 24_000.0, 0.01);
                        let reading = whole.reading().unwrap();
                        assert_eq!(reading.labels["polarity"], "inverted");
                        near("arrival", reading.values["arrival_s"], 0.0, 1e-6);
                        told.push((whole.track, "whole", true));
                    }
                }
            }
        }
        let told: Vec<(&str, &str, bool)> =
            told.iter().map(|(track, what, early)| (track.as_str(), *what, *early)).collect();
        let wanted = [
            ("arrival", "playing", true),
            ("arrival", "whole", true),
            ("sweep-high", "playing", true),
            ("sweep-high", "cut", true),
        ];
        assert_eq!(told, wanted);
    }

    /// Source: arithmetic: as often as it was played. A player that repeats leaves little room between.
    #[test]
    fn a_track_that_is_played_over_and_over_is_measured_each_time() {
        let rate_hz = 48_000;
        let played = render(&track("sweep-high").unwrap(), f64::from(rate_hz));
        let mut samples = vec![0.0f32; 14_400];
        for _ in 0..3 {
            samples.extend(played.iter().map(|x| 0.3 * x));
            samples.extend(std::iter::repeat_n(0.0, 14_400));
        }
        samples.extend(std::iter::repeat_n(0.0, 3 * 48_000));
        let mut listener = TrackListener::new(rate_hz, 1, CaptureContext::default());
        let mut whole = Vec::new();
        for part in samples.chunks(4_800) {
            for event in listener.feed(&[part]) {
                if let ListenEvent::Whole(track) = event {
                    whole.push(track.from_s);
                }
            }
        }
        let each_s = (played.len() + 14_400) as f64 / 48_000.0;
        assert_eq!(whole.len(), 3, "{whole:?}");
        for (index, from_s) in whole.into_iter().enumerate() {
            near("beginning", from_s, 0.3 + index as f64 * each_s, 0.01);
        }
    }
}
