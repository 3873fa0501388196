//! Finds the stretches of a recording in which a tone stands still.

use dsp::harmonics::{HarmonicAnalyzer, Harmonics};
use dsp::sine_fit::{four_parameter, guess_frequency, three_parameter};
use dsp::statistics::{mean, median, robust_deviation};
use dsp::window::Window;

use crate::scale::db;

/// A plateau is judged when the tone stood still this long.
pub(super) const STEADY_S: f64 = 0.3;

/// Later looks at the same plateau take this much.
const CHUNK_S: f64 = 0.5;

/// How long a stretch the tone's frequency is first read from.
const LOCK_S: f64 = 0.3;

/// A tone found by itself below this may be mains hum before the tone begins, and is
/// looked at again and again.
const HUM_BELOW_HZ: f64 = 130.0;

/// What is quieter is not called a tone.
const QUIETEST_DBFS: f64 = -75.0;

/// A frame this far from its plateau (or six times the scatter) does not belong to it.
const FAR_DB: f64 = 0.12;

/// The mean of the newest frames this far from the plateau's mean is a new plateau.
const NEAR_DB: f64 = 0.04;

/// How many frames that mean is taken from.
const RECENT: usize = 8;

/// How many frames a plateau has at the least to be noticed at all.
const LEAST_FRAMES: usize = 3;

/// How many frames are remembered for what happened between two plateaus.
const TRAIL: usize = 64;

/// A level that rises by less from frame to frame is not on its way to another step.
const RISING_DB: f64 = 0.06;

/// What is no tone and lies no further than this under the loudest tone is an overflow:
/// the jumps from one end of the scale to the other leave about the same power.
const OVERFLOW_UNDER_DB: f64 = 6.0;

/// How steady an overflow is, and how little music, speech and knocks are.
const OVERFLOW_STEADY_DB: f64 = 0.7;

/// A tone that has been turned up by so much is no hum.
const CLIMBED_DB: f64 = 0.25;

/// One stretch of a steady tone.
#[derive(Debug, Clone)]
pub(super) struct Plateau {
    pub start_s: f64,
    pub duration_s: f64,
    pub level_dbfs: f64,
    /// The tone taken apart, when it stood still long enough.
    pub judged: Option<Judged>,
    /// As loud as the tone and as steady, but no tone any more: numbers that have passed
    /// the end of their scale.
    pub is_overflow: bool,
}

/// What the tone of a plateau consists of: the middle of several looks.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Judged {
    pub signal_rms: f64,
    /// Zero where noise hides it.
    pub thd: f64,
    pub thd_at_most: f64,
    /// Curvature of the less round end re a sine's; absent with few harmonics.
    pub roundness: Option<f64>,
    /// Whether the distortion comes from a sharp corner.
    pub sharp: bool,
    pub peak: f64,
}

#[derive(Debug, Clone, Default)]
struct Open {
    start_frame: u64,
    /// The newest frame that belongs to it.
    last_frame: u64,
    levels: Vec<f64>,
    looks: Vec<Judged>,
    raw: Vec<f32>,
    peak: f64,
}

#[derive(Debug, Clone)]
struct Frame {
    index: u64,
    level_dbfs: f64,
    /// All samples of the frame; the last hop of them is new.
    samples: Vec<f32>,
}

/// Follows one tone through a stream.
///
/// The stream is cut into overlapping frames of 20 ms (100 ms for a low tone, in
/// which 40 Hz and hum of 50 and 60 Hz all fit whole periods); the tone's level in
/// each is a three-parameter sine fit, which leaves offset and hum out. A plateau ends when two frames in a row lie far from its level, or
/// when the mean of its newest frames has moved by more than their scatter explains.
pub(super) struct Tracker {
    sample_rate_hz: f64,
    wanted_hz: Option<f64>,
    tone_hz: Option<f64>,
    hop: usize,
    frame_len: usize,
    /// The newest samples, as many as a frame has.
    history: Vec<f32>,
    /// Samples not yet in a frame (or, before the lock, not yet looked at).
    pending: Vec<f32>,
    next_frame: u64,
    first_frame_s: f64,
    consumed: u64,
    open: Option<Open>,
    strays: Vec<Frame>,
    scatter_db: f64,
    /// The levels of the newest frames of an unbroken tone, each with its number.
    trail: Vec<(u64, f64)>,
    /// The last frame of the plateau that ended last.
    last_end: Option<u64>,
    loudest_db: f64,
    /// A loud stretch that is no tone: the levels of its frames, and the share of the
    /// tone's frequency in their power.
    loud: Vec<(f64, f64)>,
    strangers: usize,
    /// What came last, while the tone may be hum; twice as long as a look at it.
    recent: Vec<f32>,
    /// How much of it has come since it was looked at.
    unprobed: usize,
    /// The hum that was taken for the tone once.
    hum_hz: Option<f64>,
    analyzer: HarmonicAnalyzer,
    closed: Vec<Plateau>,
}

