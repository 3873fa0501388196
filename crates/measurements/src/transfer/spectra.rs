//! Averaged cross and power spectra at several resolutions, and the delay between
//! two channels.

use std::f64::consts::PI;

use dsp::correlate::{analytic, refine_peak};
use dsp::fft::{Complex64, RealFft, irfft};
use dsp::smoothing::LogPrefix;
use dsp::window::Window;

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

/// Averages over Hann windows of `n` samples that overlap by half; nothing when not
/// even one fits.
fn averages(x: &[f32], y: &[f32], n: usize, rate: f64) -> Option<Averages> {
    let frames = x.len().min(y.len());
    if frames < n {
        return None;
    }
    let window = Window::Hann.fill(n);
    let mut fft = RealFft::new(n);
    let bins = fft.bins();
    let mut time = vec![0.0; n];
    let (mut a, mut b) = (vec![Complex64::default(); bins], vec![Complex64::default(); bins]);
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
                *slot = f64::from(*sample) * w;
            }
            fft.forward(&mut time, spectrum);
        }
        for k in 0..bins {
            sums.xx[k] += a[k].norm_sqr();
            sums.yy[k] += b[k].norm_sqr();
            sums.xy[k] += a[k].conj() * b[k];
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
    let sums = averages(x, y, n, rate)?;
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
    let mut correlation = analytic(&irfft(&weighted, n));
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

/// What is known at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Estimate {
    /// Output over input, noise at the output averaged away.
    pub h1: Complex64,
    /// γ², from 0 to 1.
    pub coherence: f64,
    /// One standard deviation of the magnitude.
    pub random_error_db: f64,
}

/// One window length with running sums over log frequency.
#[derive(Debug)]
struct Resolution {
    /// It is used from here up.
    from_hz: f64,
    bin_hz: f64,
    count: f64,
    loudest: f64,
    xx: LogPrefix,
    yy: LogPrefix,
    re: LogPrefix,
    im: LogPrefix,
}

/// The averaged spectra of two aligned channels at all resolutions.
#[derive(Debug)]
pub(super) struct Spectra {
    residual_s: f64,
    resolutions: Vec<Resolution>,
}

impl Spectra {
    /// Windows of about 1.4 s below 160 Hz, 0.34 s to 1.3 kHz and 85 ms above: at
    /// their lower ends some 50 bins an octave, and above never shorter than what a
    /// cabin rings. `residual_s` is the part of a sample by which the channels are
    /// still apart.
    pub(super) fn of(x: &[f32], y: &[f32], rate: f64, residual_s: f64) -> Self {
        let resolutions = [(0.0, 1.37), (160.0, 0.342), (1_300.0, 0.0854)]
            .into_iter()
            .filter_map(|(from_hz, length_s)| {
                // 1.37 s are 65,536 samples at 48 kHz.
                let n = ((length_s * rate) as usize).next_power_of_two();
                let sums = averages(x, y, n, rate)?;
                let part = |values: &dyn Fn(usize) -> f64| {
                    LogPrefix::new(&(0..sums.xx.len()).map(values).collect::<Vec<_>>(), sums.bin_hz)
                };
                Some(Resolution {
                    from_hz,
                    bin_hz: sums.bin_hz,
                    count: sums.count,
                    loudest: sums.xx.iter().copied().fold(0.0, f64::max),
                    xx: part(&|k| sums.xx[k]),
                    yy: part(&|k| sums.yy[k]),
                    re: part(&|k| sums.xy[k].re),
                    im: part(&|k| sums.xy[k].im),
                })
            })
            .collect();
        Self { residual_s, resolutions }
    }

    /// The estimate over 1/`fraction` octave around a frequency, but over one bin at
    /// the least; nothing where the reference holds nothing (120 dB under its loudest).
    pub(super) fn estimate(&self, frequency_hz: f64, fraction: f64) -> Option<Estimate> {
        let resolution = self.resolutions.iter().rev().find(|r| frequency_hz >= r.from_hz)?;
        let half = (0.5 / fraction).exp2();
        let from = (frequency_hz / half).min(frequency_hz - resolution.bin_hz / 2.0);
        let to = (frequency_hz * half).max(frequency_hz + resolution.bin_hz / 2.0);
        let xx = resolution.xx.mean(from, to);
        let yy = resolution.yy.mean(from, to);
        if xx <= 1e-12 * resolution.loudest || yy <= 0.0 {
            return None;
        }
        let xy = Complex64::new(resolution.re.mean(from, to), resolution.im.mean(from, to));
        let coherence = (xy.norm_sqr() / (xx * yy)).clamp(0.0, 1.0);
        // Over many bins no more is independent than time times bandwidth, less what
        // the windows weigh unevenly: Σw² of half-overlapping Hann windows is
        // 0.75 + 0.25·cos, which costs 1 + (0.25²/2)/0.75² = 1.056. A bin counts
        // 1/(2·1.056·0.9479) = half then.
        let bins = ((to - from) / (2.0 * resolution.bin_hz)).max(1.0);
        let averages = (resolution.count * INDEPENDENT).max(1.0) * bins;
        let relative = ((1.0 - coherence) / (coherence.max(1e-9) * 2.0 * averages)).sqrt();
        let h1 = xy / xx * Complex64::cis(2.0 * PI * frequency_hz * self.residual_s);
        Some(Estimate { h1, coherence, random_error_db: 20.0 * (1.0 + relative).log10() })
    }
}
