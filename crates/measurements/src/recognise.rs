//! Recognises tracks in a recording of any length, or in a stream as it comes.

mod heard_track;
mod listener;
mod onset;
mod pattern;
mod tone;
mod train;

#[cfg(test)]
mod tests;

use dsp::decimate::Decimator;
use measure::Stimulus;

pub use self::heard_track::{Extent, Heard};
pub(crate) use self::listener::{Listeners, Wanted, Workbench};
use self::pattern::{Pattern, patterns};
use self::tone::ToneWatch;
use self::train::TrainWatch;

/// Listens for tracks.
///
/// Samples are brought to 22 kHz or more at a whole fraction of their rate. There,
/// each sweep and two pieces of each noise are looked for by a filter with their
/// inverse phase, which turns what the signal passed through into one short peak
/// wherever it begins; a track is recognised by peaks that lie as far apart as its
/// copies do, whatever the two clocks (±500 ppm). Tones are recognised by their exact
/// frequency, held for five seconds; pulses and bursts by their order in time and in
/// frequency.
///
/// Not recognised is a track of silence: silence is like any other.
///
/// References: matched filter (pulse compression), Turin, IRE Trans. IT-6, 1960.
/// Memory: half a minute of the stream, and 32 bytes a signal for each tenth of a second of
/// it, unless [`Recogniser::forget_before`] lets go of them. Accuracy: the start is known to a millisecond.
pub struct Recogniser {
    sample_rate_hz: f64,
    rate_hz: f64,
    decimator: Decimator,
    /// The stream at the lower rate, from sample `base` on.
    stream: Vec<f32>,
    base: usize,
    groups: Vec<Group>,
    bench: Workbench,
    patterns: Vec<Pattern>,
    tones: Vec<ToneWatch>,
    trains: Vec<TrainWatch>,
    ended: bool,
}

/// Signals that are listened for together.
struct Group {
    listeners: Listeners,
    /// Which of all that are wanted they are.
    indices: Vec<usize>,
}

/// The lowest rate that is listened at.
pub(crate) const LISTEN_HZ: f64 = 22_000.0;

impl Recogniser {
    /// For a recording that is there as a whole.
    ///
    /// # Panics
    /// When the rate is not positive.
    #[must_use]
    pub fn new(sample_rate_hz: f64, tracks: &[Stimulus]) -> Self {
        Self::with_step(sample_rate_hz, tracks, None)
    }

    /// For a stream: a part of a track is known at most so many seconds after it was
    /// played.
    ///
    /// # Panics
    /// When the rate is not positive.
    #[must_use]
    pub fn live(sample_rate_hz: f64, tracks: &[Stimulus], step_s: f64) -> Self {
        Self::with_step(sample_rate_hz, tracks, Some(step_s))
    }

    fn with_step(sample_rate_hz: f64, tracks: &[Stimulus], step_s: Option<f64>) -> Self {
        assert!(sample_rate_hz > 0.0, "a rate is positive");
        let factor = ((sample_rate_hz / LISTEN_HZ) as usize).max(1);
        let rate_hz = sample_rate_hz / factor as f64;
        let (wanted, patterns) = patterns(tracks, rate_hz);
        // Shorter blocks waste most of their work on the overlap, longer ones memory.
        let hop = |needed: usize| step_s.map_or(2 * needed, |step_s| (step_s * rate_hz) as usize);
        let groups = grouped(wanted, step_s.is_some())
            .into_iter()
            .map(|(indices, wanted)| Group { listeners: Listeners::new(&wanted, rate_hz, hop), indices })
            .collect();
        let tones = tracks.iter().filter_map(|track| ToneWatch::of(track, rate_hz)).collect();
        let trains = tracks.iter().filter_map(|track| TrainWatch::of(track, rate_hz)).collect();
        Self {
            sample_rate_hz,
            rate_hz,
            decimator: Decimator::new(factor),
            stream: Vec::new(),
            base: 0,
            groups,
            bench: Workbench::default(),
            patterns,
            tones,
            trains,
            ended: false,
        }
    }

    /// The rate of the samples that are fed.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// How much has been fed.
    #[must_use]
    pub fn elapsed_s(&self) -> f64 {
        (self.base + self.stream.len()) as f64 / self.rate_hz
    }

    /// Takes the next samples.
    pub fn feed(&mut self, samples: &[f32]) {
        let before = self.stream.len();
        self.decimator.feed(samples, &mut self.stream);
        self.work(before);
    }

    /// Says that nothing follows.
    pub fn end(&mut self) {
        let before = self.stream.len();
        self.decimator.finish(&mut self.stream);
        self.work(before);
        self.trains.iter_mut().for_each(TrainWatch::end);
        for group in &mut self.groups {
            group.listeners.finish(&self.stream, self.base, &mut self.bench);
        }
        self.ended = true;
    }

