//! Correlation by FFT: matched filters over long recordings, envelopes, and peaks
//! between samples.

use num_complex::Complex64;

use crate::fft::{RealFft, fast_len};
use crate::window::{kaiser, rise, sinc};

/// The part of a band's limit in which a filter that keeps only the phase is faded.
const FADED: f64 = 0.25;
/// How many cycles of the lower limit such a filter rings beyond its template: the
/// reciprocal of the fade, less what a raised cosine has lost by then.
const GUARD_CYCLES: f64 = 12.0;

/// Slides a template over a recording of any length.
///
/// `c[k] = Σ_i x[k+i]·h[i]`, computed block by block (overlap-save), so the memory
/// needed does not grow with the recording and the cost is O(log n) a sample.
///
/// # Real-time
/// [`MatchedFilter::new`] allocates; [`MatchedFilter::scan`] does not.
pub struct MatchedFilter {
    template_len: usize,
    /// How far the filter reaches beyond the template's ends.
    guard: usize,
    fft: RealFft,
    filter: Vec<Complex64>,
    time: Vec<f64>,
    spectrum: Vec<Complex64>,
    /// Working space of the envelope, empty until it is asked for.
    quadrature: Vec<f64>,
    turned: Vec<Complex64>,
}

impl MatchedFilter {
    /// A filter for a template.
    ///
    /// # Panics
    /// When the template is empty.
    #[must_use]
    pub fn new(template: &[f64]) -> Self {
        assert!(!template.is_empty(), "a template has samples");
        // Shorter blocks waste most of their work on the overlap, longer ones memory.
        Self::with_hop(template, (template.len() * 3 / 2).max(1 << 11), 0)
    }

    /// A filter that works through the recording in steps of at least `hop` results.
    fn with_hop(template: &[f64], hop: usize, guard: usize) -> Self {
        assert!(!template.is_empty(), "a template has samples");
        let n = fast_len(template.len() + 2 * guard + hop);
        let mut fft = RealFft::new(n);
        let mut time = vec![0.0; n];
        time[guard..guard + template.len()].copy_from_slice(template);
        let mut filter = vec![Complex64::default(); fft.bins()];
        fft.forward(&mut time, &mut filter);
        for bin in &mut filter {
            *bin = bin.conj();
        }
        let spectrum = vec![Complex64::default(); filter.len()];
        Self {
            template_len: template.len(),
            guard,
            fft,
            filter,
            time,
            spectrum,
            quadrature: Vec::new(),
            turned: Vec::new(),
        }
    }

    /// A filter for a template of which only the phase is used, from `from` to `to`
    /// (in parts of the sample rate): every frequency within counts alike in the result,
    /// however little the template holds of it, and nothing outside does; a quarter of
    /// either end is faded. A sweep is pressed into a shorter peak by it than by itself.
    ///
    /// # Panics
    /// When the template is empty.
    #[must_use]
    pub fn phase_only(template: &[f64], from: f64, to: f64) -> Self {
        Self::phase_only_by(template, from, to, (template.len() * 3 / 2).max(1 << 11))
    }

    /// The same, for a stream: results come in steps of at least `hop`, however much
    /// more work a result costs then.
    ///
    /// # Panics
    /// When the template is empty.
    #[must_use]
    pub fn phase_only_by(template: &[f64], from: f64, to: f64, hop: usize) -> Self {
        // Without its sizes the filter rings beyond the template, for as long as the
        // fades are narrow; where a block begins and ends that must not count.
        let guard = ((GUARD_CYCLES / from.max(1e-6)) as usize).min(template.len() / 2);
        let mut matched = Self::with_hop(template, hop, guard);
        let n = matched.fft.len() as f64;
        for (k, bin) in matched.filter.iter_mut().enumerate() {
            let size = bin.norm();
            let f = k as f64 / n;
            let gain = rise((f / from - 1.0) / FADED) * rise((1.0 - f / to) / FADED);
            *bin = if size > 0.0 { *bin * (gain / size) } else { Complex64::default() };
        }
        matched
    }

    /// How many results one block gives.
    #[must_use]
    pub fn hop(&self) -> usize {
        self.fft.len() - self.template_len - 2 * self.guard + 1
    }

    /// Correlates the template with a recording at every position from 0 to its
    /// end (the template may hang over the end, where the recording counts as
    /// silent), and hands each stretch of results to `take` with the position of
    /// its first one.
    pub fn scan<T: Copy + Into<f64>>(&mut self, recording: &[T], mut take: impl FnMut(usize, &[f64])) {
        let hop = self.hop();
        let mut start = 0;
        while start < recording.len() {
            self.filter_block(recording, start as i64);
            self.fft.inverse(&mut self.spectrum, &mut self.time);
            take(start, &self.time[..hop.min(recording.len() - start)]);
            start += hop;
        }
    }

