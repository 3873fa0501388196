//! Averaged cross and power spectra, what the windows leave out of them, and the delay
//! between two channels.

use std::f64::consts::PI;

use dsp::correlate::{analytic, refine_peak};
use dsp::fft::{Complex, Complex64, Precision, RealFft, irfft, rfft};
use dsp::smoothing::smooth_power;
use dsp::window::{Window, sinc};

/// The share of half-overlapping Hann windows that counts as independent averages.
///
/// References: P. D. Welch 1967; 0.9479 for Hann at 50 % (Harris 1978, correlation
/// 1/6 between neighbours: 1/(1 + 2/36)).
const INDEPENDENT: f64 = 0.9479;

/// Power and cross spectra of one window length.
#[derive(Debug)]
struct Averages {
    bin_hz: f64,
    count: f64,
    xx: Vec<f64>,
    yy: Vec<f64>,
    xy: Vec<Complex64>,
}

/// Averages over Hann windows of `n` samples that overlap by half, transformed in the precision `T`;
/// nothing when not even one fits.
fn averages<T: Precision>(x: &[f32], y: &[f32], n: usize, rate: f64) -> Option<Averages>
where
    f64: From<T>,
{
    let frames = x.len().min(y.len());
    if frames < n {
        return None;
    }
    let window: Vec<T> =
        Window::Hann.fill(n).into_iter().map(|w| T::from_f64(w).unwrap_or_default()).collect();
    let mut fft = RealFft::<T>::new(n);
    let bins = fft.bins();
    let mut time = vec![T::zero(); n];
    let (mut a, mut b) = (vec![Complex::<T>::default(); bins], vec![Complex::<T>::default(); bins]);
    let mut sums = Averages {
        bin_hz: rate / n as f64,
        count: 0.0,
        xx: vec![0.0; bins],
        yy: vec![0.0; bins],
        xy: vec![Complex64::default(); bins],
    };
    for start in (0..=frames - n).step_by(n / 2) {
        for (samples, spectrum) in [(x, &mut a), (y, &mut b)] {
            for ((slot, sample), w) in time.iter_mut().zip(&samples[start..start + n]).zip(&window) {
                *slot = T::from_f32(*sample).unwrap_or_default() * *w;
            }
            fft.forward(&mut time, spectrum);
        }
        let powers = sums.xx.iter_mut().zip(&mut sums.yy).zip(&mut sums.xy);
        for (((xx, yy), xy), (a, b)) in powers.zip(a.iter().zip(&b)) {
            let wide = |z: &Complex<T>| Complex64::new(z.re.into(), z.im.into());
            let (a, b) = (wide(a), wide(b));
            *xx += a.norm_sqr();
            *yy += b.norm_sqr();
            *xy += a.conj() * b;
        }
        sums.count += 1.0;
    }
    Some(sums)
}

/// How much later the measured channel is, and which way up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Delay {
    /// In samples; negative when the measured channel is early.
    pub frames: f64,
    /// `normal` or `inverted`.
    pub polarity: &'static str,
}

/// The delay at which the channels agree best: the peak of the generalized
/// cross-correlation with the phase transform, each frequency weighted by its
/// coherence. Delays up to 1.3 s are found. Nothing when no peak stands out.
///
/// References: Knapp & Carter, IEEE Trans. ASSP 24(4), 1976.
pub(super) fn delay(x: &[f32], y: &[f32], rate: f64) -> Option<Delay> {
    let longest = ((2.7 * rate) as usize).next_power_of_two();
    let frames = x.len().min(y.len());
    let n = if frames >= longest { longest } else { frames.next_power_of_two() / 2 };
    // Where the peak lies is not moved by rounding 135 dB below the loudest.
    let sums = averages::<f32>(x, y, n, rate)?;
    let weighted: Vec<Complex64> = (0..sums.xy.len())
        .map(|k| {
            let f = k as f64 * sums.bin_hz;
            let size = sums.xy[k].norm();
            let power = sums.xx[k] * sums.yy[k];
            if !(20.0..0.45 * rate).contains(&f) || size <= 0.0 || power <= 0.0 {
                return Complex64::default();
            }
            sums.xy[k] / size * (size * size / power).min(1.0)
        })
        .collect();
    let mut correlation = analytic(&irfft(weighted, n));
    correlation.rotate_right(n / 2);
    let highest = (0..n).max_by(|&a, &b| correlation[a].norm_sqr().total_cmp(&correlation[b].norm_sqr()))?;
    let mean = correlation.iter().map(Complex64::norm_sqr).sum::<f64>() / n as f64;
    // Noise alone reaches ln(n) of its mean power; three times that stands out.
    if correlation[highest].norm_sqr() < 3.0 * (n as f64).ln() * mean {
        return None;
    }
    let peak = refine_peak(&correlation, highest);
    let polarity = if peak.value.re < 0.0 { "inverted" } else { "normal" };
    Some(Delay { frames: peak.position - (n / 2) as f64, polarity })
}

