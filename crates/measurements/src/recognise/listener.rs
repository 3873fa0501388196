//! The signals that are listened for in a stream.

use dsp::compress::{Block, PhaseFilter, WorkingSpace};
use dsp::fft::{Complex64, InverseFft, fast_len};
use dsp::smoothing::LogMeans;
use dsp::turn::turn;
use dsp::window::Window;

use crate::cells::{Cells, Mark, Standing};

/// A signal that is to be listened for.
#[derive(PartialEq)]
pub(crate) struct Wanted {
    pub template: Vec<f64>,
    /// The band that is listened to.
    pub band_hz: (f64, f64),
}

/// Listens to one stream for several signals: each block of it is transformed once for all.
pub(crate) struct Listeners {
    block: Block,
    /// How much of a block lies before its first result, and how many results it has.
    guard: usize,
    hop: usize,
    each: Vec<Listener>,
    /// The first sample of the stream that has not been compared.
    next: usize,
}

/// A template and what it has found in the stream so far.
struct Listener {
    filter: PhaseFilter,
    /// In results of the filter, not samples.
    cells: Cells,
    band_hz: (f64, f64),
    rate_hz: f64,
}

/// What listeners compare in, one after another: of a standard track a listener would need megabytes of its own.
#[derive(Default)]
pub(crate) struct Workbench {
    space: WorkingSpace,
    powers: Vec<f32>,
}

/// How many samples may lie between two that are looked at: a third of a millisecond.
const SPACING: usize = 8;
/// A peak this much above the mean of its block is looked at more closely: as high as
/// any that tells a sweep alone, seldom reached by anything else.
const WORTH_A_LOOK: f64 = 500.0;
/// A sixth of an octave is filled when it holds this part of the strongest one's power.
const FILLED: f64 = 0.03;

impl Listeners {
    /// For signals in a stream; `hop` gives about how many samples are compared at once, by
    /// how many a template and its guards need. The fewer, the sooner the answer and the more
    /// work.
    pub(crate) fn new(wanted: &[Wanted], rate_hz: f64, hop: impl FnOnce(usize) -> usize) -> Self {
        let longest = wanted.iter().map(|wanted| wanted.template.len()).max().unwrap_or(0);
        let guard = wanted
            .iter()
            .map(|wanted| PhaseFilter::guard(wanted.template.len(), wanted.band_hz.0 / rate_hz))
            .max()
            .unwrap_or(0);
        let needed = longest + 2 * guard;
        let n = fast_len((needed + hop(needed).max(1 << 11) + SPACING).max(1 << 12));
        let each = wanted
            .iter()
            .map(|wanted| {
                let band = (wanted.band_hz.0 / rate_hz, wanted.band_hz.1 / rate_hz);
                let filter = PhaseFilter::new(&wanted.template, band, n, guard, SPACING);
                let spacing = filter.spacing();
                let rate_hz = rate_hz / spacing as f64;
                let cells = Cells::new(wanted.template.len() / spacing, rate_hz, wanted.band_hz.0);
                Listener { filter, cells, band_hz: wanted.band_hz, rate_hz }
            })
            .collect();
        // Every block begins at a result of every filter.
        Self { block: Block::new(n), guard, hop: (n - needed) / SPACING * SPACING, each, next: 0 }
    }

    /// How far the stream has been compared.
    pub(crate) fn next(&self) -> usize {
        self.next
    }

    /// The first sample of the stream that is still needed.
    pub(crate) fn needed(&self) -> usize {
        if self.each.is_empty() { usize::MAX } else { self.next.saturating_sub(self.guard) }
    }

    /// Compares as much of the stream, which begins with sample `base`, as can be.
    pub(crate) fn listen(&mut self, stream: &[f32], base: usize, bench: &mut Workbench) {
        while !self.each.is_empty() && base + stream.len() + self.guard >= self.next + self.block.len() {
            self.compare(stream, base, self.hop, bench);
        }
    }

    /// Compares the rest, after which silence follows.
    pub(crate) fn finish(&mut self, stream: &[f32], base: usize, bench: &mut Workbench) {
        let end = base + stream.len();
        while !self.each.is_empty() && self.next < end {
            self.compare(stream, base, self.hop.min(end - self.next), bench);
        }
    }

    fn compare(&mut self, stream: &[f32], base: usize, count: usize, bench: &mut Workbench) {
        self.block.take(stream, self.next as i64 - base as i64 - self.guard as i64);
        for listener in &mut self.each {
            listener.compare(&self.block, self.next, count, bench);
        }
        self.next += count;
    }