impl Tracker {
    /// A tracker for a tone of this frequency, or for whatever tone comes first.
    pub(super) fn new(sample_rate_hz: f64, wanted_hz: Option<f64>) -> Self {
        let mut tracker = Self {
            sample_rate_hz,
            wanted_hz,
            tone_hz: None,
            hop: 0,
            frame_len: 0,
            history: Vec::new(),
            pending: Vec::new(),
            next_frame: 0,
            first_frame_s: 0.0,
            consumed: 0,
            open: None,
            strays: Vec::new(),
            scatter_db: 0.01,
            trail: Vec::new(),
            last_end: None,
            loudest_db: f64::NEG_INFINITY,
            loud: Vec::new(),
            strangers: 0,
            recent: Vec::new(),
            unprobed: 0,
            hum_hz: None,
            analyzer: HarmonicAnalyzer::new(),
            closed: Vec::new(),
        };
        if let Some(tone_hz) = wanted_hz {
            tracker.lock(tone_hz);
        }
        tracker
    }

    /// The frequency of the tone once it is known.
    pub(super) fn tone_hz(&self) -> Option<f64> {
        self.tone_hz
    }

    /// Takes samples.
    pub(super) fn feed(&mut self, samples: &[f32]) {
        self.pending.extend_from_slice(samples);
        let lock_len = (LOCK_S * self.sample_rate_hz) as usize;
        let mut used = 0;
        loop {
            if self.tone_hz.is_none() {
                let Some(stretch) = self.pending.get(used..used + lock_len) else { break };
                let is_new = |hz: &f64| self.hum_hz.is_none_or(|hum_hz| (hz - hum_hz).abs() > 2.0);
                match find_tone(stretch, self.sample_rate_hz).filter(|(hz, _)| is_new(hz)) {
                    Some((tone_hz, _)) => {
                        self.first_frame_s = (self.consumed + used as u64) as f64 / self.sample_rate_hz;
                        self.next_frame = 0;
                        self.lock(tone_hz);
                    }
                    None => used += lock_len / 4,
                }
                continue;
            }
            let Some(frame) = self.pending.get(used..used + self.hop) else { break };
            self.history.extend_from_slice(frame);
            self.recent.extend_from_slice(frame);
            self.unprobed += self.hop;
            used += self.hop;
            self.take_hop();
            if self.was_hum(lock_len) {
                // Back to before the other tone began.
                self.pending.drain(..used);
                self.consumed = (self.consumed + used as u64).saturating_sub(self.recent.len() as u64);
                self.pending.splice(..0, self.recent.drain(..));
                used = 0;
                self.begin_again();
            }
        }
        self.pending.drain(..used);
        self.consumed += used as u64;
    }

    /// Samples were lost: what is open ends, and time goes on.
    pub(super) fn gap(&mut self, lost: u64) {
        self.close();
        self.end_overflow();
        self.pending.clear();
        self.history.clear();
        self.trail.clear();
        self.consumed += lost;
        self.first_frame_s += lost as f64 / self.sample_rate_hz;
    }

    /// Everything found so far; the plateau that still lasts comes last.
    pub(super) fn plateaus(&self) -> Vec<Plateau> {
        let mut plateaus = self.closed.clone();
        if let Some(open) = &self.open
            && !open.looks.is_empty()
        {
            plateaus.extend(self.plateau(open));
        }
        plateaus
    }

    /// Closes what is open.
    pub(super) fn finish(&mut self) {
        self.strays.clear();
        self.close();
        self.end_overflow();
    }

