//! Small dense linear algebra: dot products and symmetric systems.

pub(crate) use dsp::lanes::dot;

/// The nine dot products of three rows with three others of the same length: each number is
/// read once for three products, and nine running sums keep the processor busy.
pub(crate) fn dot_three(a: [&[f64]; 3], b: [&[f64]; 3]) -> [[f64; 3]; 3] {
    let [(a0, a_last), (a1, a1_last), (a2, a2_last)] = a.map(<[f64]>::as_chunks::<2>);
    let [(b0, b_last), (b1, b1_last), (b2, b2_last)] = b.map(<[f64]>::as_chunks::<2>);
    let mut sums = [[[0.0f64; 2]; 3]; 3];
    for (((((x0, x1), x2), y0), y1), y2) in a0.iter().zip(a1).zip(a2).zip(b0).zip(b1).zip(b2) {
        let (x, y) = ([*x0, *x1, *x2], [*y0, *y1, *y2]);
        for one in 0..3 {
            for other in 0..3 {
                for lane in 0..2 {
                    sums[one][other][lane] += x[one][lane] * y[other][lane];
                }
            }
        }
    }
    let mut products = [[0.0; 3]; 3];
    let (x, y) = ([a_last, a1_last, a2_last], [b_last, b1_last, b2_last]);
    for one in 0..3 {
        for other in 0..3 {
            let [even, odd] = sums[one][other];
            let last = x[one].first().zip(y[other].first()).map_or(0.0, |(x, y)| x * y);
            products[one][other] = even + odd + last;
        }
    }
    products
}

/// Solves `A x = b` for a symmetric positive definite `A` by Cholesky's method without roots,
/// `A = Uᵀ D U`, of which only the upper triangle is read; `b` becomes `x`. `None` when `A` is
/// not positive definite.
///
/// Rows are taken from the rows below them, so that the innermost loop runs along memory.
pub(crate) fn solve_in_place(a: &mut [f64], b: &mut [f64], size: usize) -> Option<()> {
    for row in 0..size {
        let (done, below) = a.split_at_mut((row + 1) * size);
        let pivot_row = &done[row * size + row..];
        let pivot = pivot_row[0];
        if !(pivot > 0.0 && pivot.is_finite()) {
            return None;
        }
        for other in row + 1..size {
            let share = pivot_row[other - row] / pivot;
            if share == 0.0 {
                continue;
            }
            let target = &mut below[(other - row - 1) * size..][other..size];
            for (value, pivot) in target.iter_mut().zip(&pivot_row[other - row..]) {
                *value -= share * pivot;
            }
            b[other] -= share * b[row];
        }
    }
    for row in (0..size).rev() {
        let upper = &a[row * size..(row + 1) * size];
        let known: f64 = upper[row + 1..].iter().zip(&b[row + 1..size]).map(|(u, x)| u * x).sum();
        b[row] = (b[row] - known) / upper[row];
    }
    Some(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use testkit::all_near;

    /// Source: the plain dot product; lengths even, odd and none.
    #[test]
    fn three_rows_times_three_are_nine_products() {
        let row = |from: usize, length: usize| -> Vec<f64> {
            (0..length).map(|i| ((7 * i + 3 * from + 1) % 11) as f64 - 5.0).collect()
        };
        for length in [0, 1, 2, 9] {
            let rows: Vec<Vec<f64>> = (0..6).map(|from| row(from, length)).collect();
            let products = dot_three([&rows[0], &rows[1], &rows[2]], [&rows[3], &rows[4], &rows[5]]);
            for one in 0..3 {
                for other in 0..3 {
                    let plain: f64 = rows[one].iter().zip(&rows[3 + other]).map(|(x, y)| x * y).sum();
                    all_near("product", &[products[one][other]], &[plain], 1e-12);
                }
            }
        }
    }

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
