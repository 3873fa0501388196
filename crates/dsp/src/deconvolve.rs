//! From a recording of a known signal to the impulse response, its windows, and
//! the responses of the fundamental and of each harmonic.

use std::f64::consts::PI;
use std::ops::Range;
use std::sync::LazyLock;

use num_complex::Complex64;

use crate::between::SincKernel;
use crate::fft::{RealFft, fast_len, rfft};
use crate::response::Response;
use crate::smoothing::LogMeans;
use crate::sweep::Sweep;
use crate::turn::{add_turned, turn, turn_from};
use crate::window::rise;

/// Regularisation inside the band, re the reference's own power there: its bias
/// is 10·log10(1 + 1e-6)·2 < 1e-5 dB at the band's level.
const INSIDE: f64 = 1e-6;
/// Regularisation where the band has faded out: noise is raised by 14 dB at most.
const OUTSIDE: f64 = 1e-2;

/// A reference signal, transformed once for the deconvolvers of any band.
pub struct Reference {
    sample_rate_hz: f64,
    n: usize,
    spectrum: Vec<Complex64>,
    power: LogMeans<Vec<f64>>,
}

impl Reference {
    /// Prepares for recordings of up to `frames` samples of a reference; the
    /// transform is at least that long, so nothing that lies within the recording
    /// wraps onto anything else but the harmonics, which come before time zero and
    /// are found at the end.
    ///
    /// # Panics
    /// When the reference is longer than `frames`.
    #[must_use]
    pub fn new(reference: &[f64], frames: usize, sample_rate_hz: f64) -> Self {
        assert!(reference.len() <= frames, "a recording is at least as long as the reference");
        let n = fast_len(frames);
        let spectrum = rfft(reference, n);
        let power: Vec<f64> = spectrum.iter().map(Complex64::norm_sqr).collect();
        let power = LogMeans::new(power, sample_rate_hz / n as f64);
        Self { sample_rate_hz, n, spectrum, power }
    }

    /// How many samples the transform takes.
    #[must_use]
    pub fn len(&self) -> usize {
        self.n
    }

    /// Its power `|X|²` in each bin.
    #[must_use]
    pub fn power(&self) -> &LogMeans<Vec<f64>> {
        &self.power
    }

    /// Never: a transform has samples.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        false
    }
}

/// Divides recordings by a reference signal.
///
/// `h = IFFT( G · Y X* / (|X|² + ε·P) )`, with `X` the reference's spectrum, `P` its
/// power smoothed over an octave, `G` a band limit of linear phase that is 1 from
/// `from_hz` to `to_hz` and falls to 0 within an octave below and half an octave
/// above (or up to half the rate), and `ε` rising from 1e-6 inside the band to 1e-2
/// where `G` is 0.
///
/// References: S. Müller, P. Massarani, "Transfer-Function Measurement with
/// Sweeps", JAES 49(6), 2001; A. Farina, AES preprint 5093, 2000, for what comes
/// before time zero. Accuracy: `a_wire_is_flat_within_a_hundredth_of_a_decibel`,
/// `the_cubic_gives_its_analytic_harmonics`.
///
/// Cost: little more than its transforms, which are one for the reference, one for each
/// recording (kept by whoever divides it by several), and one for each impulse response.
pub struct Deconvolver {
    sample_rate_hz: f64,
    fft: RealFft,
    /// What a spectrum is multiplied by, from bin `first` on; outside of it nothing passes.
    inverse: Vec<Complex64>,
    first: usize,
    work: Vec<Complex64>,
}

impl Deconvolver {
    /// Of a reference of which nothing else is wanted; see [`Reference::new`] and
    /// [`Deconvolver::of`].
    ///
    /// # Panics
    /// When the band does not rise, or the reference is longer than `frames`.
    #[must_use]
    pub fn new(reference: &[f64], frames: usize, sample_rate_hz: f64, from_hz: f64, to_hz: f64) -> Self {
        Self::of(&Reference::new(reference, frames, sample_rate_hz), (from_hz, to_hz))
    }

    /// Divides by a reference within a band.
    ///
    /// # Panics
    /// When the band does not rise.
    #[must_use]
    pub fn of(reference: &Reference, (from_hz, to_hz): (f64, f64)) -> Self {
        Self::between(reference, (from_hz, to_hz), ends_of((from_hz, to_hz), reference.sample_rate_hz))
    }