    fn lock(&mut self, tone_hz: f64) {
        self.tone_hz = Some(tone_hz);
        let (hops, seconds) = if tone_hz < HUM_BELOW_HZ { (4, (4.0 / tone_hz).max(0.1)) } else { (2, 0.02) };
        self.hop = ((seconds * self.sample_rate_hz).round() as usize).div_ceil(hops);
        self.frame_len = hops * self.hop;
        self.history.clear();
    }

    fn take_hop(&mut self) {
        let index = self.next_frame;
        self.next_frame += 1;
        let surplus = self.history.len().saturating_sub(self.frame_len);
        self.history.drain(..surplus);
        let Some(tone_hz) = self.tone_hz.filter(|_| self.history.len() == self.frame_len) else { return };
        let samples = self.history.clone();
        let mean_square = mean_square(&samples);
        let fit = three_parameter(&samples, self.sample_rate_hz, tone_hz);
        let power = fit.map_or(0.0, |fit| fit.amplitude * fit.amplitude / 2.0);
        let level_dbfs = 10.0 * (2.0 * power).log10();
        let offset = fit.map_or(0.0, |fit| fit.offset * fit.offset);
        let is_tone = level_dbfs > QUIETEST_DBFS && power > 0.5 * (mean_square - offset);
        if !is_tone {
            self.strays.clear();
            self.close();
            self.mind_lone_step();
            self.trail.clear();
            let loudness_db = 10.0 * (2.0 * mean_square).log10();
            self.mind_overflow(loudness_db, power / mean_square.max(f64::MIN_POSITIVE));
            self.mind_strangers(loudness_db);
            return;
        }
        self.end_overflow();
        self.strangers = 0;
        self.loudest_db = self.loudest_db.max(level_dbfs);
        if self.trail.len() == TRAIL {
            self.trail.remove(0);
        }
        self.trail.push((index, level_dbfs));
        self.accept(Frame { index, level_dbfs, samples });
    }

    /// Hum before the tone must not be taken for it: when something
    /// louder goes on that is not the tone locked to, the search begins again.
    fn mind_strangers(&mut self, level_dbfs: f64) {
        let louder = level_dbfs > self.loudest_db + 1.0 && level_dbfs > QUIETEST_DBFS;
        self.strangers = if louder { self.strangers + 1 } else { 0 };
    }

    /// Collects frames that are as loud as the tone was, and none.
    fn mind_overflow(&mut self, level_dbfs: f64, share: f64) {
        let middle = median(&self.loud.iter().map(|(level, _)| *level).collect::<Vec<_>>());
        if middle.is_some_and(|middle| (level_dbfs - middle).abs() > OVERFLOW_STEADY_DB) {
            self.end_overflow();
        }
        if level_dbfs > self.loudest_db - OVERFLOW_UNDER_DB && level_dbfs > QUIETEST_DBFS {
            self.loud.push((level_dbfs, share));
        } else {
            self.end_overflow();
        }
    }

    /// Makes a plateau of a loud stretch that is no tone, when it lasted long enough and
    /// came after tones that did.
    fn end_overflow(&mut self) {
        let frames = std::mem::take(&mut self.loud);
        let length = frames.len().saturating_sub(1) * self.hop + self.frame_len;
        if !self.is_steady(length) || !self.closed.iter().any(|plateau| plateau.judged.is_some()) {
            return;
        }
        let middle =
            |of: fn(&(f64, f64)) -> f64| median(&frames.iter().map(of).collect::<Vec<f64>>()).unwrap_or(0.0);
        let (level_dbfs, share) = (middle(|frame| frame.0), middle(|frame| frame.1).clamp(1e-6, 1.0));
        let thd = ((1.0 - share) / share).sqrt();
        let (hop_s, frame_s) =
            (self.hop as f64 / self.sample_rate_hz, self.frame_len as f64 / self.sample_rate_hz);
        let end = self.next_frame.saturating_sub(1) as f64;
        self.closed.push(Plateau {
            start_s: self.first_frame_s + (end - frames.len() as f64 + 1.0) * hop_s - frame_s + hop_s,
            duration_s: length as f64 / self.sample_rate_hz,
            level_dbfs,
            judged: Some(Judged {
                signal_rms: 10f64.powf(level_dbfs / 20.0) * std::f64::consts::FRAC_1_SQRT_2,
                thd,
                thd_at_most: thd,
                roundness: Some(1.0),
                ..Judged::default()
            }),
            is_overflow: true,
        });
    }

