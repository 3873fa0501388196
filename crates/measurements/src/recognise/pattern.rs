//! How the signals of a track follow each other, and where they do in what was heard.

use dsp::resample::change_rate;
use measure::{Segment, Side, Signal, Stimulus};

use super::listener::Wanted;
use super::{Extent, Heard};
use crate::cells::{Mark, Standing};
use crate::clock::MOST_PPM;
use crate::excitation::Excitation;
use crate::signals::{noise_stretches, timeline};

/// Signals at known distances.
#[derive(Debug, Clone)]
pub(super) struct Pattern {
    track: String,
    /// Which listener hears each part, and how long after the first part it begins.
    parts: Vec<(usize, f64)>,
    /// How long after the track's beginning the first part begins.
    lead_s: f64,
    /// How long the last part sounds.
    last_s: f64,
    /// How long the track lasts.
    track_s: f64,
    /// What must be true of a part that is heard alone.
    alone: fn(&Standing) -> bool,
}

/// How far off its moment a part may be for other reasons.
const SLACK_S: f64 = 0.02;
/// How far apart in power two copies may be (10 dB).
const ALIKE: f64 = 10.0;
/// The part of the lower rate that is listened to: what the decimator keeps whole.
const TOP: f64 = 0.4;
/// The rates at which a noise track may have been written; each has its own samples.
const TRACK_RATES_HZ: [f64; 3] = [44_100.0, 48_000.0, 96_000.0];
/// How long a piece of a noise is that is listened for, and up to where: over a second,
/// 300 ppm turn what lies higher against itself.
const PIECE_S: f64 = 1.0;
const PIECE_TOP_HZ: f64 = 4_000.0;

/// The patterns of tracks, and the listeners that they need.
pub(super) fn patterns(tracks: &[Stimulus], rate_hz: f64) -> (Vec<Wanted>, Vec<Pattern>) {
    let mut listeners = Vec::new();
    let mut patterns = Vec::new();
    for track in tracks {
        if let Some(noise) = noise_of(track) {
            for file_rate_hz in TRACK_RATES_HZ {
                patterns.extend(noise_pattern(track, noise, file_rate_hz, rate_hz, &mut listeners));
            }
        } else if let Ok(longest) = Excitation::of(track) {
            patterns.extend(sweep_pattern(track, &longest, rate_hz, &mut listeners));
        }
    }
    (listeners, patterns)
}

/// The copies of a track's sweep, and of the other one that it has on the other side.
fn sweep_pattern(
    track: &Stimulus,
    longest: &Excitation,
    rate_hz: f64,
    listeners: &mut Vec<Wanted>,
) -> Option<Pattern> {
    let other = |segment: &Segment| segment.side != Side::Both && segment.side != longest.side();
    let other = (longest.side() != Side::Both).then(|| Excitation::longest(track, other).ok()).flatten();
    let mut parts = Vec::new();
    let mut new: Vec<Wanted> = Vec::new();
    for excitation in std::iter::once(longest).chain(&other) {
        let wanted = wanted_sweep(excitation, rate_hz)?;
        // Several tracks have the same reference burst.
        let known = listeners.iter().chain(&new).position(|known| *known == wanted);
        let index = known.unwrap_or(listeners.len() + new.len());
        if known.is_none() {
            new.push(wanted);
        }
        parts.extend(excitation.starts_s.iter().map(|start_s| (index, *start_s, excitation.duration_s)));
    }
    parts.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (first, last) = (*parts.first()?, *parts.last()?);
    if parts.len() < 2 {
        return None;
    }
    listeners.extend(new);
    Some(Pattern {
        track: track.name.clone(),
        parts: parts.into_iter().map(|(index, start_s, _)| (index, start_s - first.1)).collect(),
        lead_s: first.1,
        last_s: last.2,
        track_s: track.duration_s(),
        // A short burst alone is not told from a knock.
        alone: if first.2 > 2.0 { Standing::tells_a_sweep } else { |_| false },
    })
}