    /// The same with a band limit that has fallen to 0 at given frequencies below and
    /// above the band: where the reference holds little, noise is raised, however much
    /// of it the band limit still lets pass.
    ///
    /// # Panics
    /// When the band does not rise, or its ends do not lie outside of it.
    #[must_use]
    pub fn between(reference: &Reference, (from_hz, to_hz): (f64, f64), ends_hz: (f64, f64)) -> Self {
        let Reference { sample_rate_hz, n, spectrum, power } = reference;
        let nyquist = sample_rate_hz / 2.0;
        let to_hz = to_hz.min(0.98 * nyquist);
        assert!(0.0 < from_hz && from_hz < to_hz, "a band rises, and starts below half the rate");
        assert!(0.0 < ends_hz.0 && ends_hz.0 < from_hz && to_hz < ends_hz.1, "a band lies within its ends");
        let bin_hz = sample_rate_hz / *n as f64;
        let first = (ends_hz.0 / bin_hz) as usize;
        let last = ((ends_hz.1.min(nyquist) / bin_hz).ceil() as usize + 1).min(spectrum.len());
        let levels = Levels::new(power, from_hz, to_hz).at_bins(first..last, bin_hz);
        // Most bins lie inside, where nothing but a quotient is to be computed.
        let inner = ((from_hz / bin_hz).ceil() as usize).clamp(first, last);
        let inner = inner..((to_hz / bin_hz).floor() as usize + 1).clamp(inner, last);
        let (inside, outside) = (INSIDE.ln(), OUTSIDE.ln());
        let edge = |(k, ((x, p), level)): (usize, ((&Complex64, &f64), &f64))| {
            let gain = band_limit(k as f64 * bin_hz, (from_hz, to_hz), ends_hz, nyquist);
            let share = (inside * gain + outside * (1.0 - gain)).exp();
            x.conj() * (gain / (p + level * share).max(1e-300))
        };
        let part = |bins: Range<usize>| {
            let levels = &levels[bins.start - first..bins.end - first];
            let numbers = bins.clone();
            numbers.zip(spectrum[bins.clone()].iter().zip(&power.power()[bins]).zip(levels))
        };
        let mut inverse = Vec::with_capacity(last - first);
        inverse.extend(part(first..inner.start).map(edge));
        inverse.extend(
            part(inner.clone())
                .map(|(_, ((x, p), level))| x.conj() * (p + level * INSIDE).max(1e-300).recip()),
        );
        inverse.extend(part(inner.end..last).map(edge));
        Self { sample_rate_hz: *sample_rate_hz, fft: RealFft::new(*n), inverse, first, work: Vec::new() }
    }

    /// By how much the power at a frequency is raised.
    #[must_use]
    pub fn power_gain(&self, frequency_hz: f64) -> f64 {
        let bin = (frequency_hz / self.sample_rate_hz * self.fft.len() as f64).round().max(0.0) as usize;
        let inverse = bin.checked_sub(self.first).and_then(|bin| self.inverse.get(bin));
        inverse.map_or(0.0, Complex64::norm_sqr)
    }

    /// How many samples the transform takes.
    #[must_use]
    pub fn len(&self) -> usize {
        self.fft.len()
    }