    /// As [`MatchedFilter::scan`], but hands over the squared Hilbert envelope of
    /// the correlation: what a peak's height is judged by when its phase is not
    /// known.
    ///
    /// # Real-time
    /// Allocates one block when it is called.
    pub fn scan_power<T: Copy + Into<f64>>(&mut self, recording: &[T], mut take: impl FnMut(usize, &[f64])) {
        let hop = self.hop();
        let mut start = 0;
        while start < recording.len() {
            let powers = self.power(recording, start as i64);
            take(start, &powers[..hop.min(recording.len() - start)]);
            start += hop;
        }
    }

    /// [`MatchedFilter::hop`] results of [`MatchedFilter::scan_power`] from a position
    /// on, which counts from the beginning of `recording`; silence is around it.
    pub fn power<T: Copy + Into<f64>>(&mut self, recording: &[T], position: i64) -> &[f64] {
        self.filter_block(recording, position);
        self.quadrature.resize(self.fft.len(), 0.0);
        self.turned.clear();
        self.turned.extend(self.spectrum.iter().map(|bin| *bin * Complex64::new(0.0, -1.0)));
        self.fft.inverse(&mut self.spectrum, &mut self.time);
        self.fft.inverse(&mut self.turned, &mut self.quadrature);
        for (x, y) in self.time.iter_mut().zip(&self.quadrature) {
            *x = *x * *x + y * y;
        }
        &self.time[..self.hop()]
    }

    /// [`MatchedFilter::hop`] results of [`MatchedFilter::scan`] from a position on, which
    /// counts from the beginning of `recording`; silence is around it.
    pub fn compressed<T: Copy + Into<f64>>(&mut self, recording: &[T], position: i64) -> &[f64] {
        self.filter_block(recording, position);
        self.fft.inverse(&mut self.spectrum, &mut self.time);
        &self.time[..self.hop()]
    }

    /// How many samples of the recording the results of one block depend on, and how
    /// many of these lie before the first result's position.
    #[must_use]
    pub fn reach(&self) -> (usize, usize) {
        (self.fft.len(), self.guard)
    }

    /// Leaves the filtered spectrum of the block for the results from `position` on.
    fn filter_block<T: Copy + Into<f64>>(&mut self, recording: &[T], position: i64) {
        let first = position - self.guard as i64;
        let silent = (-first).clamp(0, self.time.len() as i64) as usize;
        let from = (first.max(0) as usize).min(recording.len());
        let stretch = &recording[from..recording.len().min(from + self.time.len() - silent)];
        self.time[..silent].fill(0.0);
        for (slot, x) in self.time[silent..].iter_mut().zip(stretch) {
            *slot = (*x).into();
        }
        self.time[silent + stretch.len()..].fill(0.0);
        self.fft.forward(&mut self.time, &mut self.spectrum);
        for (bin, filter) in self.spectrum.iter_mut().zip(&self.filter) {
            *bin *= filter;
        }
    }
}

/// The full cross-correlation of two signals: element `i` belongs to the lag
/// `i − (b.len() − 1)`, and `c(lag) = Σ a[k + lag]·b[k]`.
#[must_use]
pub fn cross_correlate(a: &[f64], b: &[f64]) -> Vec<f64> {
    if a.is_empty() || b.is_empty() {
        return Vec::new();
    }
    let length = a.len() + b.len() - 1;
    let n = fast_len(length);
    let mut fft = RealFft::new(n);
    let mut time = vec![0.0; n];
    let mut transform = |signal: &[f64]| {
        let mut padded = vec![0.0; n];
        padded[..signal.len()].copy_from_slice(signal);
        let mut spectrum = vec![Complex64::default(); fft.bins()];
        fft.forward(&mut padded, &mut spectrum);
        spectrum
    };
    let (mut product, other) = (transform(a), transform(b));
    for (x, y) in product.iter_mut().zip(&other) {
        *x *= y.conj();
    }
    fft.inverse(&mut product, &mut time);
    let negative = b.len() - 1;
    time[n - negative..].iter().chain(&time[..a.len()]).copied().collect()
}

/// The analytic signal `x + j·H{x}`, H being the Hilbert transform over the whole
/// stretch taken as periodic.
///
/// References: Oppenheim & Schafer, *Discrete-Time Signal Processing*, section 12.4.
#[must_use]
pub fn analytic(samples: &[f64]) -> Vec<Complex64> {
    if samples.is_empty() {
        return Vec::new();
    }
    let n = samples.len();
    let mut fft = RealFft::new(n);
    let mut time = samples.to_vec();
    let mut spectrum = vec![Complex64::default(); fft.bins()];
    fft.forward(&mut time, &mut spectrum);
    for bin in &mut spectrum {
        *bin *= Complex64::new(0.0, -1.0);
    }
    // DC and Nyquist have no quadrature; `inverse` drops their imaginary parts,
    // which is where the rotation has put them.
    fft.inverse(&mut spectrum, &mut time);
    samples.iter().zip(&time).map(|(&re, &im)| Complex64::new(re, im)).collect()
}

