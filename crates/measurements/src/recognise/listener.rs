//! One signal that is listened for in a stream.

use dsp::correlate::MatchedFilter;
use dsp::fft::{fast_len, rfft};
use dsp::smoothing::LogMeans;
use dsp::window::Window;

use crate::cells::{Cells, Mark, Standing};

/// A template and what it has found in the stream so far.
pub(super) struct Listener {
    filter: MatchedFilter,
    cells: Cells,
    /// The first sample of the stream that has not been compared.
    next: usize,
    /// The band that is listened to.
    band_hz: (f64, f64),
    rate_hz: f64,
}

/// A peak this much above the mean of its block is looked at more closely: as high as
/// any that tells a sweep alone, seldom reached by anything else.
const WORTH_A_LOOK: f64 = 500.0;
/// A sixth of an octave is filled when it holds this part of the strongest one's power.
const FILLED: f64 = 0.03;

impl Listener {
    /// For a template in a band (in parts of the rate); in steps of at least `hop`
    /// samples where the answer is needed soon.
    pub(super) fn new(template: &[f64], band: (f64, f64), rate_hz: f64, hop: Option<usize>) -> Self {
        let filter = match hop {
            None => MatchedFilter::phase_only(template, band.0, band.1),
            Some(hop) => MatchedFilter::phase_only_by(template, band.0, band.1, hop),
        };
        let band_hz = (band.0 * rate_hz, band.1 * rate_hz);
        Self { filter, cells: Cells::new(template.len(), rate_hz, band_hz.0), next: 0, band_hz, rate_hz }
    }

    /// How far the stream has been compared.
    pub(super) fn next(&self) -> usize {
        self.next
    }

    /// The first sample of the stream that is still needed.
    pub(super) fn needed(&self) -> usize {
        self.next.saturating_sub(self.filter.reach().1)
    }

    /// Compares as much of the stream, which begins with sample `base`, as can be.
    pub(super) fn listen(&mut self, stream: &[f32], base: usize) {
        let (block, before) = self.filter.reach();
        while base + stream.len() + before >= self.next + block {
            self.compare(stream, base, self.filter.hop());
        }
    }

    /// Compares the rest, after which silence follows.
    pub(super) fn finish(&mut self, stream: &[f32], base: usize) {
        let end = base + stream.len();
        while self.next < end {
            self.compare(stream, base, self.filter.hop().min(end - self.next));
        }
    }

    fn compare(&mut self, stream: &[f32], base: usize, count: usize) {
        let position = self.next as i64 - base as i64;
        let powers = &self.filter.power(stream, position)[..count];
        let mean = powers.iter().sum::<f64>() / count as f64;
        let highest = powers.iter().copied().fold(0.0, f64::max);
        self.cells.take(self.next, powers);
        if highest > WORTH_A_LOOK * mean {
            self.look(stream, position, count, WORTH_A_LOOK * mean);
        }
        self.next += count;
    }

    /// Measures how much of the band the high peaks of a block fill: a sound that runs
    /// along the template for a moment, and a short tone, are pressed into a peak too, but
    /// of a narrow band.
    fn look(&mut self, stream: &[f32], position: i64, count: usize, enough: f64) {
        let compressed = &self.filter.compressed(stream, position)[..count];
        for mark in self.cells.high_from(self.next, enough) {
            let Some(at) = mark.position.checked_sub(self.next).filter(|at| *at < count) else { continue };
            let reach = self.cells.middle();
            let from = at.saturating_sub(reach);
            let near = &compressed[from..(at + reach + 1).min(count)];
            let octaves = filled_octaves(near, self.rate_hz, self.band_hz);
            self.cells.fill(mark.position, octaves);
        }
    }

    /// What stands out from a sample onward.
    pub(super) fn marks(&self, from: usize) -> Vec<(Mark, Standing)> {
        self.cells.marks_from(from)
    }
}

/// How many octaves of a band the spectrum of a few milliseconds fills.
fn filled_octaves(near: &[f64], rate_hz: f64, (from_hz, to_hz): (f64, f64)) -> f64 {
    let window = Window::Hann.fill(near.len());
    let windowed: Vec<f64> = near.iter().zip(&window).map(|(x, w)| x * w).collect();
    let n = fast_len(4 * near.len().max(8));
    let power: Vec<f64> = rfft(&windowed, n).iter().map(|bin| bin.norm_sqr()).collect();
    let means = LogMeans::new(power, rate_hz / n as f64);
    let step = 2f64.powf(1.0 / 12.0);
    let bands = (6.0 * (to_hz / from_hz).log2()).floor().max(1.0) as usize;
    let levels: Vec<f64> = (0..bands)
        .map(|index| from_hz * 2f64.powf((index as f64 + 0.5) / 6.0))
        .map(|middle_hz| means.mean(middle_hz / step, middle_hz * step))
        .collect();
    let strongest = levels.iter().copied().fold(0.0, f64::max);
    levels.iter().filter(|level| **level > FILLED * strongest).count() as f64 / 6.0
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use testkit::{at_most, near};

    use super::filled_octaves;

    /// Source: analytic; a single sample has every frequency, a windowed tone one.
    #[test]
    fn a_click_fills_the_band_and_a_beep_does_not() {
        let mut click = vec![0.0; 201];
        click[100] = 1.0;
        near("click", filled_octaves(&click, 22_050.0, (2_000.0, 8_000.0)), 2.0, 1e-9);
        let beep: Vec<f64> = (0..201).map(|i| (2.0 * PI * 3_000.0 * f64::from(i) / 22_050.0).sin()).collect();
        at_most("beep", filled_octaves(&beep, 22_050.0, (2_000.0, 8_000.0)), 0.5);
    }
}