/// A sweep as it is listened for at a rate; nothing where the rate holds too little of it.
fn wanted_sweep(excitation: &Excitation, rate_hz: f64) -> Option<Wanted> {
    let sweep = excitation.sweep(rate_hz)?;
    let top_hz = excitation.to_hz.min(TOP * rate_hz);
    if top_hz < 1.3 * excitation.from_hz {
        return None;
    }
    let mut template = excitation.samples(rate_hz);
    // What lies above is not listened to.
    template.truncate((sweep.time_of_s(top_hz) * rate_hz).ceil() as usize + 1);
    Some(Wanted { template, band_hz: (excitation.from_hz, top_hz) })
}

/// The noise of a track that holds nothing else, and when it begins.
fn noise_of(track: &Stimulus) -> Option<(f64, &Segment)> {
    let mut sounds = timeline(track).filter(|(_, segment)| segment.signal != Signal::Silence);
    let (start_s, segment) = sounds.next()?;
    let alone = sounds.next().is_none();
    let is_noise = matches!(segment.signal, Signal::Pink { period_s: None, .. });
    (alone && is_noise && segment.duration_s > 4.0 * PIECE_S).then_some((start_s, segment))
}

/// A piece near the beginning and one near the end.
fn noise_pattern(
    track: &Stimulus,
    (start_s, segment): (f64, &Segment),
    file_rate_hz: f64,
    rate_hz: f64,
    listeners: &mut Vec<Wanted>,
) -> Option<Pattern> {
    let Signal::Pink { from_hz, to_hz, .. } = segment.signal else { return None };
    let top_hz = to_hz.min(TOP * rate_hz).min(PIECE_TOP_HZ);
    if top_hz < 1.3 * from_hz {
        return None;
    }
    let index = listeners.len();
    let pieces_s = [0.5 * PIECE_S, segment.duration_s - 1.5 * PIECE_S];
    let places = pieces_s.map(|piece_s| {
        let first = (piece_s * file_rate_hz) as usize;
        first..first + (PIECE_S * file_rate_hz) as usize
    });
    // Their level does not matter to what listens by the phase.
    for piece in noise_stretches(segment, file_rate_hz, &places)? {
        let template: Vec<f64> =
            change_rate(&piece, file_rate_hz, rate_hz).into_iter().map(f64::from).collect();
        listeners.push(Wanted { template, band_hz: (from_hz, top_hz) });
    }
    let at_s = |piece_s: f64| (piece_s * file_rate_hz).trunc() / file_rate_hz;
    Some(Pattern {
        track: track.name.clone(),
        parts: vec![(index, 0.0), (index + 1, at_s(pieces_s[1]) - at_s(pieces_s[0]))],
        lead_s: start_s + at_s(pieces_s[0]),
        last_s: PIECE_S,
        track_s: track.duration_s(),
        alone: Standing::tells_a_noise,
    })
}

impl Pattern {
    /// The listeners that it needs.
    pub(super) fn listeners(&self) -> impl Iterator<Item = usize> {
        self.parts.iter().map(|(index, _)| *index)
    }

