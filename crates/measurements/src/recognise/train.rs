//! Tracks of pulses or short bursts: onsets that follow each other as they were played.

use measure::{Segment, Signal, Stimulus};

use super::onset::{Onset, OnsetWatch};
use super::{Extent, Heard};
use crate::clock::MOST_PPM;
use crate::signals::timeline;

/// One pulse or burst of a track.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Event {
    /// The moment of its highest power, from the track's beginning.
    at_s: f64,
    /// Which watch hears it.
    band: usize,
    /// Which of the track's sounding segments it belongs to.
    segment: usize,
    /// How long after the one before it, or before the one after it.
    pace_s: f64,
}

/// Watches for a track that consists of pulses or of bursts.
///
/// One onset is like any knock. What is not like anything else is their order: whole
/// segments of the track, next to each other, of which three in four are heard at the
/// right moment and equally loud, with nothing between them, each in its own band only.
#[derive(Debug, Clone)]
pub(super) struct TrainWatch {
    track: String,
    track_s: f64,
    watches: Vec<OnsetWatch>,
    /// Each is one way in which the track can be heard: a pulse has many bands, and a
    /// driver plays in some.
    ways: Vec<Vec<Event>>,
    segments: usize,
}

/// The part of a segment's events that must be heard.
const HEARD: f64 = 0.75;
/// How far apart in power two events of a segment, or two groups of one pulse, may be (6 dB
/// to either side).
const LEVEL: f64 = 4.0;
/// An onset between two events counts from this part of theirs in power on.
const BETWEEN: f64 = 0.1;
/// How much of what lies between may be heard: somebody talks.
const TALK: f64 = 0.25;
/// A band counts as another one's when it is louder than this part of it at once.
const OTHER: f64 = 0.3;
/// The cycles of a pulse's band that are looked at together.
const PULSE_CYCLES: f64 = 3.0;

impl TrainWatch {
    /// For a track that holds nothing else.
    pub(super) fn of(track: &Stimulus, rate_hz: f64) -> Option<Self> {
        let sounds: Vec<(f64, &Segment)> =
            timeline(track).filter(|(_, segment)| segment.signal != Signal::Silence).collect();
        let mut watches: Vec<OnsetWatch> = Vec::new();
        let mut ways: Vec<Vec<Event>> = Vec::new();
        match &sounds.first()?.1.signal {
            Signal::Pulse { from_hz, to_hz, .. } => {
                let top_hz = to_hz.min(0.4 * rate_hz);
                let mut middle_hz = 1.5 * from_hz;
                while middle_hz < top_hz {
                    watches.push(OnsetWatch::new(middle_hz, PULSE_CYCLES / middle_hz, rate_hz));
                    middle_hz *= 4.0;
                }
                ways.resize(watches.len(), Vec::new());
            }
            Signal::Burst { .. } => ways.push(Vec::new()),
            _ => return None,
        }
        for (segment, (start_s, sound)) in sounds.iter().enumerate() {
            match sound.signal {
                Signal::Pulse { to_hz, every_s, .. } => {
                    for (band, way) in ways.iter_mut().enumerate() {
                        way.extend(events(*start_s, sound, every_s, 0.75 / to_hz, band, segment));
                    }
                }
                Signal::Burst { frequency_hz, cycles, every_s } if ways.len() == 1 => {
                    let span_s = cycles / frequency_hz;
                    // What the stream's rate cannot hold is not listened for.
                    if frequency_hz < 0.45 * rate_hz {
                        let band = watches.len();
                        watches.push(OnsetWatch::new(frequency_hz, span_s, rate_hz));
                        ways[0].extend(events(*start_s, sound, every_s, 0.5 * span_s, band, segment));
                    }
                }
                _ => return None,
            }
        }
        ways.retain(|way| way.len() > 3);
        let (track_s, segments) = (track.duration_s(), sounds.len());
        (!ways.is_empty()).then(|| Self { track: track.name.clone(), track_s, watches, ways, segments })
    }

    pub(super) fn feed(&mut self, samples: &[f32]) {
        self.watches.iter_mut().for_each(|watch| watch.feed(samples));
    }

    pub(super) fn end(&mut self) {
        self.watches.iter_mut().for_each(OnsetWatch::end);
    }