/// The longest window, in seconds: 65,536 samples at 48 kHz.
const WINDOW_S: f64 = 1.37;

/// Shorter windows are taken of a recording that does not hold so many of these.
const FEWEST_WINDOWS: f64 = 8.0;

/// Over how many hertz neighbouring bins are averaged at the most: an echo of 20 ms makes
/// a comb of 50 Hz, which this leaves.
const WIDEST_HZ: f64 = 6.0;

/// What comes within so many seconds of the sound itself is set right for what the windows
/// and the averaging take off it.
const CORRECTED_S: f64 = 0.05;

/// What comes later, up to here, is counted as an error where it stands out of the noise.
const COUNTED_S: f64 = 0.25;

/// An average over many bins counts what stands so far out of the noise that chance does not
/// reach it in a hundred recordings, also where the noise is half as much again as in the middle.
const CLEARLY_LATE: f64 = 8.0;

/// What is known at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Estimate {
    /// Output over input, noise at the output averaged away.
    pub h1: Complex64,
    /// γ², from 0 to 1.
    pub coherence: f64,
    /// One standard deviation of the magnitude: what noise does to it, and what comes
    /// too late for the windows.
    pub random_error_db: f64,
}

/// The averaged spectra of two aligned channels, and what they leave out.
#[derive(Debug)]
pub(super) struct Spectra {
    residual_s: f64,
    sums: Averages,
    loudest: f64,
    /// What is missing in H1 at each bin: for the window alone, and for an average over
    /// [`WIDEST_HZ`].
    missing_window: Vec<Complex64>,
    missing_width: Vec<Complex64>,
    /// How fast H1 changes with frequency, per Hz.
    slope: Vec<Complex64>,
    /// The power of what comes too late to be set right, where it may be noise as well, and
    /// where it is none.
    late: Vec<f64>,
    clearly_late: Vec<f64>,
}

impl Spectra {
    /// Spectra of windows of 1.4 s, less for recordings under 6 s; nothing when not even
    /// one fits. `residual_s` is the part of a sample by which the channels are still apart.
    ///
    /// A sound that comes `d` seconds after the one to which the channels are aligned is
    /// seen by the windows only as far as they overlap when shifted by `d`, and an average
    /// over `B` hertz turns it against itself: it counts `ρ(d)·sinc(B·d)` of what it is,
    /// `ρ` being the window's own correlation. Both are known, so that the impulse response
    /// up to 50 ms is divided by them. What is left of later sounds is an error, and stated.
    pub(super) fn of(x: &[f32], y: &[f32], rate: f64, residual_s: f64) -> Option<Self> {
        let frames = x.len().min(y.len()) as f64;
        let longest = ((WINDOW_S * rate) as usize).next_power_of_two();
        let mut n = longest;
        while n > 1_024 && frames < 0.5 * (FEWEST_WINDOWS + 1.0) * n as f64 {
            n /= 2;
        }
        let sums = averages::<f64>(x, y, n, rate)?;
        let loudest = sums.xx.iter().copied().fold(0.0, f64::max);
        let response: Vec<Complex64> = (0..sums.xx.len())
            .map(
                |k| if sums.xx[k] > 1e-12 * loudest { sums.xy[k] / sums.xx[k] } else { Complex64::default() },
            )
            .collect();
        let impulse = irfft(response, n);
        let window = window_correlation(n, rate);
        let lag_s = |i: usize| {
            let lag = if i > n / 2 { i as f64 - n as f64 } else { i as f64 };
            lag.abs() / rate
        };
        // The noise of the impulse response, where nothing else is; nearer to the sound it is three times as high.
        let profile = |i: usize| noise_profile(lag_s(i) * rate / n as f64);
        let quiet: Vec<f64> = (0..n)
            .filter(|i| lag_s(*i) > 0.4 * n as f64 / rate)
            .map(|i| impulse[i].abs() / profile(i))
            .collect();
        let noise = dsp::statistics::median(&quiet).unwrap_or(0.0) / 0.6745;
        let transformed = |weight: &dyn Fn(usize) -> f64| {
            let part: Vec<f64> = impulse.iter().enumerate().map(|(i, h)| h * weight(i)).collect();
            rfft(&part, n)
        };
        let within = |i: usize| lag_s(i) <= CORRECTED_S;
        let missing_window = transformed(&|i| if within(i) { 1.0 / window(lag_s(i)) - 1.0 } else { 0.0 });
        let missing_width =
            transformed(&|i| if within(i) { 1.0 / sinc(WIDEST_HZ * lag_s(i)) - 1.0 } else { 0.0 });
        // `dH/df = FFT(−j2πt·h(t))`.
        let signed_s = |i: usize| if i > n / 2 { -lag_s(i) } else { lag_s(i) };
        let slope = transformed(&|i| if within(i) { 2.0 * PI * signed_s(i) / window(lag_s(i)) } else { 0.0 });
        let slope = slope.into_iter().map(|x| Complex64::new(x.im, -x.re)).collect();
        let late = transformed(&|i| {
            let counts = !within(i) && lag_s(i) <= COUNTED_S && impulse[i].abs() > 4.0 * noise * profile(i);
            if counts { 1.0 - window(lag_s(i)) * sinc(WIDEST_HZ * lag_s(i)) } else { 0.0 }
        });
        let late = late.iter().map(Complex64::norm_sqr).collect();
        // Before the sound there is nothing but noise, as much as at the same distance after it.
        let before: Vec<f64> = (n / 2 + 1..n)
            .filter(|i| (CORRECTED_S..COUNTED_S).contains(&lag_s(*i)))
            .map(|i| impulse[i].abs())
            .collect();
        let enough = CLEARLY_LATE * dsp::statistics::median(&before).unwrap_or(0.0) / 0.6745;
        let clearly_late = transformed(&|i| {
            let counts = !within(i) && lag_s(i) <= COUNTED_S && impulse[i].abs() > enough;
            if counts { 1.0 - window(lag_s(i)) * sinc(WIDEST_HZ * lag_s(i)) } else { 0.0 }
        });
        let clearly_late = clearly_late.iter().map(Complex64::norm_sqr).collect();
        Some(Self { residual_s, sums, loudest, missing_window, missing_width, slope, late, clearly_late })
    }

