//! Windows and fades.

use std::f64::consts::PI;

use num_complex::Complex64;

use crate::fast::sine_of_turns;

/// A window in its periodic form, the one that belongs to a Fourier transform.
///
/// `w[i] = Σ (−1)^k a_k cos(2πki/n)`.
///
/// References: F. J. Harris, "On the Use of Windows for Harmonic Analysis with
/// the Discrete Fourier Transform", Proc. IEEE 66(1), 1978, Table 1; the
/// five-term flat-top coefficients are those of `scipy.signal.windows.flattop`.
///
/// Accuracy: `noise_bandwidths_are_those_of_harris`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Window {
    /// All ones.
    Rectangular,
    /// Raised cosine.
    #[default]
    Hann,
    /// Four-term Blackman-Harris, side lobes under −92 dB.
    BlackmanHarris4,
    /// Five-term flat-top, scalloping under 0.01 dB.
    FlatTop,
}

impl Window {
    /// The weights `a_k` of the cosines that the window is made of.
    #[must_use]
    pub fn cosines(self) -> &'static [f64] {
        match self {
            Self::Rectangular => &[1.0],
            Self::Hann => &[0.5, 0.5],
            Self::BlackmanHarris4 => &[0.358_75, 0.488_29, 0.141_28, 0.011_68],
            Self::FlatTop => &[0.215_578_95, 0.416_631_58, 0.277_263_158, 0.083_578_947, 0.006_947_368],
        }
    }

    /// The weight of sample `i` of `n`.
    #[must_use]
    pub fn sample(self, i: usize, n: usize) -> f64 {
        let phase = 2.0 * PI * i as f64 / n as f64;
        let mut sign = 1.0;
        let mut sum = 0.0;
        for (k, a) in self.cosines().iter().enumerate() {
            sum += sign * a * (k as f64 * phase).cos();
            sign = -sign;
        }
        sum
    }

    /// All `n` weights, each as [`Window::sample`] to 1e-14 (`weights_are_those_one_by_one`).
    ///
    /// Cost: some 2 ns a weight; a cosine is taken for every 64th, the others are turned from
    /// it, and those of multiple angles follow by `cos kφ = 2 cos φ cos (k−1)φ − cos (k−2)φ`.
    #[must_use]
    pub fn fill(self, n: usize) -> Vec<f64> {
        const RUN: usize = 64;
        let step = 2.0 * PI / n as f64;
        let turns: Vec<Complex64> = (0..RUN).map(|i| Complex64::cis(step * i as f64)).collect();
        let mut weights = vec![0.0; n];
        for (number, run) in weights.chunks_mut(RUN).enumerate() {
            let begin = Complex64::cis(step * (number * RUN) as f64);
            for (weight, turned) in run.iter_mut().zip(&turns) {
                // (−1)^k cos kφ is cos k(π − φ).
                let cosine = begin.im * turned.im - begin.re * turned.re;
                let (mut last, mut this) = (1.0, cosine);
                for (k, a) in self.cosines().iter().enumerate() {
                    *weight += a * if k == 0 { 1.0 } else { this };
                    if k > 0 {
                        (last, this) = (this, 2.0 * cosine * this - last);
                    }
                }
            }
        }
        weights
    }

    /// The equivalent noise bandwidth in bins: `n Σw² / (Σw)²`.
    #[must_use]
    pub fn enbw_bins(self, n: usize) -> f64 {
        let weights = self.fill(n);
        let sum: f64 = weights.iter().sum();
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        n as f64 * squares / (sum * sum)
    }

    /// The mean weight: what a tone's amplitude is multiplied by.
    #[must_use]
    pub fn coherent_gain(self) -> f64 {
        self.cosines()[0]
    }
}

/// A raised-cosine rise: 0 at or before 0, 1 at or after 1, `(1 − cos πx)/2` between.
#[must_use]
pub fn rise(x: f64) -> f64 {
    if x <= 0.0 {
        0.0
    } else if x >= 1.0 {
        1.0
    } else {
        0.5 - 0.5 * sine_of_turns(0.5 * x + 0.25)
    }
}

/// The gain at time `t_s` of a part of `duration_s` that fades in and out over
/// `fade_s` by raised cosines; zero outside.
#[must_use]
pub fn fade_gain(t_s: f64, duration_s: f64, fade_s: f64) -> f64 {
    if !(0.0..=duration_s).contains(&t_s) {
        return 0.0;
    }
    let fade_s = fade_s.min(duration_s / 2.0);
    if fade_s <= 0.0 {
        return 1.0;
    }
    rise(t_s / fade_s) * rise((duration_s - t_s) / fade_s)
}