    /// Never: a transform has samples.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        false
    }

    /// The band limit `G` of [`Deconvolver::of`] at a frequency.
    #[must_use]
    pub fn band_limit(frequency_hz: f64, (from_hz, to_hz): (f64, f64), sample_rate_hz: f64) -> f64 {
        let nyquist = sample_rate_hz / 2.0;
        let band_hz = (from_hz, to_hz.min(0.98 * nyquist));
        band_limit(frequency_hz, band_hz, ends_of((from_hz, to_hz), sample_rate_hz), nyquist)
    }

    /// The impulse response of a recording; what lies past [`Deconvolver::len`] is
    /// not used. `advance` samples (whole or not) are taken off its delay.
    #[must_use]
    pub fn impulse(&mut self, recording: &[f64], advance: f64) -> ImpulseResponse {
        self.work = rfft(recording, self.fft.len());
        let band = self.silence_outside();
        let part = &mut self.work[band.clone()];
        turn_from(part, band.start, 2.0 * PI * advance / self.fft.len() as f64);
        part.iter_mut().zip(&self.inverse).for_each(|(x, inverse)| *x *= inverse);
        self.back()
    }

    /// Lets nothing stand in the working space beside the band, and gives the band's bins.
    fn silence_outside(&mut self) -> Range<usize> {
        let band = self.first..self.first + self.inverse.len();
        self.work[..band.start].fill(Complex64::default());
        self.work[band.end..].fill(Complex64::default());
        band
    }

    /// The mean of the impulse responses of several recordings, each given by its spectrum
    /// ([`rfft`] at [`Deconvolver::len`]) and what is taken off its delay.
    ///
    /// # Panics
    /// When a spectrum is that of another length.
    #[must_use]
    pub fn mean_impulse<'a>(
        &mut self,
        recordings: impl IntoIterator<Item = (&'a [Complex64], f64)>,
    ) -> ImpulseResponse {
        self.divide(recordings);
        self.back()
    }

    /// The same, and with it its quadrature, the Hilbert transform of its samples over the whole circle: together the
    /// analytic impulse response.
    ///
    /// # Panics
    /// As [`Deconvolver::mean_impulse`].
    #[must_use]
    pub fn mean_analytic<'a>(
        &mut self,
        recordings: impl IntoIterator<Item = (&'a [Complex64], f64)>,
    ) -> (ImpulseResponse, Vec<f64>) {
        self.divide(recordings);
        // The transform back uses its spectrum up.
        let mut turned: Vec<Complex64> = self.work.iter().map(|x| Complex64::new(x.im, -x.re)).collect();
        let impulse = self.back();
        std::mem::swap(&mut self.work, &mut turned);
        (impulse, self.back().samples)
    }

    /// Puts the mean spectrum of recordings, divided by the reference, into the working space.
    fn divide<'a>(&mut self, recordings: impl IntoIterator<Item = (&'a [Complex64], f64)>) {
        let (bins, n) = (self.fft.bins(), self.fft.len());
        self.work.resize(bins, Complex64::default());
        let band = self.silence_outside();
        let sums = &mut self.work[band.clone()];
        let mut count = 0.0;
        for (spectrum, advance) in recordings {
            assert_eq!(spectrum.len(), bins, "a spectrum of the deconvolver's own length");
            let (part, angle) = (&spectrum[band.clone()], 2.0 * PI * advance / n as f64);
            if count == 0.0 {
                sums.copy_from_slice(part);
                turn_from(sums, band.start, angle);
            } else {
                add_turned(sums, part, band.start, angle);
            }
            count += 1.0;
        }
        if count == 0.0 {
            sums.fill(Complex64::default());
        }
        let share = 1.0 / f64::max(count, 1.0);
        for (sum, inverse) in sums.iter_mut().zip(&self.inverse) {
            *sum *= inverse * share;
        }
    }

    /// Transforms the working space back, which uses it up.
    fn back(&mut self) -> ImpulseResponse {
        let mut samples = vec![0.0; self.fft.len()];
        self.fft.inverse(&mut self.work, &mut samples);
        ImpulseResponse { samples, sample_rate_hz: self.sample_rate_hz }
    }
}

/// The reference's power over an octave, that of the band itself also beside it. It is
/// taken 24 times an octave and read between in proportion: it scales a regularisation,
/// where a few per cent of it are nothing.
struct Levels {
    /// Frequency and power of each step.
    steps: Vec<(f64, f64)>,
}

impl Levels {
    const PER_OCTAVE: f64 = 24.0;

    fn new(power: &LogMeans<Vec<f64>>, from_hz: f64, to_hz: f64) -> Self {
        let lowest_hz = from_hz * 1.4;
        let highest_hz = (to_hz / 1.4).max(lowest_hz);
        let count = (Self::PER_OCTAVE * (highest_hz / lowest_hz).log2()).ceil() as usize;
        let steps = (0..=count)
            .map(|i| {
                let centre = (lowest_hz * (i as f64 / Self::PER_OCTAVE).exp2()).min(highest_hz);
                (centre, power.mean(centre / 1.4, centre * 1.4))
            })
            .collect();
        Self { steps }
    }

