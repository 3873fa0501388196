//! The time between two copies of one signal, to a small part of a sample.

use std::f64::consts::PI;

use dsp::correlate::refine_peak;
use dsp::deconvolve::WindowedImpulse;
use dsp::fft::{Complex64, InverseFft};
use dsp::turn::turn;

/// No clock is farther off than this, in parts in a million.
pub(crate) const MOST_PPM: f64 = 500.0;

/// Whether so many samples per second of the player may be the clock of a recorder of this rate.
pub(crate) fn is_a_clock(clock_hz: f64, sample_rate_hz: f64) -> bool {
    (clock_hz / sample_rate_hz - 1.0).abs() < 1e-6 * MOST_PPM
}

/// About how many samples later a sound lies in the second of two stretches than in the first, from their spectra: where
/// their correlation, weighted over a band, has its peak.
///
/// Only the middle of the correlation is wanted, [`MIDDLE`] samples of it: so bins are summed in groups, which
/// lays a window over it that is as wide, and the transform is that of the groups. Nothing is divided by what was played, whose clock is
/// not known yet.
///
/// References: as [`delay_between`]. Accuracy: `about_is_near`.
pub(crate) fn about_between(
    (first, second): (&[Complex64], &[Complex64]),
    rate: f64,
    band_hz: (f64, f64),
    weight: impl Fn(&[f64]) -> Vec<f64>,
) -> f64 {
    let n = 2 * (first.len() - 1);
    let group = (n / MIDDLE).max(1);
    let bin_hz = rate / n as f64;
    let middle_hz = |number: usize| (number as f64 + 0.5) * group as f64 * bin_hz;
    let bins = first.chunks(group).zip(second.chunks(group)).take(MIDDLE);
    let weights = weight(&(0..bins.len()).map(middle_hz).collect::<Vec<f64>>());
    let mut correlation = vec![Complex64::default(); MIDDLE];
    for (number, ((a, b), weight)) in bins.zip(weights).enumerate() {
        if (band_hz.0..=band_hz.1).contains(&middle_hz(number)) {
            let sum: Complex64 = a.iter().zip(b).map(|(a, b)| a.conj() * b).sum();
            correlation[number] = sum * weight;
        }
    }
    InverseFft::new(MIDDLE).process(&mut correlation);
    correlation.rotate_right(MIDDLE / 2);
    let highest =
        (0..MIDDLE).max_by(|&i, &j| correlation[i].norm_sqr().total_cmp(&correlation[j].norm_sqr()));
    let place = refine_peak(&correlation, highest.unwrap_or(MIDDLE / 2)).position - (MIDDLE / 2) as f64;
    place * n as f64 / (group * MIDDLE) as f64
}

/// How much of a correlation is looked at when the clock is not known yet: at 48 kHz 43 ms to either side, more than
/// any clock makes.
const MIDDLE: usize = 4096;

/// How much later the second impulse response lies than the first, in seconds.
///
/// With `S = A*·B`, weighted by what the signal-to-noise ratio makes of each
/// frequency, the delay is first where `IFFT(wS)` peaks, then refined by the
/// weighted least-squares slope of the phase, `−Σ vω·arg(S e^(jωτ)) / Σ vω²`, with
/// `v = γ²/(1 − γ²)` from the coherence of the two copies: the maximum-likelihood
/// weights, under which a band that holds only noise does no harm.
///
/// References: Knapp & Carter, "The generalized correlation method for estimation
/// of time delay", IEEE Trans. ASSP 24(4), 1976. Accuracy: `the_clock_is_found…` in
/// the tests of the measurement.
pub(crate) fn delay_between(
    first: &WindowedImpulse,
    second: &WindowedImpulse,
    band_hz: (f64, f64),
    weight: impl Fn(&[f64]) -> Vec<f64>,
) -> f64 {
    let frames = 2 * first.samples.len().max(second.samples.len());
    let (a, bin_hz) = first.spectrum(frames);
    let (b, _) = second.spectrum(frames);
    let inside: Vec<usize> =
        (0..a.len()).filter(|k| (band_hz.0..=band_hz.1).contains(&(*k as f64 * bin_hz))).collect();
    let weights = weight(&inside.iter().map(|k| *k as f64 * bin_hz).collect::<Vec<_>>());
    let mut cross = vec![Complex64::default(); a.len()];
    for (&k, weight) in inside.iter().zip(weights) {
        cross[k] = a[k].conj() * b[k] * weight;
    }
    let n = 2 * (cross.len() - 1);
    // Of positive frequencies alone the inverse is the analytic signal.
    let mut correlation = cross.clone();
    correlation.resize(n, Complex64::default());
    InverseFft::new(n).process(&mut correlation);
    let real = |i: usize| correlation[i].re;
    let highest = (0..n).max_by(|&i, &j| real(i).total_cmp(&real(j))).unwrap_or(0);
    // The peak may straddle the end of the circle: turn it to the middle.
    correlation.rotate_left((highest + n - n / 2) % n);
    let position = refine_peak(&correlation, n / 2).position - (n / 2) as f64 + highest as f64;
    let lag = if position > n as f64 / 2.0 { position - n as f64 } else { position };
    let mut delay_s = lag / (n as f64 * bin_hz);
    let trust = trust(&a, &b, &cross, delay_s, bin_hz);
    for _ in 0..4 {
        let mut turned = cross.clone();
        turn(&mut turned, 2.0 * PI * bin_hz * delay_s);
        let (mut slope, mut norm) = (0.0, 0.0);
        for (k, (s, trust)) in turned.iter().zip(&trust).enumerate().filter(|(_, (_, trust))| **trust > 0.0) {
            let omega = 2.0 * PI * k as f64 * bin_hz;
            slope += trust * omega * s.arg();
            norm += trust * omega * omega;
        }
        if norm <= 0.0 {
            break;
        }
        delay_s -= slope / norm;
    }
    delay_s
}

