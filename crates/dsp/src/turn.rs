//! Spectra turned as a delay turns them.

use num_complex::Complex64;

/// How many bins are turned by one table: the first of each run is computed afresh, so that
/// rounding errors stay below 1e-15.
const RUN: usize = 512;

/// `e^(j·angle·k)` for a run of bins, no longer than is needed.
fn run_of(angle: f64, bins: usize) -> Vec<Complex64> {
    (0..RUN.min(bins)).map(|k| Complex64::cis(angle * k as f64)).collect()
}

/// Multiplies bin `k` by `e^(j·angle·k)`: an advance of `angle·n/2π` samples, `n` being the
/// length of the transform. Two multiplications a bin.
pub fn turn(spectrum: &mut [Complex64], angle: f64) {
    turn_from(spectrum, 0, angle);
}

/// The same of bins, the first of which is number `first`.
pub fn turn_from(bins: &mut [Complex64], first: usize, angle: f64) {
    if angle == 0.0 {
        return;
    }
    let turns = run_of(angle, bins.len());
    for (number, part) in bins.chunks_mut(RUN).enumerate() {
        let begin = Complex64::cis(angle * (first + number * RUN) as f64);
        part.iter_mut().zip(&turns).for_each(|(x, turned)| *x *= begin * turned);
    }
}

/// Adds bins, the first of which is number `first`, each multiplied by `e^(j·angle·k)`.
pub fn add_turned(sums: &mut [Complex64], bins: &[Complex64], first: usize, angle: f64) {
    if angle == 0.0 {
        sums.iter_mut().zip(bins).for_each(|(sum, x)| *sum += x);
        return;
    }
    let turns = run_of(angle, bins.len());
    for (number, (sums, part)) in sums.chunks_mut(RUN).zip(bins.chunks(RUN)).enumerate() {
        let begin = Complex64::cis(angle * (first + number * RUN) as f64);
        for ((sum, x), turned) in sums.iter_mut().zip(part).zip(&turns) {
            *sum += x * (begin * turned);
        }
    }
}

/// Bins, the first of which is number `first`, each multiplied by `e^(j·angle·k)`.
#[must_use]
pub fn turned(bins: &[Complex64], first: usize, angle: f64) -> Vec<Complex64> {
    let mut turned = bins.to_vec();
    turn_from(&mut turned, first, angle);
    turned
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: the definition, one phasor for each bin.
    #[test]
    fn bins_turn_as_one_by_one() {
        let bins: Vec<Complex64> =
            (0..2_000).map(|k| Complex64::new(f64::from(k % 7), f64::from(k % 5))).collect();
        for angle in [0.0, 1.7, -0.003, 2_000.0] {
            let mut turned = bins.clone();
            turn(&mut turned, angle);
            let mut sums = vec![Complex64::ONE; 1_700];
            add_turned(&mut sums, &bins[300..], 300, angle);
            for k in 0..2_000 {
                let wanted = bins[k] * Complex64::cis(angle * k as f64);
                near("turned", (turned[k] - wanted).norm(), 0.0, 1e-11 * (1.0 + angle.abs()));
                if k >= 300 {
                    near("added", (sums[k - 300] - wanted - 1.0).norm(), 0.0, 1e-11 * (1.0 + angle.abs()));
                }
            }
        }
    }
}
