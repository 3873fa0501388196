//! A long, averaged power spectrum, and the lines that stand out of it.

use dsp::fft::{Complex64, RealFft};
use dsp::fft_bands::power_spectrum;
use dsp::statistics::{median, quantile};
use dsp::window::Window;

use crate::scale::dbfs;

/// The length of one transform at 48 kHz; other rates scale it.
const LENGTH_AT_48K: f64 = 65_536.0;

/// The bins of the window's main lobe on either side of a line.
const LOBE: usize = 4;

/// The equivalent noise bandwidth of the window in bins (Harris 1978).
const ENBW: f64 = 2.0044;

/// A line stands this many decibels over the floor around it.
const STANDS_OUT_DB: f64 = 12.0;

/// The floor is the median of this many bins.
const FLOOR_BINS: usize = 96;

/// The power spectrum of a stream, averaged over half-overlapped transforms under
/// a Blackman-Harris window.
///
/// # Real-time
/// One transform each 0.7 s; allocates at the start and while a block is taken in.
pub(crate) struct PowerSpectrum {
    sample_rate_hz: f64,
    fft: RealFft,
    window: Vec<f64>,
    pending: Vec<f32>,
    work: Vec<f64>,
    spectrum: Vec<Complex64>,
    latest: Vec<f64>,
    sum: Vec<f64>,
    transforms: u64,
}

/// One line of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Line {
    pub frequency_hz: f64,
    /// Its mean square.
    pub mean_square: f64,
}

impl PowerSpectrum {
    pub(crate) fn new(sample_rate_hz: f64) -> Self {
        let scaled = LENGTH_AT_48K * sample_rate_hz / 48_000.0;
        let length = 1usize << (scaled.log2().round().max(10.0) as u32);
        let fft = RealFft::new(length);
        Self {
            sample_rate_hz,
            window: Window::BlackmanHarris4.fill(length),
            pending: Vec::new(),
            work: vec![0.0; length],
            spectrum: vec![Complex64::ZERO; fft.bins()],
            latest: vec![0.0; fft.bins()],
            sum: vec![0.0; fft.bins()],
            transforms: 0,
            fft,
        }
    }

    pub(crate) fn feed(&mut self, samples: &[f32]) {
        self.pending.extend_from_slice(samples);
        let length = self.fft.len();
        let mut used = 0;
        while self.pending.len() - used >= length {
            self.transform(used, length);
            used += length / 2;
        }
        self.pending.drain(..used);
    }

    /// Takes what too short a recording has left; samples may still follow.
    pub(crate) fn finish(&mut self) {
        if self.transforms == 0 && self.pending.len() >= 64 {
            let count = self.pending.len();
            // The whole window comes back for what may still follow.
            let whole = std::mem::replace(&mut self.window, Window::BlackmanHarris4.fill(count));
            self.transform(0, count);
            self.window = whole;
        }
    }

    fn transform(&mut self, from: usize, count: usize) {
        let samples = &self.pending[from..from + count];
        let mean = samples.iter().map(|&x| f64::from(x)).sum::<f64>() / count as f64;
        self.work.fill(0.0);
        for ((place, &x), w) in self.work.iter_mut().zip(samples).zip(&self.window) {
            *place = (f64::from(x) - mean) * w;
        }
        power_spectrum(&mut self.fft, &mut self.work, &self.window, &mut self.spectrum, &mut self.latest);
        for (sum, power) in self.sum.iter_mut().zip(&self.latest) {
            *sum += power;
        }
        self.transforms += 1;
    }

    fn bin_hz(&self) -> f64 {
        self.sample_rate_hz / self.fft.len() as f64
    }

    fn power(&self, bin: usize) -> f64 {
        self.sum.get(bin).map_or(0.0, |sum| sum / self.transforms.max(1) as f64)
    }