    /// Adds what was heard of it. `progress` holds how much there is, how much of that
    /// has been compared, and whether that is all.
    pub(super) fn heard(
        &self,
        marks: &[Vec<(Mark, Standing)>],
        rate_hz: f64,
        (elapsed_s, known_s, ended): (f64, f64, bool),
        guesses: &mut Vec<Heard>,
    ) {
        let second_s = self.parts[self.parts.len() - 1].1;
        for (mark, standing) in &marks[self.parts[0].0] {
            let at_s = mark.position as f64 / rate_hz;
            // The part that begins so much later, or earlier, than this one.
            let fellow = |listener: usize, offset_s: f64| {
                let same = listener == self.parts[0].0;
                nearest(
                    &marks[listener],
                    if same { mark.power / ALIKE..mark.power * ALIKE } else { 0.0..f64::INFINITY },
                    rate_hz,
                    at_s + offset_s,
                    SLACK_S + offset_s.abs() * MOST_PPM * 1e-6,
                )
            };
            let later: Vec<Option<(f64, Standing)>> =
                self.parts[1..].iter().map(|(listener, offset_s)| fellow(*listener, *offset_s)).collect();
            // What has not been compared yet may still come.
            let pending = |offset_s: f64| at_s + offset_s * (1.0 + MOST_PPM * 1e-6) + SLACK_S >= known_s;
            let is_under_way = !ended
                && later.iter().any(Option::is_some)
                && later.iter().zip(&self.parts[1..]).all(|(part, (_, at))| part.is_some() || pending(*at));
            let rest: Option<Vec<(f64, Standing)>> = later.iter().copied().collect();
            // A later copy is no beginning, however much clearer than the first it is heard.
            let is_later = || {
                let mut copies = self.parts[1..].iter().filter(|(listener, _)| *listener == self.parts[0].0);
                copies.any(|(listener, offset_s)| fellow(*listener, -offset_s).is_some())
            };
            match rest {
                Some(rest) if !rest.is_empty() => {
                    let (last_s, _) = rest[rest.len() - 1];
                    let stretch = (last_s - at_s) / second_s;
                    let clearness = rest
                        .iter()
                        .map(|(_, standing)| standing.clearness())
                        .fold(standing.clearness(), f64::min);
                    if clearness < PAIR {
                        continue;
                    }
                    let sounds_until_s = last_s + self.last_s;
                    let extent = match (sounds_until_s <= elapsed_s + SLACK_S, ended) {
                        (true, _) => Extent::Whole,
                        (false, true) => Extent::Cut,
                        (false, false) => Extent::Playing,
                    };
                    guesses.push(self.guess(at_s, stretch, extent, clearness));
                }
                _ if is_under_way && !is_later() => {
                    let parts = later.iter().flatten().map(|(_, standing)| standing.clearness());
                    let clearness = parts.fold(standing.clearness(), f64::min);
                    guesses.push(self.guess(at_s, 1.0, Extent::Playing, clearness));
                }
                _ if (self.alone)(standing) && !is_later() => {
                    let due_s = at_s + second_s * (1.0 + MOST_PPM * 1e-6) + SLACK_S;
                    let (missing, first_s) = match due_s < known_s {
                        // What is missing is the beginning, where that lies before the
                        // recording's.
                        true => (true, if at_s < second_s { at_s - second_s } else { at_s }),
                        false => (ended, at_s),
                    };
                    let extent = if missing { Extent::Cut } else { Extent::Playing };
                    guesses.push(self.guess(first_s, 1.0, extent, standing.clearness()));
                }
                _ => {}
            }
        }
        if !self.parts.iter().all(|(listener, _)| *listener == self.parts[0].0) {
            self.ends(marks, rate_hz, guesses);
        }
    }

    /// Adds last parts, unlike the first ones, whose track began before the recording.
    fn ends(&self, marks: &[Vec<(Mark, Standing)>], rate_hz: f64, guesses: &mut Vec<Heard>) {
        let (listener, second_s) = self.parts[self.parts.len() - 1];
        for (mark, standing) in &marks[listener] {
            let first_s = mark.position as f64 / rate_hz - second_s;
            if (self.alone)(standing) && first_s < 0.0 {
                guesses.push(self.guess(first_s, 1.0, Extent::Cut, standing.clearness()));
            }
        }
    }

    fn guess(&self, first_s: f64, stretch: f64, extent: Extent, clearness: f64) -> Heard {
        let start_s = first_s - self.lead_s * stretch;
        Heard {
            track: self.track.clone(),
            start_s,
            end_s: start_s + self.track_s * stretch,
            extent,
            clearness,
        }
    }
}

/// Copies that are less clear than this are not ours: a siren that comes back as often as they do reaches 15.
const PAIR: f64 = 100.0;

/// The strongest mark of a power near a moment.
fn nearest(
    marks: &[(Mark, Standing)],
    powers: std::ops::Range<f64>,
    rate_hz: f64,
    at_s: f64,
    within_s: f64,
) -> Option<(f64, Standing)> {
    marks
        .iter()
        .filter(|(mark, _)| powers.contains(&mark.power))
        .map(|(mark, standing)| (mark.position as f64 / rate_hz, mark.power, *standing))
        .filter(|(position_s, ..)| (position_s - at_s).abs() <= within_s)
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(position_s, _, standing)| (position_s, standing))
}