    /// At each bin.
    fn at_bins(&self, bins: Range<usize>, bin_hz: f64) -> Vec<f64> {
        let mut levels = vec![self.steps[0].1; bins.len()];
        for pair in self.steps.windows(2) {
            let (low, high) = (pair[0], pair[1]);
            let slope = if high.0 > low.0 { (high.1 - low.1) / (high.0 - low.0) } else { 0.0 };
            let at = |hz: f64| ((hz / bin_hz).ceil() as usize).clamp(bins.start, bins.end);
            for k in at(low.0)..at(high.0) {
                levels[k - bins.start] = low.1 + slope * (k as f64 * bin_hz - low.0);
            }
        }
        let last = self.steps[self.steps.len() - 1];
        let above = ((last.0 / bin_hz).ceil() as usize).clamp(bins.start, bins.end);
        levels[above - bins.start..].fill(last.1);
        levels
    }
}

/// Where the band limit of [`Deconvolver::of`] has fallen to 0.
fn ends_of((from_hz, to_hz): (f64, f64), sample_rate_hz: f64) -> (f64, f64) {
    (from_hz / 2.0, to_hz.min(0.49 * sample_rate_hz) * std::f64::consts::SQRT_2)
}

/// The band limit `G` described at [`Deconvolver`], with the frequencies at which it has
/// fallen to 0.
fn band_limit(f: f64, (from_hz, to_hz): (f64, f64), ends_hz: (f64, f64), nyquist: f64) -> f64 {
    if (from_hz..=to_hz).contains(&f) && f < nyquist {
        return 1.0;
    }
    if f <= ends_hz.0 || f >= nyquist {
        return 0.0;
    }
    if f < from_hz {
        return rise((f / ends_hz.0).ln() / (from_hz / ends_hz.0).ln());
    }
    let end = ends_hz.1.min(nyquist);
    rise((end / f).ln() / (end / to_hz).ln())
}

/// An impulse response on a circle: sample 0 is time zero, and negative times lie
/// at the end.
#[derive(Debug, Clone, PartialEq)]
pub struct ImpulseResponse {
    samples: Vec<f64>,
    sample_rate_hz: f64,
}

/// The reach of a time window around a moment, and its raised-cosine fades, which
/// lie within the reach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeWindow {
    /// How far it reaches before the moment.
    pub left_s: f64,
    /// How far it reaches after the moment.
    pub right_s: f64,
    /// The part of `left_s` in which it rises.
    pub left_fade_s: f64,
    /// The part of `right_s` in which it falls.
    pub right_fade_s: f64,
}

impl TimeWindow {
    /// A window that fades over the outer half of each side.
    #[must_use]
    pub fn half_faded(left_s: f64, right_s: f64) -> Self {
        Self { left_s, right_s, left_fade_s: left_s / 2.0, right_fade_s: right_s / 2.0 }
    }

    /// The weight at a time after the moment.
    #[must_use]
    pub fn weight(&self, t_s: f64) -> f64 {
        if t_s < -self.left_s || t_s > self.right_s {
            return 0.0;
        }
        let left = if self.left_fade_s > 0.0 { rise((t_s + self.left_s) / self.left_fade_s) } else { 1.0 };
        let right =
            if self.right_fade_s > 0.0 { rise((self.right_s - t_s) / self.right_fade_s) } else { 1.0 };
        left * right
    }

    /// The integral of the squared weight, in seconds: so much of white noise passes. A raised cosine has 3/8 of its
    /// length.
    #[must_use]
    pub fn energy_s(&self) -> f64 {
        self.left_s + self.right_s - 0.625 * (self.left_fade_s + self.right_fade_s)
    }
}

/// A part of an impulse response under a time window.
#[derive(Debug, Clone, PartialEq)]
pub struct WindowedImpulse {
    /// The weighted samples.
    pub samples: Vec<f64>,
    /// The time of the first one after the window's moment; negative.
    pub start_s: f64,
    /// Their rate.
    pub sample_rate_hz: f64,
}

impl ImpulseResponse {
    /// From samples of which the first is time zero and the last ones are negative
    /// times.
    #[must_use]
    pub fn new(samples: Vec<f64>, sample_rate_hz: f64) -> Self {
        Self { samples, sample_rate_hz }
    }

    /// The samples, time zero first.
    #[must_use]
    pub fn samples(&self) -> &[f64] {
        &self.samples
    }

