//! The exponential sine sweep.

use std::f64::consts::PI;

use crate::fast::sine_of_turns;
use crate::wide::{Kernel, widest};
use crate::window::fade_gain;

/// An exponential sweep: `x(t) = sin(2π f1 L (e^(t/L) − 1))`, `L = T / ln(f2/f1)`.
///
/// Its frequency at time `t` is `f1·e^(t/L)`: every octave takes the same time,
/// and the energy falls by 3.01 dB an octave. The response to harmonic `n` of
/// whatever the sweep passed through comes `L·ln n` before the linear response.
///
/// The *synchronised* kind rounds `f1·L` to a whole number, which keeps the
/// harmonics in phase with each other; its duration changes a little with it.
///
/// References: A. Farina, "Simultaneous measurement of impulse response and
/// distortion with a swept-sine technique", AES 108th Convention, preprint 5093,
/// 2000; A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine", JAES 63(10),
/// 2015, for the synchronised kind.
///
/// Valid for `0 < f1 < f2`; a sweep past half the sample rate would alias, and
/// [`Sweep::samples`] is silent there. Accuracy: `worked_figures_of_farina`,
/// `harmonic_leads_to_within_one_sample`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sweep {
    from_hz: f64,
    to_hz: f64,
    time_constant_s: f64,
    sample_rate_hz: f64,
}

impl Sweep {
    /// A sweep of unit amplitude.
    ///
    /// # Panics
    /// When the frequencies do not rise, or anything is not positive and finite.
    #[must_use]
    pub fn new(from_hz: f64, to_hz: f64, duration_s: f64, sample_rate_hz: f64, synchronised: bool) -> Self {
        let ordered = 0.0 < from_hz && from_hz < to_hz && to_hz.is_finite();
        let lasting = 0.0 < duration_s && duration_s.is_finite();
        assert!(ordered && lasting && sample_rate_hz > 0.0, "a sweep rises over a positive time");
        let mut time_constant_s = duration_s / (to_hz / from_hz).ln();
        if synchronised {
            time_constant_s = (from_hz * time_constant_s).round().max(1.0) / from_hz;
        }
        Self { from_hz, to_hz, time_constant_s, sample_rate_hz }
    }

    /// The longest synchronised sweep that fits into `duration_s`; the shortest
    /// there is (`f1·L = 1`) when none fits.
    ///
    /// # Panics
    /// As [`Sweep::new`].
    #[must_use]
    pub fn synchronised_within(from_hz: f64, to_hz: f64, duration_s: f64, sample_rate_hz: f64) -> Self {
        let mut sweep = Self::new(from_hz, to_hz, duration_s, sample_rate_hz, false);
        // The small allowance keeps a duration that was computed from a whole
        // number from losing that number to rounding.
        let cycles = (from_hz * sweep.time_constant_s + 1e-6).floor().max(1.0);
        sweep.time_constant_s = cycles / from_hz;
        sweep
    }

    /// The same sweep going on to another end at the same pace.
    ///
    /// # Panics
    /// When that end lies below its beginning.
    #[must_use]
    pub fn extended(mut self, to_hz: f64) -> Self {
        assert!(to_hz > self.from_hz, "a sweep rises");
        self.to_hz = to_hz;
        self
    }

    /// Where it begins.
    #[must_use]
    pub fn from_hz(&self) -> f64 {
        self.from_hz
    }

    /// Where it ends.
    #[must_use]
    pub fn to_hz(&self) -> f64 {
        self.to_hz
    }

