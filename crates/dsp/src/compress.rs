//! Pulse compression of a stream for several templates at once, in single precision.

use num_complex::{Complex32, Complex64};

use crate::fft::{InverseFft, RealFft};
use crate::window::rise;

/// The part of a band's limit in which a filter is faded.
const FADED: f64 = 0.25;
/// How many cycles of the lower limit a filter rings beyond its template: the reciprocal of
/// the fade, less what a raised cosine has lost by then.
const GUARD_CYCLES: f64 = 12.0;

/// A block of a stream, transformed once for every filter that is asked about it.
///
/// # Real-time
/// [`Block::new`] allocates; [`Block::take`] does not after the first time.
pub struct Block {
    fft: RealFft<f32>,
    time: Vec<f32>,
    spectrum: Vec<Complex32>,
}

impl Block {
    /// Blocks of `n` samples.
    ///
    /// # Panics
    /// When `n` is zero.
    #[must_use]
    pub fn new(n: usize) -> Self {
        let fft = RealFft::new(n);
        let spectrum = vec![Complex32::default(); fft.bins()];
        Self { time: vec![0.0; n], spectrum, fft }
    }

    /// How many samples a block has.
    #[must_use]
    pub fn len(&self) -> usize {
        self.fft.len()
    }

    /// Never: a block has samples.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        false
    }

    /// Transforms the samples from `first` on, which counts from the beginning of `stream`;
    /// silence is around it.
    pub fn take(&mut self, stream: &[f32], first: i64) {
        let silent = (-first).clamp(0, self.time.len() as i64) as usize;
        let from = (first.max(0) as usize).min(stream.len());
        let stretch = &stream[from..stream.len().min(from + self.time.len() - silent)];
        self.time[..silent].fill(0.0);
        self.time[silent..silent + stretch.len()].copy_from_slice(stretch);
        self.time[silent + stretch.len()..].fill(0.0);
        self.fft.forward(&mut self.time, &mut self.spectrum);
    }
}

/// Presses a template into one short peak wherever it begins.
///
/// Of the template only the phase is used: every frequency of a band counts alike, however
/// little the template holds of it, and nothing outside does; a quarter of either end is faded.
/// What results is the analytic signal of the correlation, turned down to the band's lower
/// end, at every [`PhaseFilter::spacing`]th sample: a band needs no more samples than it has
/// width, and its inverse transform is as much shorter.
///
/// References: matched filter (pulse compression), Turin, IRE Trans. IT-6, 1960; overlap-save
/// and sampling of a band, Oppenheim & Schafer, *Discrete-Time Signal Processing*, sections 8.7
/// and 4.6. Accuracy: `powers_are_those_of_the_envelope`; rounding lies 120 dB below the
/// loudest. Cost: a complex inverse transform of `n/spacing` values a block, 1.6 ms for 2^18.
pub struct PhaseFilter {
    spacing: usize,
    inverse: InverseFft<f32>,
    /// The lowest bin that passes, and what it and those above it are multiplied by.
    first: usize,
    filter: Vec<Complex32>,
}