    /// How far bins are averaged about a frequency: 1/`fraction` octave, but no farther
    /// than [`WIDEST_HZ`], and one bin at the least.
    fn width_hz(&self, frequency_hz: f64, fraction: f64) -> f64 {
        let octaves = (0.5 / fraction).exp2();
        (frequency_hz * (octaves - 1.0 / octaves)).min(WIDEST_HZ).max(self.sums.bin_hz)
    }

    /// The estimate over 1/`fraction` octave around a frequency, or over less where that
    /// would blur echoes; nothing where the reference holds nothing (120 dB under its
    /// loudest).
    pub(super) fn estimate(&self, frequency_hz: f64, fraction: f64) -> Option<Estimate> {
        let width_hz = self.width_hz(frequency_hz, fraction);
        let parts = parts(frequency_hz, width_hz, self.sums.bin_hz, self.sums.xx.len());
        let mean = |of: &dyn Fn(usize) -> f64| parts.iter().map(|(k, part)| part * of(*k)).sum::<f64>();
        let (xx, yy) = (mean(&|k| self.sums.xx[k]), mean(&|k| self.sums.yy[k]));
        if xx <= 1e-12 * self.loudest || yy <= 0.0 {
            return None;
        }
        let xy = Complex64::new(mean(&|k| self.sums.xy[k].re), mean(&|k| self.sums.xy[k].im));
        let averages = self.independent(width_hz);
        // Chance alone makes a coherence of 1/n.
        let seen = (xy.norm_sqr() / (xx * yy)).clamp(0.0, 1.0);
        let coherence =
            if averages > 1.0 { ((seen - 1.0 / averages) / (1.0 - 1.0 / averages)).max(0.0) } else { 0.0 };
        let nearest = ((frequency_hz / self.sums.bin_hz).round() as usize).min(self.late.len() - 1);
        // What an average over B hertz takes off grows with its square.
        let narrow = (width_hz / WIDEST_HZ).powi(2).min(1.0);
        // Music is louder on one side of a frequency than on the other: what was averaged is H1 at its middle.
        let middle_hz = mean(&|k| self.sums.xx[k] * k as f64) / xx * self.sums.bin_hz;
        let beside = self.slope[nearest] * (middle_hz - frequency_hz);
        let h1 = xy / xx + self.missing_window[nearest] + self.missing_width[nearest] * narrow - beside;
        let noise = (1.0 - coherence) / (coherence.max(1e-9) * 2.0 * averages);
        let late = 0.5 * self.late[nearest] / h1.norm_sqr().max(1e-30);
        Some(Estimate {
            h1: h1 * Complex64::cis(2.0 * PI * frequency_hz * self.residual_s),
            coherence,
            random_error_db: 20.0 * (1.0 + (noise + late).sqrt()).log10(),
        })
    }