    /// The rate at which it is sampled.
    #[must_use]
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// How long it lasts: `L·ln(f2/f1)`.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        self.time_constant_s * (self.to_hz / self.from_hz).ln()
    }

    /// `L`, the time in which the frequency grows e-fold.
    #[must_use]
    pub fn time_constant_s(&self) -> f64 {
        self.time_constant_s
    }

    /// How many samples it has; the last one lies at or before its end.
    #[must_use]
    pub fn len(&self) -> usize {
        (self.duration_s() * self.sample_rate_hz - 1e-9).floor() as usize + 1
    }

    /// Never: a sweep lasts.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        false
    }

    /// How much earlier than the linear response that of harmonic `n` comes: `L·ln n`.
    #[must_use]
    pub fn harmonic_lead_s(&self, n: u32) -> f64 {
        self.time_constant_s * f64::from(n).ln()
    }

    /// The frequency at a time after the start.
    #[must_use]
    pub fn instantaneous_hz(&self, t_s: f64) -> f64 {
        self.from_hz * (t_s / self.time_constant_s).exp()
    }

    /// The time after the start at which a frequency is passed.
    #[must_use]
    pub fn time_of_s(&self, frequency_hz: f64) -> f64 {
        self.time_constant_s * (frequency_hz / self.from_hz).ln()
    }

    /// The phase in radians at a time after the start.
    #[must_use]
    pub fn phase(&self, t_s: f64) -> f64 {
        // Whole turns are taken off before the sine sees them: at 20 kHz and 10 s
        // the phase has grown to 2e5 radians, and its rounding would show.
        let turns = self.from_hz * self.time_constant_s * (t_s / self.time_constant_s).exp_m1();
        2.0 * PI * (turns - turns.floor())
    }

    /// The value at a time after the start; zero outside the sweep and above half
    /// the sample rate.
    #[must_use]
    pub fn value(&self, t_s: f64) -> f64 {
        let inside = t_s >= 0.0 && t_s <= self.duration_s();
        if inside && self.instantaneous_hz(t_s) <= self.sample_rate_hz / 2.0 {
            self.phase(t_s).sin()
        } else {
            0.0
        }
    }

    /// Adds the sweep to samples at its rate, the first of which lies `first_s` after its
    /// start, with its peak and faded by raised cosines over `fade_s` at both ends of
    /// `length_s`.
    ///
    /// Between the fades the phase is that at every 64th sample and, after it,
    /// `f1·L·e^(t/L)·(e^(i/(fs·L)) − 1)` turns, of which the last factor is the same everywhere;
    /// the sine is a polynomial. Accuracy: that of [`Sweep::value`] to 1e-10
    /// (`samples_in_runs_are_those_one_by_one`). Cost: 5 ns a sample, 10 s at 48 kHz in 2 ms.
    pub fn add_to(&self, samples: &mut [f64], first_s: f64, peak: f64, (length_s, fade_s): (f64, f64)) {
        const RUN: usize = 64;
        let growth: Vec<f64> =
            (0..RUN).map(|i| (i as f64 / self.sample_rate_hz / self.time_constant_s).exp_m1()).collect();
        let cycles = self.from_hz * self.time_constant_s;
        let time_s = |i: usize| first_s + i as f64 / self.sample_rate_hz;
        let audible_s = self.time_of_s(self.sample_rate_hz / 2.0).min(self.duration_s());
        let full_s = fade_s.max(0.0)..(length_s - fade_s).min(audible_s);
        for (number, run) in samples.chunks_mut(RUN).enumerate() {
            let (begin, last) = (number * RUN, number * RUN + run.len() - 1);
            if full_s.contains(&time_s(begin)) && full_s.contains(&time_s(last)) {
                let turns = cycles * (time_s(begin) / self.time_constant_s).exp_m1();
                let (start, pace) = (turns - turns.floor(), cycles + turns);
                widest(Run { samples: run, growth: &growth, peak, start, pace });
            } else {
                for (i, sample) in run.iter_mut().enumerate() {
                    let t = time_s(begin + i);
                    *sample += peak * self.value(t) * fade_gain(t, length_s, fade_s);
                }
            }
        }
    }

    /// All samples, of unit amplitude and without fades.
    #[must_use]
    pub fn samples(&self) -> Vec<f64> {
        let mut samples = vec![0.0; self.len()];
        self.add_to(&mut samples, 0.0, 1.0, (f64::INFINITY, 0.0));
        samples
    }
}

/// A part of a sweep at full level: `peak·sin 2π(start + pace·growth)`.
struct Run<'a> {
    samples: &'a mut [f64],
    growth: &'a [f64],
    peak: f64,
    start: f64,
    pace: f64,
}

