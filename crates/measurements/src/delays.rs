//! How much later one sound is than another, half octave by half octave.

use std::f64::consts::PI;
use std::ops::RangeInclusive;

use dsp::deconvolve::{TimeWindow, WindowedImpulse};
use dsp::fft::{Complex64, irfft};
use dsp::turn::turned;

use crate::background::Background;
use crate::copies::Copies;
use crate::excitation::Excitation;

/// How much of a mark's impulse response is compared with that of the copies.
pub(crate) const BEFORE_S: f64 = 0.03;
pub(crate) const AFTER_S: f64 = 0.15;

/// Bands in an octave in which a copy is laid over the marks.
pub(crate) const BANDS_PER_OCTAVE: f64 = 2.0;

/// A band is believed when its phases scatter by no more than this, in radians,
const MOST_SCATTER: f64 = 0.7;
/// and when what is heard in it has so many times the power of the noise. The few periods of a low band agree at some
/// delay even where they are noise; power of noise alone exceeds ten times its mean once in e¹⁰ = 22,000 at the most
/// (an exponential distribution, which is that of the narrowest band).
pub(crate) const OVER_NOISE: f64 = 10.0;
/// and when it lies no farther below the strongest band than this share of power, 30 dB. What is heard beyond a
/// crossover may be what was distorted elsewhere: a mark is so quick that it comes within its window.
const OF_STRONGEST: f64 = 1e-3;

/// What is not noise (a tail that was cut, distortion) turns the phase by as much.
const PHASE_FLOOR: f64 = 0.05;

/// A delay that changes by less is found.
const SETTLED_S: f64 = 1e-15;

/// How much later a band is than another.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Delay {
    pub(crate) delay_s: f64,
    /// One standard deviation of it.
    pub(crate) sigma_s: f64,
    /// How the phases scatter about it, in radians.
    scatter: f64,
    /// The power of the weaker one over that of its noise.
    over_noise: f64,
    /// The power of both as a share of that in the strongest band.
    of_strongest: f64,
}

impl Delay {
    /// How much later the first is than the second.
    pub(crate) fn seen_from_the_other(self) -> Self {
        Self { delay_s: -self.delay_s, ..self }
    }

    pub(crate) fn is_believed(&self) -> bool {
        self.scatter < MOST_SCATTER && self.over_noise > OVER_NOISE && self.of_strongest > OF_STRONGEST
    }
}