    /// Whether the tone has been turned up: hum is not.
    fn has_climbed(&self) -> bool {
        let levels = self.closed.iter().filter(|plateau| plateau.judged.is_some()).map(|p| p.level_dbfs);
        levels.clone().fold(f64::NEG_INFINITY, f64::max) - levels.fold(f64::INFINITY, f64::min) > CLIMBED_DB
    }

    /// Whether what was locked to was hum, and another tone has begun.
    fn was_hum(&mut self, lock_len: usize) -> bool {
        let may_be = |hz: &f64| *hz < HUM_BELOW_HZ && self.wanted_hz.is_none() && !self.has_climbed();
        let Some(tone_hz) = self.tone_hz.filter(may_be) else {
            self.recent.clear();
            return false;
        };
        if self.strangers * self.hop > lock_len / 3 {
            return true;
        }
        if self.unprobed < lock_len {
            return false;
        }
        self.unprobed = 0;
        let surplus = self.recent.len().saturating_sub(2 * lock_len);
        self.recent.drain(..surplus);
        let newest = &self.recent[self.recent.len().saturating_sub(lock_len)..];
        // Hum that is heard while the tone is muted is quieter than the tone was.
        let found = find_tone(newest, self.sample_rate_hz);
        found.is_some_and(|(hz, level_dbfs)| (hz - tone_hz).abs() > 2.0 && level_dbfs > self.loudest_db)
    }

    fn begin_again(&mut self) {
        self.hum_hz = self.tone_hz.take();
        self.unprobed = 0;
        self.strangers = 0;
        self.open = None;
        self.strays.clear();
        self.closed.clear();
        self.trail.clear();
        self.last_end = None;
        self.loudest_db = f64::NEG_INFINITY;
        self.loud.clear();
    }

    fn accept(&mut self, frame: Frame) {
        let Some(open) = &mut self.open else {
            self.open = Some(Open {
                start_frame: frame.index,
                last_frame: frame.index,
                levels: vec![frame.level_dbfs],
                ..Open::default()
            });
            return;
        };
        let recent = &open.levels[open.levels.len().saturating_sub(32)..];
        let centre = median(recent).unwrap_or(frame.level_dbfs);
        let scatter = if recent.len() >= RECENT {
            robust_deviation(recent).unwrap_or(0.0).max(0.003)
        } else {
            self.scatter_db
        };
        if (frame.level_dbfs - centre).abs() > FAR_DB.max(6.0 * scatter) {
            self.strays.push(frame);
            if self.strays.len() >= 2 {
                self.close();
                for stray in std::mem::take(&mut self.strays) {
                    self.accept(stray);
                }
            }
            return;
        }
        if !self.strays.is_empty() {
            // A click: the look that it fell into begins anew.
            self.strays.clear();
            open.raw.clear();
        }
        open.levels.push(frame.level_dbfs);
        open.last_frame = frame.index;
        // The first frames may still hold a piece of the change.
        let new = match open.levels.len() {
            0..=2 => 0,
            3 => self.frame_len,
            _ => self.hop,
        };
        open.raw.extend_from_slice(&frame.samples[self.frame_len - new..]);
        open.peak = frame.samples.iter().fold(open.peak, |peak, x| peak.max(f64::from(x.abs())));
        let steady = (open.levels.len() - 1) * self.hop + self.frame_len;
        let has_begun = (open.levels.len() == LEAST_FRAMES).then_some(open.start_frame);
        self.scatter_db = scatter;
        if let Some(start_frame) = has_begun {
            self.mind_quick_step(start_frame);
        }
        self.look(steady);
        self.mind_slow_change(scatter);
    }

    /// Whether this many samples are long enough for a step, the change at its
    /// beginning and end having cost up to a hop and a half.
    fn is_steady(&self, samples: usize) -> bool {
        samples as f64 + 1.5 * self.hop as f64 >= STEADY_S * self.sample_rate_hz
    }