    /// What was heard of the track since a moment.
    pub(super) fn heard(&self, moment_s: f64, elapsed_s: f64, ended: bool) -> Vec<Heard> {
        let mut guesses: Vec<Heard> = Vec::new();
        for way in &self.ways {
            let mut tried: Vec<f64> = Vec::new();
            for anchor in anchors(way) {
                let event = way[anchor];
                for onset in self.watches[event.band].between(moment_s, f64::INFINITY) {
                    let start_s = onset.at_s - event.at_s;
                    if !self.follows(way, anchor, onset, elapsed_s)
                        || tried.iter().any(|tried| (tried - start_s).abs() < 0.03)
                    {
                        continue;
                    }
                    tried.push(start_s);
                    guesses.extend(self.judge(way, start_s, elapsed_s, ended));
                }
            }
        }
        guesses
    }

    /// Whether the next event is there too, where it is due: most onsets end here.
    fn follows(&self, way: &[Event], anchor: usize, onset: &Onset, elapsed_s: f64) -> bool {
        way[anchor + 1..].iter().take(2).any(|next| {
            let at_s = onset.at_s + next.at_s - way[anchor].at_s;
            at_s > elapsed_s || self.near(next, at_s, onset.power / LEVEL).is_some()
        })
    }

    /// The loudest onset at an event's moment.
    fn near(&self, event: &Event, at_s: f64, enough: f64) -> Option<&Onset> {
        let watch = &self.watches[event.band];
        let reach_s = watch.jitter_s();
        watch
            .between(at_s - reach_s, at_s + reach_s)
            .iter()
            .filter(|onset| onset.power > enough)
            .max_by(|a, b| a.power.total_cmp(&b.power))
    }

    /// What speaks for the track having begun at a moment.
    fn judge(&self, way: &[Event], about_s: f64, elapsed_s: f64, ended: bool) -> Option<Heard> {
        // The anchor's own place is off by its jitter, and the clocks differ.
        let mut place = (about_s, 1.0);
        for _ in 0..2 {
            let matched: Vec<(f64, f64)> = way
                .iter()
                .filter_map(|event| {
                    let at_s = place.0 + event.at_s * place.1;
                    self.near(event, at_s, 0.0).map(|onset| (event.at_s, onset.at_s))
                })
                .collect();
            place = line(&matched).unwrap_or(place);
            let limit = MOST_PPM * 1e-6;
            place.1 = place.1.clamp(1.0 - limit, 1.0 + limit);
        }
        let levels: Vec<(usize, f64)> =
            (0..self.segments).filter_map(|s| Some((s, self.heard_level(way, s, place)?))).collect();
        let heard: Vec<usize> = levels.iter().map(|(segment, _)| *segment).collect();
        let count = way.iter().filter(|event| heard.contains(&event.segment)).count();
        let (first, last) = (way[0], way[way.len() - 1]);
        let covers = place.0 + first.at_s > 0.0 && place.0 + last.at_s * place.1 < elapsed_s;
        let one_band = way.iter().all(|event| event.band == first.band);
        let neighbours = levels
            .windows(2)
            .any(|pair| pair[1].0 == pair[0].0 + 1 && (!one_band || self.alike(pair[0], pair[1].0, place)));
        let extent = if self.segments == 1 {
            // A single pace may be any clock's, but no clock ticks so often and no more.
            if heard.is_empty() || !covers {
                return None;
            }
            Extent::Whole
        } else if !neighbours {
            return None;
        } else if covers && (!one_band || 4 * heard.len() >= 3 * self.segments) {
            Extent::Whole
        } else if place.0 + last.at_s * place.1 > elapsed_s && !ended {
            Extent::Playing
        } else {
            Extent::Cut
        };
        Some(Heard {
            track: self.track.clone(),
            start_s: place.0,
            end_s: place.0 + self.track_s * place.1,
            extent,
            clearness: count as f64,
        })
    }