/// `γ²/(1 − γ²)` of each bin, the coherence being taken over 33 neighbours; zero where
/// it is no more than chance makes it.
fn trust(a: &[Complex64], b: &[Complex64], cross: &[Complex64], delay_s: f64, bin_hz: f64) -> Vec<f64> {
    const REACH: usize = 16;
    let mut turned: Vec<Complex64> = a.iter().zip(b).map(|(a, b)| a.conj() * b).collect();
    turn(&mut turned, 2.0 * PI * bin_hz * delay_s);
    let mut sums = vec![(Complex64::default(), 0.0, 0.0)];
    for (k, (a, b)) in a.iter().zip(b).enumerate() {
        let (cross, power_a, power_b) = sums[k];
        sums.push((cross + turned[k], power_a + a.norm_sqr(), power_b + b.norm_sqr()));
    }
    (0..cross.len())
        .map(|k| {
            if cross[k] == Complex64::default() {
                return 0.0;
            }
            let (low, high) = (k.saturating_sub(REACH), (k + REACH + 1).min(a.len()));
            let (first, last) = (sums[low], sums[high]);
            let power = (last.1 - first.1) * (last.2 - first.2);
            let coherence = ((last.0 - first.0).norm_sqr() / power.max(1e-300)).min(1.0 - 1e-6);
            // Thirty-three bins of a transform padded to twice its length hold some
            // twelve independent ones, of which chance makes a coherence of 1/12.
            if coherence < 0.4 { 0.0 } else { coherence / (1.0 - coherence) }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use dsp::fft::rfft;
    use dsp::window::{kaiser, sinc};
    use testkit::near;

    use super::*;

    /// Source: analytic; the same noise through the same echoes in two stretches, the second so much later, each with noise
    /// of its own 20 dB below.
    #[test]
    fn about_is_near() {
        let (n, rate) = (1 << 16, 48_000.0);
        let mut white = dsp::noise::WhiteNoise::new(5);
        let mut heard: Vec<f64> = (0..n).map(|_| white.sample()).collect();
        for i in (777..n).rev() {
            heard[i] += 0.6 * heard[i - 777];
        }
        let sound = rfft(&heard, n);
        for later in [0.0, -3.4, 17.25, 150.5, -600.0] {
            let mut noisy = |later: f64| -> Vec<Complex64> {
                let mut bins = sound.clone();
                turn(&mut bins, -2.0 * PI * later / n as f64);
                let noise: Vec<f64> = (0..n).map(|_| 0.1 * white.sample()).collect();
                bins.iter().zip(rfft(&noise, n)).map(|(x, noise)| x + noise).collect()
            };
            let (first, second) = (noisy(0.0), noisy(later));
            let band_hz = (60.0, 15_000.0);
            let found = about_between((&first, &second), rate, band_hz, |f| vec![1.0; f.len()]);
            near(&format!("{later} samples"), found, later, 0.05);
        }
    }

    /// Source: analytic; a band-limited pulse placed between samples.
    #[test]
    fn a_known_delay_is_found_to_a_thousandth_of_a_sample() {
        let pulse = |shift: f64| WindowedImpulse {
            samples: (0..2000)
                .map(|i| {
                    let t = f64::from(i) - 900.0 - shift;
                    0.7 * sinc(0.7 * t) * kaiser(t / 800.0, 6.0)
                })
                .collect(),
            start_s: -900.0 / 48_000.0,
            sample_rate_hz: 48_000.0,
        };
        for shift in [0.0, 0.3, -2.6, 17.49] {
            let delay = delay_between(&pulse(0.0), &pulse(shift), (50.0, 15_000.0), |f| vec![1.0; f.len()]);
            near(&format!("shift {shift}"), delay * 48_000.0, shift, 1e-3);
        }
    }
}