    /// A curve of 48 points an octave, 20 Hz to 20 kHz: the highest bin in each
    /// stretch, as the level of the line that it would be (0.9 dB low at the
    /// most between bins). Empty before the first transform.
    pub(crate) fn curve(&self) -> (Vec<f64>, Vec<f64>) {
        let (mut frequency_hz, mut level_db) = (Vec::new(), Vec::new());
        if self.transforms == 0 {
            return (frequency_hz, level_db);
        }
        let ratio = 2f64.powf(1.0 / 48.0);
        let top_hz = 20_000.0f64.min(0.5 * self.sample_rate_hz);
        let mut at_hz = 20.0;
        while at_hz <= top_hz {
            let first = (at_hz / ratio.sqrt() / self.bin_hz()).round() as usize;
            let last = ((at_hz * ratio.sqrt() / self.bin_hz()).round() as usize).max(first + 1);
            let highest = (first..last).map(|bin| self.power(bin)).fold(0.0, f64::max);
            frequency_hz.push(at_hz);
            level_db.push(dbfs(highest * ENBW).max(-200.0));
            at_hz *= ratio;
        }
        (frequency_hz, level_db)
    }

    /// The lines that stand out of the floor, strongest first, at most `most`.
    ///
    /// A line is a local maximum 12 dB over the median of the bins around it. Its
    /// power is that of the window's whole main lobe less the floor, its
    /// frequency from a parabola through the logarithms of three bins.
    pub(crate) fn lines(&self, from_hz: f64, most: usize) -> Vec<Line> {
        if self.transforms == 0 {
            return Vec::new();
        }
        let bins: Vec<f64> = (0..self.sum.len()).map(|bin| self.power(bin)).collect();
        let floors: Vec<f64> = bins.chunks(FLOOR_BINS).map(|part| median(part).unwrap_or(0.0)).collect();
        // Overlapping neighbours keep a floor from being lifted by the line itself.
        let floor = |bin: usize| {
            let part = bin / FLOOR_BINS;
            let around = &floors[part.saturating_sub(1)..(part + 2).min(floors.len())];
            quantile(around, 0.5).unwrap_or(0.0)
        };
        let first = ((from_hz / self.bin_hz()) as usize).max(LOBE + 1);
        let stands_out = 10f64.powf(STANDS_OUT_DB / 10.0);
        let mut lines = Vec::new();
        for bin in first..bins.len().saturating_sub(LOBE + 1) {
            let power = bins[bin];
            if power < 1e-18 || power < stands_out * floor(bin) {
                continue;
            }
            let around = &bins[bin - LOBE..=bin + LOBE];
            if around.iter().any(|&other| other > power) {
                continue;
            }
            let lobe: f64 = around.iter().sum::<f64>() - around.len() as f64 * floor(bin);
            let [left, top, right] = [bins[bin - 1], power, bins[bin + 1]].map(|p| p.max(1e-300).ln());
            let bend = left - 2.0 * top + right;
            let shift = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
            lines.push(Line {
                frequency_hz: (bin as f64 + shift) * self.bin_hz(),
                mean_square: lobe.max(0.0),
            });
        }
        lines.sort_by(|a, b| b.mean_square.total_cmp(&a.mean_square));
        lines.truncate(most);
        lines
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use testkit::near;

    use super::*;

    /// What was fed after `finish` was cut to the length of what had come before it.
    #[test]
    fn what_follows_a_finish_is_not_cut_short() {
        let sine: Vec<f32> = (0..70_000)
            .map(|n| (0.5 * (2.0 * PI * 1_000.0 * f64::from(n) / 48_000.0).sin()) as f32)
            .collect();
        let mut spectrum = PowerSpectrum::new(48_000.0);
        spectrum.feed(&sine[..1_000]);
        spectrum.finish();
        spectrum.feed(&sine[1_000..]);
        assert_eq!(spectrum.transforms, 2);
        let line = spectrum.lines(100.0, 1)[0];
        near("frequency", line.frequency_hz, 1_000.0, 0.1);
        // One of the two transforms is that of a hundredth of it, spread over more bins.
        near("half of the line is sharp", line.mean_square, 0.125 / 2.0, 0.01);
    }
}