/// The Hilbert envelope `|x + j·H{x}|`.
#[must_use]
pub fn envelope(samples: &[f64]) -> Vec<f64> {
    analytic(samples).iter().map(|z| z.norm()).collect()
}

/// A peak between samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Its position, counted in samples.
    pub position: f64,
    /// The value there.
    pub value: Complex64,
}

/// The highest point of `|z|` within a sample of index `i`, by band-limited
/// interpolation of the analytic signal and a golden-section search.
///
/// A parabola through three samples of an envelope is off by some hundredths of a
/// sample; this is not. Accuracy: `peaks_between_samples_are_found`.
///
/// Where the signal holds low frequencies only, its top is so flat that the last digits of
/// the interpolation would decide. It is thinned out there, turned back by the frequency at
/// which it turns.
#[must_use]
pub fn refine_peak(analytic: &[Complex64], i: usize) -> Peak {
    let power = |at: Option<usize>| at.and_then(|at| analytic.get(at)).map_or(0.0, Complex64::norm_sqr);
    let flat = |step: usize| power(i.checked_sub(step)).min(power(Some(i + step))) > FLAT * power(Some(i));
    let step = (1..12).map(|n| 1 << n).take_while(|step| flat(*step)).last().unwrap_or(1);
    if step == 1 {
        return sharp_peak(analytic, i);
    }
    let turn = (analytic[i + 1] * analytic[i - 1].conj()).arg() / 2.0;
    let thin: Vec<Complex64> = (-THINNED..=THINNED)
        .map(|k| {
            let offset = k * step as i64;
            let at = usize::try_from(i as i64 + offset).ok().and_then(|at| analytic.get(at));
            at.map_or(Complex64::default(), |z| z * Complex64::cis(-turn * offset as f64))
        })
        .collect();
    let peak = sharp_peak(&thin, THINNED as usize);
    let offset = (peak.position - THINNED as f64) * step as f64;
    Peak { position: i as f64 + offset, value: peak.value * Complex64::cis(turn * offset) }
}

/// What a top must keep of its power a step further to count as flat.
const FLAT: f64 = 0.85;
/// How many steps to each side are looked at then.
const THINNED: i64 = 48;

fn sharp_peak(analytic: &[Complex64], i: usize) -> Peak {
    let size = |position: f64| interpolate(analytic, position).norm_sqr();
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let (mut a, mut b) = (i as f64 - 1.0, i as f64 + 1.0);
    let (mut c, mut d) = (b - golden * (b - a), a + golden * (b - a));
    let (mut size_c, mut size_d) = (size(c), size(d));
    while b - a > 1e-6 {
        if size_c > size_d {
            (b, d, size_d) = (d, c, size_c);
            c = b - golden * (b - a);
            size_c = size(c);
        } else {
            (a, c, size_c) = (c, d, size_d);
            d = a + golden * (b - a);
            size_d = size(d);
        }
    }
    let position = 0.5 * (a + b);
    Peak { position, value: interpolate(analytic, position) }
}

