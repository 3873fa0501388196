//! A steady tone of a known frequency in a stream.

use std::f64::consts::PI;

use dsp::fft::Complex64;
use dsp::lanes::{dot_into, sum};
use dsp::window::Window;
use measure::{Signal, Stimulus};

use super::{Extent, Heard};

/// Watches for the tone of a track.
///
/// Frames of a quarter of a second are weighted by a Hann window and turned back by
/// the tone's phase. One holds the tone when most of its power is there and its phase
/// has moved on by no more than a clock could explain.
#[derive(Debug, Clone)]
pub(super) struct ToneWatch {
    track: String,
    frequency_hz: f64,
    rate_hz: f64,
    /// The window turned back by the tone, real and imaginary parts, and its sum.
    turned: [Vec<f64>; 2],
    turned_sum: Complex64,
    /// The window's own sum.
    weight: f64,
    frame: Vec<f32>,
    last: Option<Complex64>,
    /// For each frame, the difference of frequency where it holds the tone.
    off: Vec<Option<f64>>,
}

const FRAME_S: f64 = 0.25;
/// The share of the power that is the tone: a clipped one has 81 % at its worst.
const SHARE: f64 = 0.5;
/// How far off the frequency may be: clocks differ by less, and engines, generators and
/// instruments are seldom as near.
const OFF_PPM: f64 = 700.0;
/// What noise adds to that in one frame, as a phase.
const PHASE_NOISE: f64 = 0.05;
/// The shortest tone that is taken for a track.
const SHORTEST_S: f64 = 5.0;
/// A pause within one and the same track: a mute between two volume steps, or the player's
/// way from the end back to the beginning.
const PAUSE_S: f64 = 3.0;

impl ToneWatch {
    /// For a track that holds one tone and nothing else.
    pub(super) fn of(track: &Stimulus, rate_hz: f64) -> Option<Self> {
        let mut sounds = track.segments.iter().filter(|segment| segment.signal != Signal::Silence);
        let frequency_hz = match sounds.next()?.signal {
            Signal::Sine { frequency_hz } if frequency_hz < 0.4 * rate_hz => frequency_hz,
            _ => return None,
        };
        if sounds.next().is_some() {
            return None;
        }
        let window = Window::Hann.fill((FRAME_S * rate_hz) as usize);
        let turn = 2.0 * PI * frequency_hz / rate_hz;
        let turned = |part: fn(f64) -> f64| -> Vec<f64> {
            window.iter().enumerate().map(|(i, w)| w * part(-turn * i as f64)).collect()
        };
        let turned = [turned(f64::cos), turned(f64::sin)];
        Some(Self {
            track: track.name.clone(),
            frequency_hz,
            rate_hz,
            turned_sum: Complex64::new(sum(&turned[0]), sum(&turned[1])),
            turned,
            weight: sum(&window),
            frame: Vec::with_capacity(window.len()),
            last: None,
            off: Vec::new(),
        })
    }

    /// Takes the next samples of the stream.
    pub(super) fn feed(&mut self, samples: &[f32]) {
        let mut rest = samples;
        while !rest.is_empty() {
            let (now, later) = rest.split_at(rest.len().min(self.frame_len() - self.frame.len()));
            self.frame.extend_from_slice(now);
            rest = later;
            if self.frame.len() == self.frame_len() {
                self.judge();
                self.frame.clear();
            }
        }
    }

    fn frame_len(&self) -> usize {
        self.turned[0].len()
    }

    fn judge(&mut self) {
        let first = self.off.len() * self.frame_len();
        let mean = self.frame.iter().map(|x| f64::from(*x)).sum::<f64>() / self.frame.len() as f64;
        let power =
            self.frame.iter().map(|x| (f64::from(*x) - mean).powi(2)).sum::<f64>() / self.frame.len() as f64;
        // Whole turns are taken off first; hours into a stream they would cost digits.
        let start = (self.frequency_hz * first as f64 / self.rate_hz).fract() * 2.0 * PI;
        let [re, im] = &self.turned;
        let sum = Complex64::new(dot_into(re, &self.frame), dot_into(im, &self.frame));
        let amplitude = Complex64::cis(-start) * (sum - self.turned_sum * mean) * 2.0 / self.weight;
        let share = 0.5 * amplitude.norm_sqr() / power.max(1e-14);
        let off_hz = self.last.map(|last| (amplitude * last.conj()).arg() / (2.0 * PI * FRAME_S));
        let allowed_hz = self.frequency_hz * OFF_PPM * 1e-6 + PHASE_NOISE / (2.0 * PI * FRAME_S);
        let sounds = power > 1e-12 && share > SHARE;
        self.off.push(off_hz.filter(|off| sounds && off.abs() < allowed_hz));
        self.last = sounds.then_some(amplitude);
    }

    /// Every stretch of the tone since a moment.
    pub(super) fn heard(&self, moment_s: f64, ended: bool) -> Vec<Heard> {
        let from = ((moment_s / FRAME_S) as usize).min(self.off.len());
        let pause = (PAUSE_S / FRAME_S) as usize;
        let mut stretches: Vec<Heard> = Vec::new();
        let mut index = from;
        while index < self.off.len() {
            if self.off[index].is_none() {
                index += 1;
                continue;
            }
            let first = index;
            let mut last = index;
            while index < self.off.len() && index - last <= pause {
                if self.off[index].is_some() {
                    last = index;
                }
                index += 1;
            }
            let goes_on = !ended && self.off.len() - last <= pause;
            stretches.extend(self.stretch(first, last, goes_on));
        }
        stretches
    }

    fn stretch(&self, first: usize, last: usize, goes_on: bool) -> Option<Heard> {
        let off: Vec<f64> = self.off[first..=last].iter().flatten().copied().collect();
        let mean_hz = off.iter().sum::<f64>() / off.len() as f64;
        let ppm = mean_hz / self.frequency_hz * 1e6;
        let lasts = off.len() as f64 * FRAME_S >= SHORTEST_S;
        let frame_s = self.frame_len() as f64 / self.rate_hz;
        // The frame before the first one holds the tone's beginning.
        (lasts && ppm.abs() < OFF_PPM).then(|| Heard {
            track: self.track.clone(),
            start_s: ((first as f64 - 1.0) * frame_s - 0.25).max(0.0),
            end_s: (last as f64 + 1.0) * frame_s + 0.5,
            extent: if goes_on { Extent::Playing } else { Extent::Whole },
            clearness: off.len() as f64,
        })
    }
}