impl Kernel for Run<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        for (sample, growth) in self.samples.iter_mut().zip(self.growth) {
            *sample += self.peak * sine_of_turns(self.start + self.pace * growth);
        }
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: Farina 2000 with f1 = 20 Hz, f2 = 20 kHz, T = 10 s, figures as
    /// worked in the project's check values (`04_ess`).
    #[test]
    fn worked_figures_of_farina() {
        let sweep = Sweep::new(20.0, 20_000.0, 10.0, 48_000.0, false);
        near("L", sweep.time_constant_s(), 1.447_648_273_010_839_5, 1e-12);
        near("lead of harmonic 2", sweep.harmonic_lead_s(2), 1.003_433_318_879_937_4, 1e-12);
        near("lead of harmonic 5", sweep.harmonic_lead_s(5), 2.329_900_014_453_396, 1e-12);
        near("time of 1 kHz", sweep.time_of_s(1000.0), 5.663_233_347_786_73, 1e-12);
        near("frequency there", sweep.instantaneous_hz(5.663_233_347_786_73), 1000.0, 1e-9);
    }

    /// Source: Novak 2015, `L = round(f1·L)/f1`; the figures are those of `04_ess`.
    #[test]
    fn worked_figures_of_novak() {
        for (t, l, duration) in [(10.0, 1.45, 10.016_245_154_524_098), (5.0, 0.7, 4.835_428_695_287_495)] {
            let sweep = Sweep::new(20.0, 20_000.0, t, 48_000.0, true);
            near("L", sweep.time_constant_s(), l, 1e-12);
            near("duration", sweep.duration_s(), duration, 1e-9);
        }
        let within = Sweep::synchronised_within(20.0, 20_000.0, 10.0, 48_000.0);
        near("L that fits", within.time_constant_s(), 1.4, 1e-12);
        let again = Sweep::synchronised_within(20.0, 20_000.0, within.duration_s(), 48_000.0);
        near("L of a duration that fits exactly", again.time_constant_s(), 1.4, 1e-12);
    }

    /// Source: analytic; harmonic n of the sweep is the sweep itself read
    /// `L·ln n` later: n·phase(t) = phase(t + L ln n) − phase(L ln n).
    #[test]
    fn harmonic_leads_to_within_one_sample() {
        let sweep = Sweep::new(20.0, 20_000.0, 10.0, 48_000.0, true);
        for n in 2..=5u32 {
            for t in [0.1, 1.0, 4.2] {
                let led = sweep.value(t + sweep.harmonic_lead_s(n));
                let harmonic = (f64::from(n) * sweep.phase(t)).sin();
                near(&format!("harmonic {n} at {t} s"), led, harmonic, 1e-8);
            }
        }
    }

    #[test]
    fn beyond_nyquist_it_is_silent() {
        let sweep = Sweep::new(20.0, 20_000.0, 1.0, 8_000.0, false);
        let samples = sweep.samples();
        let passed = (sweep.time_of_s(4_000.0) * 8_000.0) as usize;
        assert!(samples[passed + 1..].iter().all(|&s| s == 0.0));
        assert!(samples[..passed].iter().any(|&s| s.abs() > 0.9));
    }

    /// Source: the definition, one sample at a time; the sine of the standard library.
    #[test]
    fn samples_in_runs_are_those_one_by_one() {
        for (from, to, seconds, rate, first_s, fade_s) in [
            (10.0, 21_000.0, 3.0, 48_000.0, 0.0, 0.05),
            (20.0, 40_000.0, 2.0, 47_990.3, -0.3, 0.0),
            (2_000.0, 20_000.0, 0.2, 44_100.0, 0.013, 0.3),
        ] {
            let sweep = Sweep::new(from, to, seconds, rate, false);
            let mut samples = vec![0.25; (seconds * rate) as usize + 500];
            sweep.add_to(&mut samples, first_s, 0.7, (seconds, fade_s));
            for (i, got) in samples.iter().enumerate() {
                let t = first_s + i as f64 / rate;
                let wanted = 0.25 + 0.7 * sweep.value(t) * fade_gain(t, seconds, fade_s);
                near(&format!("sample {i} of {from} to {to} Hz"), *got, wanted, 1e-10);
            }
        }
    }
}