    /// The rate of the samples.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// The part around a moment, weighted by a window. The moment may lie between
    /// samples; time zero of the part is exactly there.
    #[must_use]
    pub fn windowed(&self, moment_s: f64, window: &TimeWindow) -> WindowedImpulse {
        let n = self.samples.len() as i64;
        let centre = moment_s * self.sample_rate_hz;
        let first = (centre - window.left_s * self.sample_rate_hz).ceil() as i64;
        let last = ((centre + window.right_s * self.sample_rate_hz).floor() as i64).min(first + n - 1);
        let mut samples = Vec::with_capacity((last - first + 1).max(0) as usize);
        let mut next = first;
        while next <= last {
            let from = next.rem_euclid(n) as usize;
            let count = (n as usize - from).min((last - next + 1) as usize);
            samples.extend_from_slice(&self.samples[from..from + count]);
            next += count as i64;
        }
        let at_s = |i: usize| ((first + i as i64) as f64 - centre) / self.sample_rate_hz;
        // Most of it is not faded.
        let faded = |s: f64| ((s * self.sample_rate_hz).ceil().max(0.0) as usize + 1).min(samples.len());
        let (left, right) = (faded(window.left_fade_s), faded(window.right_fade_s));
        let flat = left..samples.len().saturating_sub(right).max(left);
        for i in (0..flat.start).chain(flat.end..samples.len()) {
            samples[i] *= window.weight(at_s(i));
        }
        let start_s = (first as f64 - centre) / self.sample_rate_hz;
        WindowedImpulse { samples, start_s, sample_rate_hz: self.sample_rate_hz }
    }

    /// The response of the fundamental: the part around `delay_s` under a window,
    /// its phase relative to `delay_s`.
    #[must_use]
    pub fn response(&self, delay_s: f64, window: &TimeWindow, frequency_hz: &[f64]) -> Response {
        self.windowed(delay_s, window).response(frequency_hz)
    }

    /// The response of harmonic `n` of a sweep at *excitation* frequencies: how
    /// large the component at `n·f` is, re the input at `f`.
    ///
    /// A harmonic at `n·f` can lie above the band of the sweep that excited it, where
    /// the sweep itself has nothing to divide by: deconvolve by [`Sweep::extended`].
    ///
    /// The window around `delay_s − L ln n` reaches 45 % of the way to the next
    /// higher harmonic before it, and 45 % of the way to the next lower one after it.
    #[must_use]
    pub fn harmonic(&self, sweep: &Sweep, n: u32, delay_s: f64, excitation_hz: &[f64]) -> Response {
        let lead = sweep.harmonic_lead_s(n);
        let to_next = sweep.harmonic_lead_s(n + 1) - lead;
        let to_previous = lead - sweep.harmonic_lead_s(n - 1);
        let window = TimeWindow::half_faded(0.45 * to_next, 0.45 * to_previous);
        let at: Vec<f64> = excitation_hz.iter().map(|f| f * f64::from(n)).collect();
        let response = self.windowed(delay_s - lead, &window).response(&at);
        Response { frequency_hz: excitation_hz.to_vec(), value: response.value }
    }
}

impl WindowedImpulse {
    /// The energy of the part.
    #[must_use]
    pub fn energy(&self) -> f64 {
        self.samples.iter().map(|x| x * x).sum()
    }

    /// The part's spectrum from DC to half the rate in steps of the returned width,
    /// its phase relative to the window's moment. The transform has at least `frames`
    /// samples.
    #[must_use]
    pub fn spectrum(&self, frames: usize) -> (Vec<Complex64>, f64) {
        let n = fast_len(frames.max(self.samples.len()));
        let bin_hz = self.sample_rate_hz / n as f64;
        let mut bins = rfft(&self.samples, n);
        turn(&mut bins, -2.0 * PI * bin_hz * self.start_s);
        (bins, bin_hz)
    }