/// Fades samples in over their first `fade_in` and out over their last `fade_out`.
pub fn fade_ends(samples: &mut [f64], fade_in: usize, fade_out: usize) {
    for (i, sample) in samples.iter_mut().take(fade_in).enumerate() {
        *sample *= rise((i as f64 + 0.5) / fade_in as f64);
    }
    for (i, sample) in samples.iter_mut().rev().take(fade_out).enumerate() {
        *sample *= rise((i as f64 + 0.5) / fade_out as f64);
    }
}

/// The Kaiser window at `x` from −1 to 1 (zero outside): `I0(β√(1−x²))/I0(β)`.
///
/// References: J. F. Kaiser, R. W. Schafer, "On the use of the I0-sinh window for
/// spectrum analysis", IEEE Trans. ASSP 28(1), 1980.
#[must_use]
pub fn kaiser(x: f64, beta: f64) -> f64 {
    if x.abs() > 1.0 { 0.0 } else { kaiser_squared(x * x, beta) }
}

/// The same by the square of `x`, going on smoothly beyond 1 (there it is a Bessel function
/// of the other kind, `J0`): what is interpolated near the end needs it.
pub(crate) fn kaiser_squared(x_squared: f64, beta: f64) -> f64 {
    bessel_i0(beta * beta * (1.0 - x_squared)) / bessel_i0(beta * beta)
}

/// The modified Bessel function of order zero by the square of its argument, with its power
/// series `Σ ((x/2)^k / k!)²`, to double precision for the arguments that windows use.
fn bessel_i0(x_squared: f64) -> f64 {
    let quarter = x_squared / 4.0;
    let (mut term, mut sum, mut k): (f64, f64, f64) = (1.0, 1.0, 1.0);
    while term.abs() > 1e-17 * sum {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

/// `sin(πx)/(πx)`.
#[must_use]
pub fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: Harris 1978, Table 1 (to its two digits) and the design page's
    /// 1.5000 / 2.0044 / 3.7702; the tolerance of 0.1 % is the design page's.
    #[test]
    fn noise_bandwidths_are_those_of_harris() {
        let mut worst = 0.0f64;
        for (window, enbw) in [
            (Window::Rectangular, 1.0),
            (Window::Hann, 1.5),
            (Window::BlackmanHarris4, 2.0044),
            (Window::FlatTop, 3.7702),
        ] {
            worst = worst.max((window.enbw_bins(4096) / enbw - 1.0).abs());
            let mean = window.fill(4096).iter().sum::<f64>() / 4096.0;
            near("coherent gain", window.coherent_gain(), mean, 1e-12);
        }
        let what = "noise bandwidth of Hann, Blackman-Harris and flat-top: off by, relative";
        testkit::published(
            "Harris 1978, Table 1",
            what,
            (100.0 * worst, 0.1, "%"),
            testkit::Verified::FromMemory,
        );
    }

    /// Source: the formula, a cosine for each term and weight.
    #[test]
    fn weights_are_those_one_by_one() {
        for window in [Window::Rectangular, Window::Hann, Window::BlackmanHarris4, Window::FlatTop] {
            for n in [1usize, 2, 63, 64, 1_000, 14_401] {
                for (i, got) in window.fill(n).into_iter().enumerate() {
                    near(&format!("{window:?}, {i} of {n}"), got, window.sample(i, n), 1e-14);
                }
            }
        }
    }

    /// Source: the series summed in exact fractions: I0(1) and I0(10).
    #[test]
    fn kaiser_is_built_on_the_bessel_function() {
        near("I0(1)", bessel_i0(1.0), 1.2660658777520084, 1e-15);
        near("I0(10)", bessel_i0(100.0), 2815.7166284662544, 1e-11);
        near("middle", kaiser(0.0, 8.0), 1.0, 0.0);
        near("edge", kaiser(1.0, 8.0), 1.0 / bessel_i0(64.0), 1e-15);
    }

    #[test]
    fn fades_rise_and_fall_and_never_overshoot() {
        near("start", fade_gain(0.0, 1.0, 0.1), 0.0, 0.0);
        near("half way up", fade_gain(0.05, 1.0, 0.1), 0.5, 1e-12);
        near("middle", fade_gain(0.5, 1.0, 0.1), 1.0, 0.0);
        near("end", fade_gain(1.0, 1.0, 0.1), 0.0, 0.0);
        near("outside", fade_gain(1.1, 1.0, 0.1), 0.0, 0.0);
        near("fade longer than half", fade_gain(0.5, 1.0, 3.0), 1.0, 1e-12);
    }
}
