//! Values between samples, or between the bins of a spectrum.

use std::f64::consts::PI;

use crate::window::kaiser_squared;

/// The weights of a Kaiser-windowed sinc, `sinc(u)·I0(β√(1 − (u/R)²))/I0(β)`, that reaches `R`
/// samples to each side.
///
/// The window is taken from a table of 256 steps a sample by cubic interpolation, which is
/// exact to 1e-10 of its top for the windows that are used here
/// (`weights_are_those_of_the_formula`).
///
/// Cost: one division and ten multiplications a weight; the Bessel series takes a hundred.
pub struct SincKernel {
    reach: usize,
    /// For each step of the fraction, from one before 0 to two after 1, the window at all of
    /// the `2·reach` distances.
    rows: Vec<f64>,
}

/// How many steps the table has between two samples.
const STEPS: usize = 256;

impl SincKernel {
    /// For a reach and a window.
    #[must_use]
    pub fn new(reach: usize, beta: f64) -> Self {
        let row = |step: usize| {
            let fraction = (step as f64 - 1.0) / STEPS as f64;
            (0..2 * reach).map(move |i| {
                let x = (fraction + reach as f64 - 1.0 - i as f64) / reach as f64;
                kaiser_squared(x * x, beta)
            })
        };
        Self { reach, rows: (0..STEPS + 4).flat_map(row).collect() }
    }

    /// The weights of the `2·reach` samples around a place, of which sample `reach − 1` is the
    /// last one at or before it; `fraction` is how far after that one it lies, from 0 to 1.
    ///
    /// # Panics
    /// When there is not a weight for each sample.
    pub fn weigh(&self, fraction: f64, weights: &mut [f64]) {
        let count = 2 * self.reach;
        assert_eq!(weights.len(), count, "a weight for each sample");
        let place = fraction * STEPS as f64;
        let step = (place as usize).min(STEPS);
        let t = place - step as f64;
        // Lagrange's cubic through four steps.
        let across = [
            -t * (t - 1.0) * (t - 2.0) / 6.0,
            (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
            -(t + 1.0) * t * (t - 2.0) / 2.0,
            (t + 1.0) * t * (t - 1.0) / 6.0,
        ];
        let [a, b, c, d] = std::array::from_fn(|row| &self.rows[(step + row) * count..][..count]);
        let height = (PI * fraction).sin() / PI;
        for (i, weight) in weights.iter_mut().enumerate() {
            let window = across[0] * a[i] + across[1] * b[i] + across[2] * c[i] + across[3] * d[i];
            let whole = self.reach as i64 - 1 - i as i64;
            let u = fraction + whole as f64;
            let sign = if whole & 1 == 0 { 1.0 } else { -1.0 };
            let sinc = if u.abs() < 1e-9 { 1.0 } else { sign * height / u };
            *weight = window * sinc;
        }
    }
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::window::{kaiser, sinc};

    /// Source: the formula itself, its Bessel functions by their series.
    #[test]
    fn weights_are_those_of_the_formula() {
        for (reach, beta) in [(10usize, 11.5), (24, 9.0)] {
            let kernel = SincKernel::new(reach, beta);
            let mut weights = vec![0.0; 2 * reach];
            for fraction in (0..=1_000).map(|i| f64::from(i) / 1_000.0) {
                kernel.weigh(fraction, &mut weights);
                for (i, got) in weights.iter().enumerate() {
                    let u = fraction + reach as f64 - 1.0 - i as f64;
                    let wanted = sinc(u) * kaiser(u / reach as f64, beta);
                    near(&format!("{fraction}, weight {i}"), *got, wanted, 1e-10);
                }
            }
        }
    }
}