    /// Takes the tone apart as soon as enough of it is there.
    fn look(&mut self, steady: usize) {
        let is_steady = self.is_steady(steady);
        let (Some(open), Some(tone_hz)) = (&mut self.open, self.tone_hz) else { return };
        let seconds = if open.looks.is_empty() { STEADY_S - 0.05 } else { CHUNK_S };
        if is_steady && open.raw.len() as f64 >= seconds * self.sample_rate_hz {
            let harmonics = self.analyzer.analyze(&open.raw, self.sample_rate_hz, tone_hz);
            open.looks.extend(harmonics.map(|harmonics| judged(&harmonics)));
            open.raw.clear();
        }
    }

    /// Finds a step between two plateaus that was shorter than three of the long frames
    /// of a low tone.
    ///
    /// While a frame slides over one change its level rises frame by frame, each time by
    /// about as much. Two rises with a lull between them, a frame or more apart, are two
    /// changes.
    fn mind_quick_step(&mut self, start_frame: u64) {
        let hops = self.frame_len / self.hop.max(1);
        let Some(end) = self.last_end.filter(|_| hops >= 4) else { return };
        let Some(first) = self.trail.iter().position(|(index, _)| *index == end) else { return };
        let between: Vec<f64> = self.trail[first..]
            .iter()
            .take_while(|(index, _)| *index <= start_frame)
            .map(|(_, level)| *level)
            .collect();
        let rises: Vec<f64> = between.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let least_rise = RISING_DB.max(6.0 * self.scatter_db);
        let steepest = |range: std::ops::Range<usize>| range.max_by(|&a, &b| rises[a].total_cmp(&rises[b]));
        let lull = (1..rises.len().saturating_sub(1))
            .filter_map(|at| {
                let (before, after) = (steepest(0..at)?, steepest(at + 1..rises.len())?);
                let lesser = rises[before].min(rises[after]);
                let is_lull =
                    lesser > least_rise && rises[at].abs() < 0.35 * lesser && after - before >= hops;
                is_lull.then_some((at, rises[at].abs()))
            })
            .min_by(|a, b| a.1.total_cmp(&b.1));
        let Some((at, _)) = lull else { return };
        let hop_s = self.hop as f64 / self.sample_rate_hz;
        let frame_s = self.frame_len as f64 / self.sample_rate_hz;
        self.closed.push(Plateau {
            start_s: self.first_frame_s + (end + 1) as f64 * hop_s,
            duration_s: (rises.len() as f64 * hop_s - frame_s).max(hop_s),
            level_dbfs: 0.5 * (between[at] + between[at + 1]),
            judged: None,
            is_overflow: false,
        });
    }

    /// Finds a step between two mutes that was too short for a plateau of a low tone's
    /// long frames: its level is that of the frame that it filled best.
    fn mind_lone_step(&mut self) {
        let (Some(&(first, _)), hops) = (self.trail.first(), self.frame_len / self.hop.max(1)) else {
            return;
        };
        let is_known = self.last_end.is_some_and(|end| end >= first);
        if is_known || hops < 4 || self.trail.len() < LEAST_FRAMES {
            return;
        }
        let hop_s = self.hop as f64 / self.sample_rate_hz;
        self.closed.push(Plateau {
            start_s: self.first_frame_s + first as f64 * hop_s,
            duration_s: self.trail.len() as f64 * hop_s,
            level_dbfs: self.trail.iter().map(|(_, level)| *level).fold(f64::NEG_INFINITY, f64::max),
            judged: None,
            is_overflow: false,
        });
    }

    /// Splits a plateau whose newest frames have moved by little, but surely.
    fn mind_slow_change(&mut self, scatter: f64) {
        let Some(open) = &mut self.open else { return };
        let count = open.levels.len();
        if count < RECENT + 4 {
            return;
        }
        let (before, newest) = open.levels.split_at(count - RECENT);
        let before = &before[before.len().saturating_sub(64)..];
        let (Some(was), Some(is)) = (median(before), mean(newest)) else { return };
        let surely = 6.0 * scatter / (RECENT as f64).sqrt();
        if (is - was).abs() <= NEAR_DB.max(surely) {
            return;
        }
        // The change lies where the newest frames are nearer to the new level.
        let turn = newest.iter().position(|level| (level - is).abs() < (level - was).abs()).unwrap_or(0);
        let kept = count - RECENT + turn;
        let next = Open {
            start_frame: open.start_frame + kept as u64,
            last_frame: open.last_frame,
            levels: open.levels.split_off(kept),
            peak: open.peak,
            ..Open::default()
        };
        open.last_frame = next.start_frame.saturating_sub(1);
        self.close();
        self.open = Some(next);
    }

