//! When something short begins in a narrow band of a stream.

use std::collections::VecDeque;
use std::f64::consts::PI;

use dsp::fft::Complex64;
use dsp::lanes::dot_into;
use dsp::window::Window;

/// Something short that began after quiet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Onset {
    /// The moment of its highest power in the band, in seconds of the stream.
    pub at_s: f64,
    /// That power.
    pub power: f64,
}

/// Watches a band for what is short.
///
/// The stream is turned back by the band's middle frequency and averaged under a Hann
/// window as long as what is looked for, which is the matched filter of a burst under a
/// raised cosine. An onset is a maximum of the power that stands out from what was there
/// just before.
///
/// References: matched filter, Turin, IRE Trans. IT-6, 1960.
#[derive(Debug, Clone)]
pub(super) struct OnsetWatch {
    rate_hz: f64,
    /// The turning of each sample of a block, its real and its imaginary parts, and that of the block as a whole.
    turn: [Vec<f64>; 2],
    block_turn: Complex64,
    window: Vec<f64>,
    /// What a steady sound of amplitude one adds up to under the window.
    weight: f64,
    /// The samples of a block that is not full.
    pending: Vec<f32>,
    phase: Complex64,
    blocks: VecDeque<Complex64>,
    per_frame: usize,
    /// The highest power of the frame that is being filled.
    filling: (usize, f64),
    /// The last frames, the first of which is number `base`.
    frames: VecDeque<f64>,
    base: usize,
    span_s: f64,
    onsets: Vec<Onset>,
}

/// The shortest time between two powers that are looked at.
const FRAME_S: f64 = 0.005;
/// Nothing of a power below this is an onset (full scale is one half): −120 dB.
const SILENT: f64 = 1e-12;
/// How far an onset must stand out from what is before it (10 dB).
const STANDS_OUT: f64 = 10.0;
/// How long before an onset's own length it must be quiet.
const QUIET_S: f64 = 0.06;
/// How much longer than itself an onset must be the highest.
const HIGHEST_S: f64 = 0.04;

impl OnsetWatch {
    /// For what lasts `span_s` around a frequency.
    pub(super) fn new(frequency_hz: f64, span_s: f64, rate_hz: f64) -> Self {
        let block = ((span_s / 8.0).min(FRAME_S) * rate_hz).max(4.0) as usize;
        let omega = -2.0 * PI * frequency_hz / rate_hz;
        let count = ((span_s * rate_hz / block as f64).round() as usize).max(1);
        // Two more, so that the outer ones of a Hann window are not zeros.
        let window: Vec<f64> = Window::Hann.fill(count + 2)[1..].iter().copied().take(count).collect();
        let turn = |part: fn(f64) -> f64| (0..block).map(|i| part(omega * i as f64)).collect();
        Self {
            rate_hz,
            turn: [turn(f64::cos), turn(f64::sin)],
            block_turn: Complex64::cis(omega * block as f64),
            weight: window.iter().sum::<f64>() * block as f64,
            window,
            pending: Vec::with_capacity(block),
            phase: Complex64::new(1.0, 0.0),
            blocks: VecDeque::from(vec![Complex64::default(); count]),
            per_frame: ((FRAME_S * rate_hz / block as f64).round() as usize).max(1),
            filling: (0, 0.0),
            frames: VecDeque::new(),
            base: 0,
            span_s,
            onsets: Vec::new(),
        }
    }

    /// Takes the next samples of the stream.
    pub(super) fn feed(&mut self, samples: &[f32]) {
        let mut rest = samples;
        while !rest.is_empty() {
            let (now, later) = rest.split_at(rest.len().min(self.block_len() - self.pending.len()));
            rest = later;
            if now.len() == self.block_len() {
                self.block(now);
                continue;
            }
            self.pending.extend_from_slice(now);
            if self.pending.len() == self.block_len() {
                let block = std::mem::take(&mut self.pending);
                self.block(&block);
                self.pending = block;
                self.pending.clear();
            }
        }
    }

    fn block_len(&self) -> usize {
        self.turn[0].len()
    }

    /// Says that silence follows.
    pub(super) fn end(&mut self) {
        let (before, after) = self.reach();
        let frame = self.per_frame * self.block_len();
        self.feed(&vec![0.0; (before + after + 1) * frame]);
    }