    /// Whether two groups are of the same pulse: as loud in each band that holds a good part
    /// of what is heard. Two sounds that happen to follow each other at the paces of the
    /// track are not.
    fn alike(&self, (one, level): (usize, f64), other: usize, (start_s, stretch): (f64, f64)) -> bool {
        let loudness = |way: &[Event], segment: usize| {
            let mut powers: Vec<f64> = way
                .iter()
                .filter(|event| event.segment == segment)
                .map(|event| self.near(event, start_s + event.at_s * stretch, 0.0).map_or(0.0, |o| o.power))
                .collect();
            powers.sort_by(f64::total_cmp);
            powers[powers.len() / 2]
        };
        self.ways.iter().all(|way| {
            let (a, b) = (loudness(way, one), loudness(way, other));
            a.max(b) < OTHER * level || a.max(b) < LEVEL * a.min(b)
        })
    }

    /// How loud a segment was heard, when it was.
    fn heard_level(&self, way: &[Event], segment: usize, (start_s, stretch): (f64, f64)) -> Option<f64> {
        let events: Vec<&Event> = way.iter().filter(|event| event.segment == segment).collect();
        let at = |event_s: f64| start_s + event_s * stretch;
        let found: Vec<Option<&Onset>> =
            events.iter().map(|event| self.near(event, at(event.at_s), 0.0)).collect();
        let mut powers: Vec<f64> = found.iter().flatten().map(|onset| onset.power).collect();
        if powers.len() < 3 {
            return None;
        }
        powers.sort_by(f64::total_cmp);
        let level = powers[powers.len() / 2];
        let equal = powers.iter().filter(|power| (level / LEVEL..level * LEVEL).contains(power)).count();
        let between = events.windows(2).map(|pair| 0.5 * (pair[0].at_s + pair[1].at_s));
        let gaps = events.len() - 1;
        let disturbed = between
            .filter(|event_s| {
                let quarter_s = 0.25 * events[0].pace_s;
                let (from_s, to_s) = (at(event_s - quarter_s), at(event_s + quarter_s));
                let watch = &self.watches[events[0].band];
                watch.between(from_s, to_s).iter().any(|onset| onset.power > BETWEEN * level)
            })
            .count();
        // One more of them before or after, and it was a longer row of something else.
        let longer = [(segment.wrapping_sub(1), events[0].at_s - events[0].pace_s), {
            let last = events[events.len() - 1];
            (segment + 1, last.at_s + last.pace_s)
        }]
        .into_iter()
        .filter(|(next, _)| way.iter().all(|e| e.segment != *next || e.band != events[0].band))
        .any(|(_, event_s)| self.near(events[0], at(event_s), BETWEEN * level).is_some());
        let elsewhere =
            events.iter().filter(|event| self.louder_beside(way, event, at(event.at_s), level)).count();
        let is_heard = !longer
            && equal as f64 >= HEARD * events.len() as f64
            && disturbed as f64 <= TALK * gaps as f64
            && elsewhere as f64 <= TALK * events.len() as f64;
        is_heard.then_some(level)
    }

    /// Whether the band of a neighbouring segment sounds as well.
    fn louder_beside(&self, way: &[Event], event: &Event, at_s: f64, level: f64) -> bool {
        way.iter()
            .filter(|other| other.segment.abs_diff(event.segment) == 1 && other.band != event.band)
            .any(|other| self.near(other, at_s, OTHER * level).is_some())
    }
}

/// The first two events of every segment.
fn anchors(way: &[Event]) -> impl Iterator<Item = usize> {
    (0..way.len()).filter(|&i| i < 2 || way[i - 2].segment != way[i].segment)
}

fn events(
    start_s: f64,
    segment: &Segment,
    every_s: f64,
    middle_s: f64,
    band: usize,
    number: usize,
) -> impl Iterator<Item = Event> {
    // As many as the stretch has room for, however it was rounded.
    let count = (segment.duration_s / every_s + 1e-6).floor() as usize;
    (0..count).map(move |i| Event {
        at_s: start_s + i as f64 * every_s + middle_s,
        band,
        segment: number,
        pace_s: every_s,
    })
}

/// The straight line through points, as its value at zero and its slope.
fn line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let n = points.len() as f64;
    let mean = |f: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(f).sum::<f64>() / n;
    let (mean_x, mean_y) = (mean(&|p| p.0), mean(&|p| p.1));
    let squares = mean(&|p| (p.0 - mean_x).powi(2));
    let slope = mean(&|p| (p.0 - mean_x) * (p.1 - mean_y)) / squares;
    (points.len() > 2 && squares > 0.0).then_some((mean_y - slope * mean_x, slope))
}