    /// Lets go of what is not needed for what stands out from a sample onward.
    pub(crate) fn forget_before(&mut self, from: usize) {
        for Listener { filter, cells, .. } in &mut self.each {
            cells.forget_before(from / filter.spacing());
        }
    }

    /// What stands out for each listener from a sample onward, all positions in samples.
    pub(crate) fn marks(&self, from: usize) -> Vec<Vec<(Mark, Standing)>> {
        self.each.iter().map(|listener| listener.marks(from)).collect()
    }
}

impl Listener {
    fn marks(&self, from: usize) -> Vec<(Mark, Standing)> {
        let spacing = self.filter.spacing();
        let marks = self.cells.marks_from(from / spacing).into_iter();
        marks.map(|(mark, standing)| (Mark { position: mark.position * spacing, ..mark }, standing)).collect()
    }

    fn compare(&mut self, block: &Block, start: usize, count: usize, bench: &mut Workbench) {
        let (first, count) = (start / self.filter.spacing(), count.div_ceil(self.filter.spacing()));
        let Workbench { space, powers } = bench;
        powers.clear();
        powers.extend(self.filter.powers(block, space).take(count));
        let mean = powers.iter().map(|power| f64::from(*power)).sum::<f64>() / count as f64;
        let highest = powers.iter().copied().fold(0.0, f32::max);
        self.cells.take(first, powers);
        if f64::from(highest) > WORTH_A_LOOK * mean {
            self.look(first, count, WORTH_A_LOOK * mean, space);
        }
    }

    /// Measures how much of the band the high peaks of a block fill: a sound that runs
    /// along the template for a moment, and a short tone, are pressed into a peak too, but
    /// of a narrow band.
    fn look(&mut self, first: usize, count: usize, enough: f64, space: &WorkingSpace) {
        for mark in self.cells.high_from(first, enough) {
            let Some(at) = mark.position.checked_sub(first).filter(|at| *at < count) else { continue };
            let (near, zero) = self.filter.around(space, at, self.cells.middle());
            let zero_hz = zero * self.rate_hz * self.filter.spacing() as f64;
            let octaves = filled_octaves(&near, self.rate_hz, zero_hz, self.band_hz);
            self.cells.fill(mark.position, octaves);
        }
    }
}

/// How many octaves of a band the spectrum of a few milliseconds fills, `zero_hz` being the
/// frequency that is zero in them.
fn filled_octaves(near: &[Complex64], rate_hz: f64, zero_hz: f64, (from_hz, to_hz): (f64, f64)) -> f64 {
    let window = Window::Hann.fill(near.len());
    let n = fast_len(4 * near.len().max(8));
    let bin_hz = rate_hz / n as f64;
    // Turned by a part of a bin, so that zero lies on one.
    let zero = (zero_hz / bin_hz).floor() as usize;
    let mut bins: Vec<Complex64> = near.iter().zip(&window).map(|(z, w)| (z * w).conj()).collect();
    turn(&mut bins, -2.0 * std::f64::consts::PI * (zero_hz / bin_hz).fract() / n as f64);
    bins.resize(n, Complex64::default());
    // The inverse of what is conjugated is the conjugate of the forward transform.
    InverseFft::new(n).process(&mut bins);
    let mut power = vec![0.0; zero];
    power.extend(bins.iter().map(|bin| bin.norm_sqr()));
    let means = LogMeans::new(power, bin_hz);
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

    use dsp::fft::Complex64;
    use testkit::{at_most, near};

    use super::filled_octaves;

    /// Source: analytic; a single sample has every frequency, a windowed tone one.
    #[test]
    fn a_click_fills_the_band_and_a_beep_does_not() {
        let mut click = vec![Complex64::default(); 201];
        click[100] = Complex64::ONE;
        for zero_hz in [0.0, 1_999.0] {
            near("click", filled_octaves(&click, 22_050.0, zero_hz, (2_000.0, 8_000.0)), 2.0, 1e-9);
            let beep: Vec<Complex64> = (0..201)
                .map(|i| Complex64::cis(2.0 * PI * (3_000.0 - zero_hz) * f64::from(i) / 22_050.0))
                .collect();
            at_most("beep", filled_octaves(&beep, 22_050.0, zero_hz, (2_000.0, 8_000.0)), 0.5);
        }
    }
}