    /// The estimates at frequencies, their magnitudes the power mean over 1/`fraction` octave.
    pub(super) fn smoothed(&self, frequency_hz: &[f64], fraction: f64) -> Vec<Option<Estimate>> {
        let bin_hz = self.sums.bin_hz;
        // Of each bin by itself.
        let each: Vec<Option<Estimate>> =
            (0..self.sums.xx.len()).map(|k| self.estimate(k as f64 * bin_hz, f64::INFINITY)).collect();
        // Noise adds its own power to each.
        let own = self.independent(bin_hz);
        let of = |value: &dyn Fn(&Estimate) -> f64| -> Vec<f64> {
            let values: Vec<f64> = each.iter().map(|one| one.as_ref().map_or(0.0, value)).collect();
            smooth_power(&values, bin_hz, fraction, frequency_hz)
        };
        let held = of(&|_| 1.0);
        let power = of(&|one| {
            let noise = (1.0 - one.coherence) / (one.coherence.max(1e-3) * own);
            one.h1.norm_sqr() / (1.0 + noise)
        });
        let coherence = of(&|one| one.coherence);
        let late: Vec<f64> = each
            .iter()
            .zip(&self.clearly_late)
            .map(|(one, late)| one.as_ref().map_or(0.0, |one| 0.5 * late / one.h1.norm_sqr().max(1e-30)))
            .collect();
        let late = smooth_power(&late, bin_hz, fraction, frequency_hz);
        frequency_hz
            .iter()
            .enumerate()
            .map(|(i, &f)| {
                let narrow = self.estimate(f, f64::INFINITY)?;
                let (power, coherence) = (power[i] / held[i], (coherence[i] / held[i]).clamp(0.0, 1.0));
                let octaves = (0.5 / fraction).exp2();
                let width_hz = (f * (octaves - 1.0 / octaves)).max(bin_hz);
                let noise = (1.0 - coherence) / (coherence.max(1e-9) * 2.0 * self.independent(width_hz));
                Some(Estimate {
                    h1: Complex64::from_polar(power.max(0.0).sqrt(), narrow.h1.arg()),
                    coherence,
                    random_error_db: 20.0 * (1.0 + (noise + late[i] / held[i]).sqrt()).log10(),
                })
            })
            .collect()
    }

    /// How many independent averages there are over so many hertz.
    ///
    /// Over many bins no more is independent than time times bandwidth, less what
    /// the windows weigh unevenly: Σw² of half-overlapping Hann windows is
    /// 0.75 + 0.25·cos, which costs 1 + (0.25²/2)/0.75² = 1.056. A bin counts
    /// 1/(2·1.056·0.9479) = half then.
    fn independent(&self, width_hz: f64) -> f64 {
        let bins = (width_hz / (2.0 * self.sums.bin_hz)).max(1.0);
        (self.sums.count * INDEPENDENT).max(1.0) * bins
    }
}

/// The bins about a frequency, each with its part of the whole.
fn parts(frequency_hz: f64, width_hz: f64, bin_hz: f64, bins: usize) -> Vec<(usize, f64)> {
    let (from, to) =
        ((frequency_hz - 0.5 * width_hz) / bin_hz + 0.5, (frequency_hz + 0.5 * width_hz) / bin_hz + 0.5);
    let last = bins - 1;
    let (first, end) = ((from.max(0.0) as usize).min(last), (to.max(0.0) as usize).min(last));
    let part = |k: usize| ((k as f64 + 1.0).min(to) - (k as f64).max(from)).max(0.0);
    let sum: f64 = (first..=end).map(part).sum();
    if sum <= 0.0 {
        return vec![(first, 1.0)];
    }
    (first..=end).map(|k| (k, part(k) / sum)).collect()
}

/// `ρ(d)`: how far a Hann window of `n` samples overlaps with itself when it is shifted by
/// a part `u` of its length,
/// `ρ(u) = (1 − u)·(2/3 + 1/3·cos 2πu) + sin(2πu)/(2π)`, as a function of the shift in
/// seconds.
///
/// References: Harris 1978, the overlap correlation; ρ(1/2) = 1/6.
fn window_correlation(n: usize, rate: f64) -> impl Fn(f64) -> f64 {
    move |lag_s| {
        let u = (lag_s * rate / n as f64).min(1.0);
        (1.0 - u) * (2.0 / 3.0 + (2.0 * PI * u).cos() / 3.0) + (2.0 * PI * u).sin() / (2.0 * PI)
    }
}

/// How high noise stands in an impulse response at a lag that is a part `u` of the Hann windows' length, but for a
/// factor: the root of `Σ w²(t)·w²(t + u)` around the circle, `9/64 + cos(2πu)/8 + cos(4πu)/128`.
fn noise_profile(u: f64) -> f64 {
    (9.0 / 64.0 + (2.0 * PI * u).cos() / 8.0 + (4.0 * PI * u).cos() / 128.0).sqrt()
}