/// How much later a spectrum is than another in each band, each with the power of its noise; nothing where they have too
/// little in common.
///
/// The delay is where the inverse transform of the cross spectrum peaks, then the slope of
/// its phase, each bin weighted by its power: both went through the same car, so that the phase at zero is zero.
pub(crate) fn delays(
    (first, first_noise): (&[Complex64], &[f64]),
    (second, second_noise): (&[Complex64], &[f64]),
    bin_hz: f64,
    bands: &[(f64, f64)],
) -> Vec<Option<Delay>> {
    let n = 2 * (first.len() - 1);
    let bins = |band: &(f64, f64)| bins_of(band, bin_hz, first.len());
    let power = |band: &(f64, f64)| -> f64 {
        let inside = bins(band);
        let count = inside.clone().count().max(1) as f64;
        inside.map(|k| (first[k].norm_sqr() * second[k].norm_sqr()).sqrt()).sum::<f64>() / count
    };
    let powers: Vec<f64> = bands.iter().map(power).collect();
    let strongest = powers.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    bands
        .iter()
        .zip(powers)
        .map(|(band @ &(from_hz, to_hz), power)| {
            let inside = bins(band);
            let mut cross = vec![Complex64::default(); first.len()];
            for k in inside.clone() {
                cross[k] = first[k].conj() * second[k];
            }
            let (first_bin, used) = (*inside.start(), cross[inside.clone()].to_vec());
            let weights: Vec<f64> = used.iter().map(|x| x.norm_sqr().sqrt()).collect();
            if weights.iter().filter(|weight| **weight > 0.0).count() < 4 {
                return None;
            }
            let omegas: Vec<f64> = inside.clone().map(|k| 2.0 * PI * bin_hz * k as f64).collect();
            let over_noise = |bins: &[Complex64], noise: &[f64]| {
                let power: f64 = bins[inside.clone()].iter().map(Complex64::norm_sqr).sum();
                power / noise[inside.clone()].iter().sum::<f64>().max(f64::MIN_POSITIVE)
            };
            let (first_over, second_over) =
                (over_noise(first, first_noise), over_noise(second, second_noise));
            let correlation = irfft(cross, n);
            let highest = (0..n).max_by(|&a, &b| correlation[a].total_cmp(&correlation[b]))?;
            let lag = if highest > n / 2 { highest as f64 - n as f64 } else { highest as f64 };
            let about_s = lag / (n as f64 * bin_hz);
            let mut delay_s = finest(&used, (first_bin, bin_hz), about_s, 2.0 / (from_hz + to_hz));
            let sum: f64 = weights.iter().sum();
            let squares: f64 = omegas.iter().zip(&weights).map(|(omega, w)| w * omega * omega).sum();
            let phases = |delay_s: f64| -> Vec<f64> {
                turned(&used, first_bin, 2.0 * PI * bin_hz * delay_s).iter().map(|x| x.arg()).collect()
            };
            for _ in 0..4 {
                let weighted = phases(delay_s).into_iter().zip(&omegas).zip(&weights);
                let slope: f64 = weighted.map(|((p, omega), w)| w * omega * p).sum();
                delay_s -= slope / squares;
                if (slope / squares).abs() < SETTLED_S {
                    break;
                }
            }
            let left = phases(delay_s);
            let scatter = (left.iter().zip(&weights).map(|(p, w)| w * p * p).sum::<f64>() / sum).sqrt();
            // The transform is twice as long as what it is of: two bins say one thing.
            let spread: f64 = omegas.iter().zip(&weights).map(|(omega, w)| (w * omega).powi(2)).sum();
            // What noise turns the phases by, of which a band that is narrow shows but a part.
            let turned = (0.5 / first_over + 0.5 / second_over).sqrt();
            let noise = scatter.max(turned) * (2.0 * spread).sqrt() / squares;
            let floor = PHASE_FLOOR / (PI * (from_hz + to_hz));
            let (over_noise, of_strongest) = (first_over.min(second_over), power / strongest);
            Some(Delay { delay_s, sigma_s: noise.hypot(floor), scatter, over_noise, of_strongest })
        })
        .collect()
}

/// Where the cross spectrum of a band has its peak, near a moment that is known to about a sample. Between
/// two samples of the highest band lies a third of a period: on them alone the peak a period
/// beside the right one may look higher.
fn finest(used: &[Complex64], (first_bin, bin_hz): (usize, f64), about_s: f64, period_s: f64) -> f64 {
    const STEPS_PER_PERIOD: f64 = 8.0;
    const PERIODS: f64 = 2.5;
    let step_s = period_s / STEPS_PER_PERIOD;
    let first_s = about_s - PERIODS * period_s;
    let angle = |time_s: f64| 2.0 * PI * bin_hz * time_s;
    let steps = turned(&vec![Complex64::ONE; used.len()], first_bin, angle(step_s));
    let mut turned = turned(used, first_bin, angle(first_s));
    let mut best = (f64::NEG_INFINITY, about_s);
    for index in 0..=(2.0 * PERIODS * STEPS_PER_PERIOD) as usize {
        let height = sum_and_turn(&mut turned, &steps);
        if height > best.0 {
            best = (height, first_s + index as f64 * step_s);
        }
    }
    best.1
}

/// The real part of a sum, of which each part is then turned; in lanes, so that no addition waits for its neighbour's.
fn sum_and_turn(parts: &mut [Complex64], steps: &[Complex64]) -> f64 {
    const LANES: usize = 8;
    let mut sums = [0.0; LANES];
    for (parts, steps) in parts.chunks_mut(LANES).zip(steps.chunks(LANES)) {
        for ((sum, part), step) in sums.iter_mut().zip(parts).zip(steps) {
            *sum += part.re;
            *part *= step;
        }
    }
    sums.into_iter().sum()
}

/// How late each band of an impulse response comes: the mean of the group delay, weighted by
/// power; nothing where a band is empty.
pub(crate) fn centroids(spectrum: &[Complex64], bin_hz: f64, bands: &[(f64, f64)]) -> Vec<Option<f64>> {
    bands
        .iter()
        .map(|&(from_hz, to_hz)| {
            let bins = ((from_hz / bin_hz).ceil() as usize).max(1)
                ..((to_hz / bin_hz) as usize).min(spectrum.len() - 1);
            // The phase from bin to bin, added up as vectors so that the strong ones count.
            let sum: Complex64 = bins.map(|k| spectrum[k].conj() * spectrum[k + 1]).sum();
            (sum.norm() > 0.0).then(|| -sum.arg() / (2.0 * PI * bin_hz))
        })
        .collect()
}

