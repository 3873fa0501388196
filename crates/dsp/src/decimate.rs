//! A stream at a whole fraction of its rate.

use crate::lanes::dot_single;
use crate::wide::{Kernel, widest};
use crate::window::{kaiser, sinc};

/// Lowers the rate of a stream by a whole factor.
///
/// `y[k] = Σ x[kM + i]·h[i]`, `i = −R … R`: a Kaiser-windowed sinc without delay, sample
/// `k` of the result lying at sample `kM` of the stream. The pass band reaches 0.8 of
/// half the lower rate; what folds into it is 80 dB down.
///
/// References: Kaiser's design formulas (Oppenheim & Schafer, *Discrete-Time Signal
/// Processing*, section 7.5): β = 0.1102 (A − 8.7), and (A − 8)/(2.285 Δω) taps.
/// Accuracy: `the_pass_band_is_kept_and_what_would_fold_is_not`.
///
/// # Real-time
/// [`Decimator::feed`] grows the vector it is given and its own buffer; some 25
/// multiplications a sample of the stream.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    taps: Vec<f32>,
    /// What has been fed and is still needed.
    pending: Vec<f32>,
    /// Where in it the next result's first tap lies.
    next: usize,
}

/// How far down the stop band is.
const STOP_DB: f64 = 80.0;
/// The transition band as a part of half the lower rate: from 0.8 to 1.2 of it, so
/// that what folds stays above 0.8.
const TRANSITION: f64 = 0.4;

impl Decimator {
    /// For a stream that is to be `factor` times slower.
    ///
    /// # Panics
    /// When the factor is zero.
    #[must_use]
    pub fn new(factor: usize) -> Self {
        assert!(factor > 0, "a factor is at least one");
        let width = TRANSITION * std::f64::consts::PI / factor as f64;
        let reach = if factor == 1 { 0 } else { ((STOP_DB - 8.0) / (2.285 * width) / 2.0).ceil() as usize };
        let beta = 0.1102 * (STOP_DB - 8.7);
        let taps: Vec<f64> = (0..=2 * reach)
            .map(|i| {
                let u = i as f64 - reach as f64;
                sinc(u / factor as f64) * kaiser(u / (reach + 1) as f64, beta)
            })
            .collect();
        let sum: f64 = taps.iter().sum();
        let taps = taps.into_iter().map(|h| (h / sum) as f32).collect();
        // The stream is silent before it begins.
        Self { factor, taps, pending: vec![0.0; reach], next: 0 }
    }

    /// How many samples of the stream come to one of the result.
    #[must_use]
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// Takes samples of the stream and appends what they complete.
    pub fn feed(&mut self, samples: &[f32], onto: &mut Vec<f32>) {
        self.pending.extend_from_slice(samples);
        let Self { factor, taps, pending, next } = self;
        widest(Pass { factor: *factor, taps, pending, next, onto });
        let done = self.next.min(self.pending.len());
        self.pending.drain(..done);
        self.next -= done;
    }

    /// Appends what is still to come when the stream ends and silence follows.
    pub fn finish(&mut self, onto: &mut Vec<f32>) {
        self.feed(&vec![0.0; self.taps.len() / 2], onto);
    }
}

/// All results that the pending samples complete.
struct Pass<'a> {
    factor: usize,
    taps: &'a [f32],
    pending: &'a [f32],
    next: &'a mut usize,
    onto: &'a mut Vec<f32>,
}

impl Kernel for Pass<'_> {
    type Output = ();

    #[inline(always)]
    fn run(self) {
        while let Some(part) = self.pending.get(*self.next..*self.next + self.taps.len()) {
            self.onto.push(dot_single(part, self.taps));
            *self.next += self.factor;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use testkit::{at_most, near};

    use super::*;

    fn decimated(frequency_hz: f64, factor: usize, block: usize) -> Vec<f32> {
        let samples: Vec<f32> =
            (0..9_600).map(|i| (2.0 * PI * frequency_hz * f64::from(i) / 48_000.0).sin() as f32).collect();
        let mut decimator = Decimator::new(factor);
        let mut lower = Vec::new();
        samples.chunks(block).for_each(|part| decimator.feed(part, &mut lower));
        decimator.finish(&mut lower);
        lower
    }

    /// Source: analytic; a sine read at every fourth sample is the sine at those
    /// moments, and one above half the lower rate is nothing. 1e-4 is −80 dB.
    #[test]
    fn the_pass_band_is_kept_and_what_would_fold_is_not() {
        for frequency_hz in [50.0, 1_000.0, 4_750.0] {
            let lower = decimated(frequency_hz, 4, 700);
            assert_eq!(lower.len(), 2_400);
            for (k, got) in lower.iter().enumerate().take(2_350).skip(50) {
                let wanted = (2.0 * PI * frequency_hz * 4.0 * k as f64 / 48_000.0).sin();
                near(&format!("{frequency_hz} Hz, sample {k}"), f64::from(*got), wanted, 2e-4);
            }
        }
        for frequency_hz in [7_300.0, 12_000.0, 19_500.0] {
            let lower = decimated(frequency_hz, 4, 4_096);
            let highest = lower[50..2_350].iter().fold(0.0f32, |a, x| a.max(x.abs()));
            at_most(&format!("{frequency_hz} Hz"), f64::from(highest), 2e-4);
        }
    }

    #[test]
    fn blocks_make_no_difference() {
        assert_eq!(decimated(1_000.0, 5, 1), decimated(1_000.0, 5, 9_600));
        assert_eq!(decimated(1_000.0, 1, 77).len(), 9_600);
    }
}
