//! Sums in lanes: no addition waits for its neighbour's, and a compiler turns them into vector
//! instructions.

use std::iter::Sum;
use std::ops::{Add, AddAssign};

/// How many sums run side by side.
const LANES: usize = 8;

/// `Σ a[i]·b[i]` over the shorter of both, in double precision.
#[must_use]
#[inline]
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    products(a, b, |a, b| a * b)
}

/// The same in single precision.
#[must_use]
#[inline(always)]
pub fn dot_single(a: &[f32], b: &[f32]) -> f32 {
    products(a, b, |a, b| a * b)
}

/// `Σ a[i]·b[i]` of samples and taps, summed in double precision.
#[must_use]
pub fn dot_into<T: Copy + Into<f64>>(a: &[T], b: &[f32]) -> f64 {
    products(a, b, |a, b| a.into() * f64::from(b))
}

/// The sum of products in the precision that `product` has.
#[inline(always)]
fn products<A, B, S>(a: &[A], b: &[B], product: impl Fn(A, B) -> S) -> S
where
    A: Copy,
    B: Copy,
    S: Copy + Default + Add<Output = S> + AddAssign + Sum,
{
    let mut lanes = [S::default(); LANES];
    let length = a.len().min(b.len());
    let (a_parts, a_rest) = a[..length].as_chunks::<LANES>();
    let (b_parts, b_rest) = b[..length].as_chunks::<LANES>();
    for (a, b) in a_parts.iter().zip(b_parts) {
        for lane in 0..LANES {
            lanes[lane] += product(a[lane], b[lane]);
        }
    }
    let rest: S = a_rest.iter().zip(b_rest).map(|(a, b)| product(*a, *b)).sum();
    lanes.into_iter().sum::<S>() + rest
}

/// `Σ a[i]`.
#[must_use]
pub fn sum(a: &[f64]) -> f64 {
    let mut lanes = [0.0; LANES];
    let (parts, rest) = a.as_chunks::<LANES>();
    for part in parts {
        for lane in 0..LANES {
            lanes[lane] += part[lane];
        }
    }
    lanes.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: whole numbers, which both precisions add without an error.
    #[test]
    fn sums_are_those_of_a_plain_loop() {
        for count in [0usize, 1, 7, 8, 9, 100] {
            let a: Vec<f64> = (0..count).map(|i| ((i * 7) % 13) as f64 - 6.0).collect();
            let b: Vec<f64> = (0..count + 3).map(|i| ((i * 5) % 11) as f64 - 5.0).collect();
            let wanted: f64 = a.iter().zip(&b).map(|(a, b)| a * b).sum();
            let single = |values: &[f64]| values.iter().map(|x| *x as f32).collect::<Vec<f32>>();
            near("double", dot(&a, &b), wanted, 0.0);
            near("single", f64::from(dot_single(&single(&a), &single(&b))), wanted, 0.0);
            near("mixed", dot_into(&a, &single(&b)), wanted, 0.0);
            near("sum", sum(&a), a.iter().sum(), 0.0);
        }
    }
}
