//! Small dense linear algebra: dot products and symmetric systems.

/// The dot product in eight running sums, which the compiler can vectorise.
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (a8, a_rest) = a.as_chunks::<8>();
    let (b8, b_rest) = b.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for (x, y) in a8.iter().zip(b8) {
        for lane in 0..8 {
            sums[lane] += x[lane] * y[lane];
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(x, y)| x * y).sum();
    sums.iter().sum::<f64>() + rest
}

/// Solves `A x = b` for a symmetric positive definite `A` by Cholesky's method;
/// `b` becomes `x`. `None` when `A` is not positive definite.
pub(crate) fn solve_in_place(a: &mut [f64], b: &mut [f64], size: usize) -> Option<()> {
    for row in 0..size {
        for column in 0..=row {
            let sum = a[row * size + column]
                - dot(&a[row * size..row * size + column], &a[column * size..column * size + column]);
            if row == column {
                if sum <= 0.0 || !sum.is_finite() {
                    return None;
                }
                a[row * size + row] = sum.sqrt();
            } else {
                a[row * size + column] = sum / a[column * size + column];
            }
        }
        b[row] = (b[row] - dot(&a[row * size..row * size + row], &b[..row])) / a[row * size + row];
    }
    for row in (0..size).rev() {
        let mut sum = b[row];
        for below in row + 1..size {
            sum -= a[below * size + row] * b[below];
        }
        b[row] = sum / a[row * size + row];
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::all_near;

    /// Source: multiplied out by hand.
    #[test]
    fn a_small_system_is_solved() {
        let mut a = vec![4.0, 2.0, 0.6, 2.0, 5.0, 1.0, 0.6, 1.0, 3.0];
        let mut b = vec![4.0 + 4.0 - 1.8, 2.0 + 10.0 - 3.0, 0.6 + 2.0 - 9.0];
        solve_in_place(&mut a, &mut b, 3).unwrap();
        all_near("x", &b, &[1.0, 2.0, -3.0], 1e-12);
        assert!(solve_in_place(&mut [1.0, 2.0, 2.0, 1.0], &mut [0.0, 0.0], 2).is_none());
    }
}