/// What a filter computes in. Many filters that are asked one after another share one: it holds what the last of them
/// pressed together, and is as large as the largest of them needs.
#[derive(Debug, Default)]
pub struct WorkingSpace {
    pressed: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl PhaseFilter {
    /// How far a filter for a band from `from` (in parts of the sample rate) up reaches beyond
    /// its template's ends. Without its sizes it rings for as long as the fades are narrow;
    /// where a block begins and ends that must not count.
    #[must_use]
    pub fn guard(template_len: usize, from: f64) -> usize {
        ((GUARD_CYCLES / from.max(1e-6)) as usize).min(template_len / 2)
    }

    /// For a template in a band (in parts of the sample rate) and blocks of `n` samples, which
    /// begin `guard` samples before the first result; one result for at most `spacing` samples,
    /// which is a power of two that divides `n`.
    ///
    /// # Panics
    /// When the template and the guard on both sides do not fit a block, or the spacing does not.
    #[must_use]
    pub fn new(template: &[f64], (from, to): (f64, f64), n: usize, guard: usize, spacing: usize) -> Self {
        assert!(template.len() + 2 * guard < n, "a block holds a template");
        assert!(spacing.is_power_of_two() && n.is_multiple_of(spacing), "a spacing divides a block");
        let mut block = Block::new(n);
        for (slot, x) in block.time[guard..].iter_mut().zip(template) {
            *slot = *x as f32;
        }
        block.fft.forward(&mut block.time, &mut block.spectrum);
        let first = (from * n as f64) as usize;
        let last = ((to * n as f64) as usize + 1).min(block.spectrum.len());
        // An envelope is twice the one-sided spectrum; the transforms are not scaled.
        let scale = 2.0 / n as f64;
        let filter: Vec<Complex32> = (first..last)
            .map(|k| {
                let f = k as f64 / n as f64;
                let gain = scale * rise((f / from - 1.0) / FADED) * rise((1.0 - f / to) / FADED);
                let size = block.spectrum[k].norm_sqr().sqrt();
                if size > 0.0 {
                    block.spectrum[k].conj() * (gain as f32 / size)
                } else {
                    Complex32::default()
                }
            })
            .collect();
        let mut spacing = spacing;
        while spacing > 1 && filter.len() * 8 > n / spacing * 7 {
            spacing /= 2;
        }
        Self { spacing, inverse: InverseFft::new(n / spacing), first, filter }
    }

    /// How many samples lie from one result to the next.
    #[must_use]
    pub fn spacing(&self) -> usize {
        self.spacing
    }

    /// Compresses a block, and gives the squared envelope at every [`PhaseFilter::spacing`]th
    /// sample; those of the last template's length and guards are not valid.
    ///
    /// # Panics
    /// When the block is of another length.
    pub fn powers<'a>(
        &self,
        block: &Block,
        space: &'a mut WorkingSpace,
    ) -> impl Iterator<Item = f32> + use<'a> {
        assert_eq!(block.len(), self.inverse.len() * self.spacing, "a block of the filter's own length");
        let bins = &block.spectrum[self.first..self.first + self.filter.len()];
        let WorkingSpace { pressed, scratch } = space;
        pressed.clear();
        pressed.extend(bins.iter().zip(&self.filter).map(|(x, filter)| x * filter));
        pressed.resize(self.inverse.len(), Complex32::default());
        self.inverse.process_in(pressed, scratch);
        pressed.iter().map(|z| z.re * z.re + z.im * z.im)
    }

    /// The compressed signal of the block that was asked about last, by this filter, around one of its results:
    /// `reach` results to each side as far as there are any, and the frequency (in parts of the sample rate) that is
    /// zero there.
    #[must_use]
    pub fn around(&self, space: &WorkingSpace, index: usize, reach: usize) -> (Vec<Complex64>, f64) {
        let pressed = &space.pressed;
        let near = &pressed[index.saturating_sub(reach)..(index + reach + 1).min(pressed.len())];
        let near = near.iter().map(|z| Complex64::new(z.re.into(), z.im.into())).collect();
        (near, self.first as f64 / (self.inverse.len() * self.spacing) as f64)
    }
}

#[cfg(test)]
mod tests {
    use testkit::{at_most, near};

    use super::*;
    use crate::correlate::{cross_correlate, envelope};

    fn chirp(count: usize) -> Vec<f64> {
        (0..count).map(|i| (1e-4 * (i * i) as f64).sin()).collect()
    }