    fn block(&mut self, samples: &[f32]) {
        let [re, im] = &self.turn;
        let sum = Complex64::new(dot_into(re, samples), dot_into(im, samples));
        self.blocks.pop_front();
        self.blocks.push_back(sum * self.phase);
        self.phase *= self.block_turn;
        // One step of Newton's method for 1/|z| is enough to keep it from drifting.
        self.phase *= 1.5 - 0.5 * self.phase.norm_sqr();
        let sum: Complex64 = self.blocks.iter().zip(&self.window).map(|(block, w)| block * w).sum();
        self.filling.0 += 1;
        self.filling.1 = self.filling.1.max((sum / self.weight).norm_sqr());
        if self.filling.0 == self.per_frame {
            self.frames.push_back(self.filling.1);
            self.filling = (0, 0.0);
            self.judge();
        }
    }

    /// How many frames an onset must be the highest to each side, and how many more
    /// before it are looked at.
    fn reach(&self) -> (usize, usize) {
        let frame_s = (self.per_frame * self.block_len()) as f64 / self.rate_hz;
        let frames = |s: f64| (s / frame_s).ceil().max(1.0) as usize;
        (frames(self.span_s + QUIET_S), frames(0.5 * self.span_s + HIGHEST_S))
    }

    /// Judges the frame that is far enough from the last one.
    fn judge(&mut self) {
        let (before, after) = self.reach();
        let frame_s = (self.per_frame * self.block_len()) as f64 / self.rate_hz;
        let span = ((self.span_s / frame_s).ceil() as usize).max(1);
        if self.frames.len() <= after {
            return;
        }
        let middle = self.frames.len() - 1 - after;
        let power = self.frames[middle];
        let highest = self.frames.range(middle.saturating_sub(after)..).all(|other| *other <= power);
        if highest && power > SILENT {
            let quiet = middle.saturating_sub(before)..middle.saturating_sub(span);
            let count = quiet.len().max(1) as f64;
            let mean = self.frames.range(quiet).sum::<f64>() / count;
            if power > STANDS_OUT * mean {
                // The filter's middle lies half its length before its end.
                let length_s = (self.window.len() * self.block_len()) as f64 / self.rate_hz;
                let at_s = ((self.base + middle) as f64 + 0.5) * frame_s - 0.5 * length_s;
                let same = self.onsets.last().is_some_and(|last| at_s - last.at_s < HIGHEST_S);
                if !same {
                    self.onsets.push(Onset { at_s, power });
                }
            }
        }
        while self.frames.len() > before + 2 * after + 1 {
            self.frames.pop_front();
            self.base += 1;
        }
    }

    /// The onsets between two moments.
    pub(super) fn between(&self, from_s: f64, to_s: f64) -> &[Onset] {
        let first = self.onsets.partition_point(|onset| onset.at_s < from_s);
        let last = self.onsets.partition_point(|onset| onset.at_s <= to_s);
        &self.onsets[first..last.max(first)]
    }

    /// How exactly a moment is known.
    pub(super) fn jitter_s(&self) -> f64 {
        0.012 + 0.1 * self.span_s
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: analytic; a burst under a raised cosine has its highest power in its
    /// middle, that of half its peak squared, half a period of the Hann window's mean
    /// squared: (∫w²/∫w)²·A²/4 = (3/4)²/4.
    #[test]
    fn a_burst_is_one_onset_in_its_middle() {
        let rate = 22_050.0;
        for (frequency_hz, cycles) in [(31.5, 6.5), (500.0, 6.5), (8_000.0, 6.5)] {
            let span_s = cycles / frequency_hz;
            let mut samples = vec![0.0f32; 22_050];
            for i in 0..(span_s * rate) as usize {
                let t = i as f64 / rate;
                let envelope = (PI * t / span_s).sin().powi(2);
                samples[9_000 + i] = (0.5 * envelope * (2.0 * PI * frequency_hz * t).sin()) as f32;
            }
            let mut watch = OnsetWatch::new(frequency_hz, span_s, rate);
            samples.chunks(1_000).for_each(|part| watch.feed(part));
            watch.end();
            assert_eq!(watch.onsets.len(), 1, "{frequency_hz} Hz: {:?}", watch.onsets);
            near("middle", watch.onsets[0].at_s, 9_000.0 / rate + 0.5 * span_s, watch.jitter_s());
            // A block of the highest frequency is as long as a third of its window.
            let wanted = 0.25 * 0.25 * 0.5625;
            near("power", watch.onsets[0].power, wanted, 0.35 * wanted);
        }
    }
}