/// A sampled complex signal read between its samples with a Kaiser-windowed sinc
/// of 48 taps; silent outside.
#[must_use]
pub fn interpolate(samples: &[Complex64], position: f64) -> Complex64 {
    const REACH: i64 = 24;
    let whole = position.floor() as i64;
    let first = (whole - REACH + 1).max(0);
    let last = (whole + REACH).min(samples.len() as i64 - 1);
    (first..=last)
        .map(|k| {
            let u = position - k as f64;
            samples[k as usize] * (sinc(u) * kaiser(u / REACH as f64, 9.0))
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use testkit::{all_near, near};

    use super::*;

    /// Source: the definition, summed directly.
    #[test]
    fn correlation_agrees_with_the_direct_sum() {
        let a: Vec<f64> = (0..50).map(|i| f64::from((i * 37) % 17) - 8.0).collect();
        let b: Vec<f64> = (0..20).map(|i| f64::from((i * 23) % 13) - 6.0).collect();
        let got = cross_correlate(&a, &b);
        assert_eq!(got.len(), 69);
        for (i, value) in got.iter().enumerate() {
            let lag = i as i64 - 19;
            let wanted: f64 = (0..20)
                .filter(|k| (0..50).contains(&(k + lag)))
                .map(|k| a[(k + lag) as usize] * b[k as usize])
                .sum();
            near(&format!("lag {lag}"), *value, wanted, 1e-9);
        }
    }

    #[test]
    fn a_scan_is_the_correlation_whatever_the_blocks() {
        let recording: Vec<f32> = (0..20_000).map(|i| ((i * 7919) % 1009) as f32 / 1009.0 - 0.5).collect();
        let template: Vec<f64> = (0..700).map(|i| f64::from((i * 31) % 101) / 101.0 - 0.5).collect();
        let mut filter = MatchedFilter::new(&template);
        let mut got = Vec::new();
        filter.scan(&recording, |start, results| {
            assert_eq!(start, got.len());
            got.extend_from_slice(results);
        });
        let recording: Vec<f64> = recording.iter().map(|&x| f64::from(x)).collect();
        let wanted = &cross_correlate(&recording, &template)[699..];
        all_near("results", &got, wanted, 1e-9);
    }

    /// Source: analytic; the envelope of a correlation peak is the modulus of its
    /// analytic signal, and only the phase of the template counts.
    #[test]
    fn scanned_power_is_the_squared_envelope() {
        let template: Vec<f64> = (0..900).map(|i| (0.000_8 * f64::from(i * i)).sin()).collect();
        let mut recording = vec![0.0f64; 9_000];
        recording[4_000..4_900].copy_from_slice(&template);
        let mut filter = MatchedFilter::phase_only(&template, 0.02, 0.2);
        let (mut real, mut power) = (Vec::new(), Vec::new());
        filter.scan(&recording, |_, results| real.extend_from_slice(results));
        filter.scan_power(&recording, |_, results| power.extend_from_slice(results));
        let highest = (0..power.len()).max_by(|a, b| power[*a].total_cmp(&power[*b])).unwrap();
        assert_eq!(highest, 4_000);
        near("squared correlation there", real[4_000] * real[4_000], power[4_000], 1e-3 * power[4_000]);
    }

    /// A tone beside the band is nowhere a peak, also not where blocks meet.
    #[test]
    fn blocks_meet_without_a_seam() {
        let template: Vec<f64> = (0..2_000).map(|i| (0.000_6 * f64::from(i * i)).sin()).collect();
        let tone: Vec<f64> = (0..60_000).map(|i| (0.1 * f64::from(i)).sin()).collect();
        let mut filter = MatchedFilter::phase_only(&template, 0.05, 0.3);
        let mut power = Vec::new();
        filter.scan_power(&tone, |_, results| power.extend_from_slice(results));
        let middle = &power[4_000..54_000];
        let highest = middle.iter().copied().fold(0.0, f64::max);
        assert!(highest < 1e-7, "{highest}");
    }

    /// Source: analytic; the envelope of a Gaussian-windowed cosine is the Gaussian.
    #[test]
    fn the_envelope_of_a_burst_is_its_window() {
        let gauss = |i: usize| (-((i as f64 - 500.0) / 80.0).powi(2)).exp();
        let burst: Vec<f64> = (0..1000).map(|i| gauss(i) * (0.3 * i as f64).cos()).collect();
        for (i, e) in envelope(&burst).iter().enumerate() {
            near(&format!("sample {i}"), *e, gauss(i), 1e-6);
        }
    }

    /// Source: analytic; a Gaussian of 20 to 80 Hz on 48 kHz, between samples. Half a
    /// sample is 10 µs.
    #[test]
    fn flat_peaks_between_samples_are_found() {
        for shift in [0.0, 0.21, 0.5, 0.9] {
            let pulse: Vec<Complex64> = (0..16_384)
                .map(|i| {
                    let t = (f64::from(i) - 8_000.0 - shift) / 48_000.0;
                    Complex64::cis(2.0 * PI * 50.0 * t) * (-(t / 0.012).powi(2)).exp()
                })
                .collect();
            let peak = refine_peak(&pulse, 8_000);
            near("position", peak.position, 8_000.0 + shift, 0.002);
            near("value", (peak.value - 1.0).norm(), 0.0, 0.001);
        }
    }

    /// Source: analytic; a band-limited pulse placed between samples peaks where it
    /// was placed. A hundredth of a sample at 48 kHz is 0.2 µs.
    #[test]
    fn peaks_between_samples_are_found() {
        for shift in [0.0, 0.13, 0.5, 0.77] {
            let pulse: Vec<f64> = (0..1024)
                .map(|i| {
                    let t = f64::from(i) - 500.0 - shift;
                    0.8 * sinc(0.8 * t) * (0.5 + 0.5 * (PI * t / 600.0).cos()) * kaiser(t / 600.0, 3.0)
                })
                .collect();
            let peak = refine_peak(&analytic(&pulse), 500);
            near("position", peak.position, 500.0 + shift, 0.002);
            near("value", peak.value.re, 0.8, 0.002);
        }
    }
}