    /// Source: analytic; within the band and outside of its fades the result is the envelope of
    /// the correlation with the template whitened, here a sine's, which is flat.
    #[test]
    fn powers_are_those_of_the_envelope() {
        let (n, guard) = (1 << 13, 100);
        let template = chirp(900);
        let band = (0.02, 0.14);
        let tone: Vec<f32> = (0..n).map(|i| (0.4 * i as f64).cos() as f32).collect();
        for spacing in [1, 2, 4] {
            let filter = PhaseFilter::new(&template, band, n, guard, spacing);
            assert_eq!(filter.spacing(), spacing);
            let (mut block, mut space) = (Block::new(n), WorkingSpace::default());
            block.take(&tone, 0);
            let powers: Vec<f32> = filter.powers(&block, &mut space).collect();
            assert_eq!(powers.len(), n / spacing);
            for power in &powers[2_000 / spacing..5_000 / spacing] {
                near("power of a tone", f64::from(*power), 1.0, 0.01);
            }
        }
        // Two blocks that overlap agree on what both hold.
        let recording: Vec<f32> = (0..20_000).map(|i| ((i * 7_919) % 1_009) as f32 / 1_009.0 - 0.5).collect();
        let filter = PhaseFilter::new(&template, band, n, guard, 2);
        let (mut block, mut space) = (Block::new(n), WorkingSpace::default());
        let mut at = |first: i64| -> Vec<f32> {
            block.take(&recording, first);
            filter.powers(&block, &mut space).collect()
        };
        let (one, other) = (at(3_000), at(5_000));
        let loudest = one.iter().fold(0.0f32, |a, x| a.max(*x));
        for i in 250..2_400 {
            near("both blocks", f64::from(one[1_000 + i]), f64::from(other[i]), 0.02 * f64::from(loudest));
        }
    }

    /// A tone beside the band is nowhere a peak, also not where blocks meet.
    #[test]
    fn blocks_meet_without_a_seam() {
        let template: Vec<f64> = (0..2_000).map(|i| (0.000_6 * f64::from(i * i)).sin()).collect();
        let tone: Vec<f32> = (0..60_000).map(|i| (0.1 * f64::from(i)).sin() as f32).collect();
        let (n, guard) = (1 << 13, PhaseFilter::guard(template.len(), 0.05));
        let filter = PhaseFilter::new(&template, (0.05, 0.3), n, guard, 1);
        let (mut block, mut space) = (Block::new(n), WorkingSpace::default());
        let hop = n - template.len() - 2 * guard;
        for start in (4_000..54_000).step_by(hop) {
            block.take(&tone, start - guard as i64);
            let highest = filter.powers(&block, &mut space).take(hop).fold(0.0f32, f32::max);
            at_most("the highest", f64::from(highest), 1e-7);
        }
    }

    /// Source: the same by the transforms of double precision, peak and place.
    #[test]
    fn a_template_is_pressed_into_a_peak_where_it_begins() {
        let (n, guard) = (1 << 13, 200);
        let template = chirp(900);
        let mut recording = vec![0.0f32; n];
        for (slot, x) in recording[2_500..].iter_mut().zip(&template) {
            *slot = *x as f32;
        }
        let filter = PhaseFilter::new(&template, (0.005, 0.02), n, guard, 8);
        let (mut block, mut space) = (Block::new(n), WorkingSpace::default());
        block.take(&recording, -(guard as i64));
        let powers: Vec<f32> = filter.powers(&block, &mut space).collect();
        let highest = (0..powers.len()).max_by(|a, b| powers[*a].total_cmp(&powers[*b])).unwrap();
        at_most("distance", ((highest * filter.spacing()) as f64 - 2_500.0).abs(), 8.0);
        let recording: Vec<f64> = recording.iter().map(|x| f64::from(*x)).collect();
        let envelope = envelope(&cross_correlate(&recording, &template));
        let plain = (0..envelope.len()).max_by(|a, b| envelope[*a].total_cmp(&envelope[*b])).unwrap();
        assert_eq!(plain, 2_500 + 899);
        let (around, zero) = filter.around(&space, highest, 3);
        assert_eq!(around.len(), 7);
        near(
            "its middle",
            around[3].norm_sqr(),
            f64::from(powers[highest]),
            1e-5 * f64::from(powers[highest]),
        );
        near("zero", zero, 0.005, 1.0 / n as f64);
    }
}