    fn work(&mut self, before: usize) {
        for tone in &mut self.tones {
            tone.feed(&self.stream[before..]);
        }
        for train in &mut self.trains {
            train.feed(&self.stream[before..]);
        }
        let mut needed = self.base + self.stream.len();
        for group in &mut self.groups {
            group.listeners.listen(&self.stream, self.base, &mut self.bench);
            needed = needed.min(group.listeners.needed());
        }
        // In large pieces, because the rest has to move.
        if needed - self.base > self.stream.len() / 2 {
            self.stream.drain(..needed - self.base);
            self.base = needed;
        }
    }

    /// Lets go of what nobody needs who asks from now on only for what was heard since this moment: what else would grow by
    /// half a megabyte a minute.
    pub fn forget_before(&mut self, moment_s: f64) {
        let from = (moment_s.max(0.0) * self.rate_hz) as usize;
        self.groups.iter_mut().for_each(|group| group.listeners.forget_before(from));
    }

    /// What has been heard since a moment, in the order in which it was played. No two
    /// of them overlap.
    #[must_use]
    pub fn heard_since(&self, moment_s: f64) -> Vec<Heard> {
        let from = (moment_s.max(0.0) * self.rate_hz) as usize;
        let wanted = self.groups.iter().map(|group| group.indices.len()).sum();
        let (mut marks, mut known) = (vec![Vec::new(); wanted], vec![0; wanted]);
        for Group { listeners, indices } in &self.groups {
            for (&index, own) in indices.iter().zip(listeners.marks(from)) {
                (marks[index], known[index]) = (own, listeners.next());
            }
        }
        let elapsed_s = self.elapsed_s();
        let mut guesses: Vec<Heard> =
            self.tones.iter().flat_map(|tone| tone.heard(moment_s, self.ended)).collect();
        let trains = self.trains.iter();
        guesses.extend(trains.flat_map(|train| train.heard(moment_s, elapsed_s, self.ended)));
        for pattern in &self.patterns {
            let known = pattern.listeners().map(|index| known[index]).min();
            let known_s = known.unwrap_or(0) as f64 / self.rate_hz;
            pattern.heard(&marks, self.rate_hz, (elapsed_s, known_s, self.ended), &mut guesses);
        }
        without_overlaps(guesses)
    }

    /// All that has been heard.
    #[must_use]
    pub fn heard(&self) -> Vec<Heard> {
        self.heard_since(0.0)
    }
}

/// The signals in groups, each signal with its number. In a recording all are one group, whose blocks are transformed
/// once for all. In a stream nothing is known of a block until the longest signal of its group has been played, so that
/// each is listened for by itself.
fn grouped(wanted: Vec<Wanted>, is_stream: bool) -> Vec<(Vec<usize>, Vec<Wanted>)> {
    if is_stream {
        return wanted.into_iter().enumerate().map(|(index, one)| (vec![index], vec![one])).collect();
    }
    vec![((0..wanted.len()).collect(), wanted)]
}

/// All tracks in a recording.
#[must_use]
pub(crate) fn recognise(samples: &[f32], sample_rate_hz: f64, tracks: &[Stimulus]) -> Vec<Heard> {
    let mut recogniser = Recogniser::new(sample_rate_hz, tracks);
    // In pieces, so that what has been searched can be forgotten.
    samples.chunks(1 << 18).for_each(|part| recogniser.feed(part));
    recogniser.end();
    recogniser.heard()
}

/// Of guesses that claim the same time, the one that has more of its track or, among
/// different tracks, stands out further.
fn without_overlaps(mut guesses: Vec<Heard>) -> Vec<Heard> {
    let rank = |heard: &Heard| (heard.extent != Extent::Cut, heard.extent == Extent::Whole);
    guesses.sort_by(|a, b| rank(b).cmp(&rank(a)).then_with(|| b.clearness.total_cmp(&a.clearness)));
    // A track's second copy, taken for its first one, may stand out further than both do
    // together; it speaks for the track all the same.
    let mut each: Vec<Heard> = Vec::new();
    for guess in guesses {
        match each.iter_mut().find(|kept| kept.track == guess.track && overlap(kept, &guess)) {
            Some(kept) => kept.clearness = kept.clearness.max(guess.clearness),
            None => each.push(guess),
        }
    }
    each.sort_by(|a, b| rank(b).0.cmp(&rank(a).0).then_with(|| b.clearness.total_cmp(&a.clearness)));
    let mut kept: Vec<Heard> = Vec::new();
    for guess in each {
        if !kept.iter().any(|other| overlap(other, &guess)) {
            kept.push(guess);
        }
    }
    kept.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    kept
}

/// Whether two tracks sound at the same time. The silences at both ends may be shared.
fn overlap(a: &Heard, b: &Heard) -> bool {
    a.end_s - 1.2 >= b.start_s && b.end_s - 1.2 >= a.start_s
}