/// What the impulse response of each copy holds about the moment at which the search found it.
pub(crate) fn as_found(copies: &Copies<'_>, window: &TimeWindow) -> Vec<WindowedImpulse> {
    copies.as_found().iter().map(|impulse| impulse.windowed(copies.found_s(), window)).collect()
}

/// The spectra of parts, and the width of a bin; nothing where there are none.
pub(crate) fn spectra(parts: &[WindowedImpulse]) -> Option<(Vec<Vec<Complex64>>, f64)> {
    let frames = 2 * parts.first()?.samples.len();
    let (spectra, bins_hz): (Vec<_>, Vec<f64>) = parts.iter().map(|part| part.spectrum(frames)).unzip();
    Some((spectra, bins_hz[0]))
}

/// The power that noise has in each bin of such a spectrum: `S |W|² Σw²` with the background's density S, the deconvolver W
/// and the window w. None where it is not known.
pub(crate) fn noise(
    background: Option<&Background>,
    copies: &Copies<'_>,
    window: &TimeWindow,
    bins: usize,
    bin_hz: f64,
) -> Vec<f64> {
    let Some(background) = background else { return vec![0.0; bins] };
    let (clock_hz, deconvolver) = (copies.rate_hz, copies.over_all());
    let energy = window.energy_s() * clock_hz;
    let frequency_hz: Vec<f64> = (0..bins).map(|k| k as f64 * bin_hz).collect();
    let density = background.at(&frequency_hz);
    density.iter().zip(&frequency_hz).map(|(s, f)| energy * s * deconvolver.power_gain(*f)).collect()
}

/// Half octaves of the band that is played at full level.
pub(crate) fn bands(excitation: &Excitation, rate: f64) -> Vec<(f64, f64)> {
    let (from_hz, to_hz) = excitation.inner_band_hz(rate);
    let from_hz = from_hz.max(1.5 / AFTER_S);
    let count = ((to_hz / from_hz).log2() * BANDS_PER_OCTAVE).floor().max(1.0);
    let edge = |i: f64| from_hz * (to_hz / from_hz).powf(i / count);
    (0..count as usize).map(|i| (edge(i as f64), edge(i as f64 + 1.0))).collect()
}

/// The bins of a band, of so many.
pub(crate) fn bins_of(&(from_hz, to_hz): &(f64, f64), bin_hz: f64, bins: usize) -> RangeInclusive<usize> {
    ((from_hz / bin_hz).ceil() as usize)..=((to_hz / bin_hz) as usize).min(bins - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the delay itself is put in, for every band and every fraction of a sample. Found with a sweep of which
    /// half a sample was taken for four, a period beside it, in the highest band.
    #[test]
    fn a_delay_of_any_fraction_of_a_sample_is_found_in_every_band_and_not_a_period_beside_it() {
        let (rate, frames) = (48_000.0, 16_384);
        let bin_hz = rate / f64::from(frames);
        let bands: Vec<(f64, f64)> = (0..17)
            .map(|i| 40.0 * 2f64.powf(f64::from(i) / 2.0))
            .map(|from_hz| (from_hz, from_hz * 2f64.sqrt()))
            .collect();
        let level = vec![Complex64::new(1.0, 0.0); frames as usize / 2 + 1];
        for tenth in -60..60 {
            let frames = f64::from(tenth) / 10.0;
            let later = |k: usize| Complex64::cis(-2.0 * PI * k as f64 * bin_hz * frames / rate);
            let delayed: Vec<Complex64> = (0..level.len()).map(later).collect();
            let none = vec![0.0; level.len()];
            for (band, found) in bands.iter().zip(delays((&level, &none), (&delayed, &none), bin_hz, &bands))
            {
                let Delay { delay_s: found_s, .. } = found.expect("both are the same but for the delay");
                assert!((found_s * rate - frames).abs() < 1e-6, "{frames} in {band:?}: {}", found_s * rate);
            }
        }
    }
}