    /// The part's spectrum at any frequencies up to half the rate; zero beyond.
    ///
    /// A transform of at least twice the part's length is read between its bins with
    /// a Kaiser-windowed sinc, which is exact to −100 dB because the part is limited
    /// in time (`reading_between_bins_is_the_direct_sum`).
    #[must_use]
    pub fn response(&self, frequency_hz: &[f64]) -> Response {
        const REACH: usize = 10;
        static KERNEL: LazyLock<SincKernel> = LazyLock::new(|| SincKernel::new(REACH, 11.5));
        let length = self.samples.len();
        let n = fast_len((2 * length).max(64));
        // The part is laid around index 0, so that its spectrum turns slowly.
        let middle = length / 2;
        let mut around_zero = vec![0.0; n];
        for (i, x) in self.samples.iter().enumerate() {
            around_zero[(n + i - middle) % n] = *x;
        }
        let spectrum = rfft(&around_zero, n);
        let bin = |k: i64| {
            let k = k.rem_euclid(n as i64) as usize;
            if k <= n / 2 { spectrum[k] } else { spectrum[n - k].conj() }
        };
        let offset_s = self.start_s + middle as f64 / self.sample_rate_hz;
        let value = frequency_hz
            .iter()
            .map(|&f| {
                if f > self.sample_rate_hz / 2.0 {
                    return Complex64::default();
                }
                let x = f * n as f64 / self.sample_rate_hz;
                let whole = x.floor();
                let mut weights = [0.0; 2 * REACH];
                KERNEL.weigh(x - whole, &mut weights);
                let first = whole as i64 + 1 - REACH as i64;
                let sum: Complex64 = (first..).zip(weights).map(|(k, weight)| bin(k) * weight).sum();
                sum * Complex64::cis(-2.0 * PI * f * offset_s)
            })
            .collect();
        Response { frequency_hz: frequency_hz.to_vec(), value }
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::response::{db, log_grid};
    use crate::window::fade_gain;

    const RATE: f64 = 48_000.0;

    fn faded(sweep: &Sweep) -> Vec<f64> {
        let duration = sweep.duration_s();
        (0..sweep.len())
            .map(|i| {
                let t = i as f64 / RATE;
                sweep.value(t) * fade_gain(t, duration, 0.02)
            })
            .collect()
    }

    /// Source: the definition, summed directly in steps of 0.1 ms.
    #[test]
    fn the_energy_of_a_window_is_the_sum_of_its_squared_weights() {
        let fades = [(0.0, 0.0), (0.1, 0.4), (0.3, 0.8)];
        for (left_fade_s, right_fade_s) in fades {
            let window = TimeWindow { left_s: 0.3, right_s: 0.8, left_fade_s, right_fade_s };
            let sum: f64 = (0..11_000).map(|i| window.weight(f64::from(i) * 1e-4 - 0.3 + 5e-5).powi(2)).sum();
            near("energy", window.energy_s(), 1e-4 * sum, 1e-6);
        }
    }

    const WINDOW: TimeWindow = TimeWindow { left_s: 0.3, right_s: 0.8, left_fade_s: 0.1, right_fade_s: 0.4 };

    fn analyse(input: &[f64], output: &[f64], from: f64, to: f64) -> ImpulseResponse {
        Deconvolver::new(input, input.len() + 48_000, RATE, from, to).impulse(output, 0.0)
    }

    /// Source: design page, "wire: ±0.01 dB 20 Hz–20 kHz"; also for a sweep that
    /// itself starts and ends there.
    #[test]
    fn a_wire_is_flat_within_a_hundredth_of_a_decibel() {
        for (from, to) in [(15.0, 21_500.0), (20.0, 20_000.0)] {
            let sweep = Sweep::new(from, to, 5.0, RATE, true);
            let input = faded(&sweep);
            let impulse = analyse(&input, &input, from, to);
            let grid = log_grid(20.0, 20_000.0, 96.0);
            let response = impulse.response(0.0, &WINDOW, &grid);
            for (f, h) in grid.iter().zip(&response.value) {
                near(&format!("level at {f} Hz"), db(h.norm()), 0.0, 0.01);
                near(&format!("phase at {f} Hz"), h.arg().to_degrees(), 0.0, 0.1);
            }
        }
    }

    /// Source: analytic; a one-pole filter y += a(x − y) has H = a/(1 − (1−a)z⁻¹).
    /// Bar: ±0.05 dB.
    #[test]
    fn a_known_filter_is_measured_within_a_twentieth_of_a_decibel() {
        let sweep = Sweep::new(15.0, 21_500.0, 5.0, RATE, true);
        let input = faded(&sweep);
        let a = 0.05;
        let mut state = 0.0;
        let output: Vec<f64> = input
            .iter()
            .chain(&[0.0; 24_000])
            .map(|x| {
                state += a * (x - state);
                state
            })
            .collect();
        let impulse = analyse(&input, &output, 15.0, 21_500.0);
        let grid = log_grid(20.0, 20_000.0, 48.0);
        for (f, h) in grid.iter().zip(&impulse.response(0.0, &WINDOW, &grid).value) {
            let wanted = a / (1.0 - (1.0 - a) * Complex64::cis(-2.0 * PI * f / RATE));
            near(&format!("level at {f} Hz"), db(h.norm()), db(wanted.norm()), 0.05);
            near(&format!("phase at {f} Hz"), (h / wanted).arg().to_degrees(), 0.0, 0.5);
        }
    }

    /// Source: design page and `04_ess`: y = x + 0.25x² + 0.125x³ with a unit sine
    /// gives H1 1.09375, H2 0.125, H3 0.03125, each within 0.1 dB. A cubic of samples
    /// folds what passes 24 kHz back, as no analogue device does; so the harmonics
    /// of the full sweep are looked at only below where its folded ones begin
    /// (48 kHz − 2·20 kHz), and a sweep to 7.9 kHz, which folds nothing, up to its end.
    #[test]
    fn the_cubic_gives_its_analytic_harmonics() {
        for (to, harmonics_to) in [(20_000.0, 7_500.0), (7_900.0, 22_000.0)] {
            let sweep = Sweep::new(20.0, to, 10.0, RATE, true);
            let input = faded(&sweep);
            let output: Vec<f64> = input.iter().map(|x| x + 0.25 * x * x + 0.125 * x * x * x).collect();
            let impulse = analyse(&input, &output, 20.0, to);
            let fundamental = impulse.response(0.0, &WINDOW, &log_grid(40.0, 6_000.0, 12.0));
            for (f, h) in fundamental.frequency_hz.iter().zip(&fundamental.value) {
                near(&format!("H1 at {f} Hz"), db(h.norm()), db(1.093_75), 0.1);
            }
            let extended = faded(&sweep.extended(23_000.0));
            let mut deconvolver = Deconvolver::new(&extended, extended.len() + 48_000, RATE, 20.0, 23_000.0);
            let impulse = deconvolver.impulse(&output, 0.0);
            for (n, wanted) in [(2, 0.125), (3, 0.031_25)] {
                let grid = log_grid(40.0, (harmonics_to / f64::from(n)).min(7_000.0), 12.0);
                for (f, h) in grid.iter().zip(&impulse.harmonic(&sweep, n, 0.0, &grid).value) {
                    near(&format!("H{n} at {f} Hz"), db(h.norm()), db(wanted), 0.1);
                }
            }
            let grid = log_grid(100.0, 1_800.0, 3.0);
            for h in impulse.harmonic(&sweep, 4, 0.0, &grid).value {
                assert!(db(h.norm()) < -70.0, "there is no fourth harmonic, yet {} dB", db(h.norm()));
            }
        }
    }

    /// Source: the definition of the Fourier transform, summed directly.
    #[test]
    fn reading_between_bins_is_the_direct_sum() {
        let samples: Vec<f64> = (0..500).map(|i| f64::from((i * 29) % 41) - 20.0).collect();
        let part = WindowedImpulse { samples: samples.clone(), start_s: -0.003, sample_rate_hz: RATE };
        let at = [13.0, 100.0, 1234.5, 9_999.0, 23_950.0];
        for (f, got) in at.iter().zip(part.response(&at).value) {
            let direct: Complex64 = samples
                .iter()
                .enumerate()
                .map(|(i, x)| x * Complex64::cis(-2.0 * PI * f * (i as f64 / RATE - 0.003)))
                .sum();
            near(&format!("at {f} Hz"), (got - direct).norm(), 0.0, 1e-4 * 260.0);
        }
    }

    #[test]
    fn an_advance_of_a_part_of_a_sample_moves_the_phase_only() {
        let sweep = Sweep::new(50.0, 10_000.0, 1.0, RATE, false);
        let input = faded(&sweep);
        let impulse =
            Deconvolver::new(&input, input.len() + 4800, RATE, 50.0, 10_000.0).impulse(&input, -0.25);
        let response = impulse.response(0.25 / RATE, &WINDOW, &[100.0, 1000.0, 9000.0]);
        for h in response.value {
            near("level", db(h.norm()), 0.0, 0.01);
            near("phase", h.arg().to_degrees(), 0.0, 0.1);
        }
    }
}