    fn close(&mut self) {
        let Some(mut open) = self.open.take() else { return };
        if open.levels.len() < LEAST_FRAMES {
            return;
        }
        self.last_end = Some(open.last_frame);
        let steady = (open.levels.len() - 1) * self.hop + self.frame_len;
        if open.looks.is_empty()
            && self.is_steady(steady)
            && let Some(tone_hz) = self.tone_hz
        {
            let harmonics = self.analyzer.analyze(&open.raw, self.sample_rate_hz, tone_hz);
            open.looks.extend(harmonics.map(|harmonics| judged(&harmonics)));
        }
        let plateau = self.plateau(&open);
        self.closed.extend(plateau);
    }

    fn plateau(&self, open: &Open) -> Option<Plateau> {
        let (hop_s, frame_s) =
            (self.hop as f64 / self.sample_rate_hz, self.frame_len as f64 / self.sample_rate_hz);
        let middle = |of: fn(&Judged) -> f64| median(&open.looks.iter().map(of).collect::<Vec<f64>>());
        let judged = middle(|look| look.thd).map(|thd| Judged {
            thd,
            thd_at_most: middle(|look| look.thd_at_most).unwrap_or(0.0),
            signal_rms: middle(|look| look.signal_rms).unwrap_or(0.0),
            roundness: open
                .looks
                .iter()
                .all(|look| look.roundness.is_some())
                .then(|| middle(|look| look.roundness.unwrap_or(1.0)))
                .flatten(),
            sharp: 2 * open.looks.iter().filter(|look| look.sharp).count() > open.looks.len(),
            peak: open.peak,
        });
        // The first and last frame may hold a piece of a change.
        let inner =
            if open.levels.len() > 4 { &open.levels[1..open.levels.len() - 1] } else { &open.levels[..] };
        let level_dbfs = judged
            .map(|judged| db(judged.signal_rms * std::f64::consts::SQRT_2))
            .or_else(|| median(inner))?;
        Some(Plateau {
            start_s: self.first_frame_s + (open.start_frame + 1) as f64 * hop_s - frame_s,
            duration_s: (open.levels.len() - 1) as f64 * hop_s + frame_s,
            level_dbfs,
            judged,
            is_overflow: false,
        })
    }
}

fn judged(harmonics: &Harmonics) -> Judged {
    let ends = harmonics.roundness();
    let roundness = ends.map(|(top, bottom)| top.min(bottom));
    let high: f64 = harmonics.components.iter().skip(4).take(4).map(|c| c.norm_sqr()).sum();
    let heard = high.sqrt() > 6.0 * harmonics.noise_amplitude;
    let sharp = heard && harmonics.sharpness().is_some_and(|sharpness| sharpness > 0.8);
    Judged {
        signal_rms: harmonics.signal_rms(),
        thd: harmonics.thd.unwrap_or(0.0),
        thd_at_most: harmonics.thd_at_most,
        roundness,
        sharp,
        peak: 0.0,
    }
}

fn mean_square(samples: &[f32]) -> f64 {
    samples.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / samples.len() as f64
}

/// The frequency and level of the tone in a stretch, if most of what sounds is one.
fn find_tone(stretch: &[f32], sample_rate_hz: f64) -> Option<(f64, f64)> {
    let mean_square = mean_square(stretch);
    if 10.0 * (2.0 * mean_square).log10() < QUIETEST_DBFS {
        return None;
    }
    let start_hz = guess_frequency(stretch, sample_rate_hz, 15.0, 0.48 * sample_rate_hz)?;
    let fit = four_parameter(stretch, sample_rate_hz, start_hz, Window::Hann)?;
    let power = fit.amplitude * fit.amplitude / 2.0;
    (power > 0.5 * (mean_square - fit.offset * fit.offset))
        .then(|| (fit.frequency_hz, 10.0 * (2.0 * power).log10()))
}
