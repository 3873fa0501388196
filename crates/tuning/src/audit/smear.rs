//! What smoothing makes of values at points.

/// The mean over a rectangle of so many points around each; the rectangle is cut by the ends.
pub(super) fn smeared(values: &[f64], points: f64) -> Vec<f64> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    for value in values {
        sums.push(sums[sums.len() - 1] + value);
    }
    #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
    let end = values.len() as f64;
    let integral = |at: f64| {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside of the points")]
        let whole = (at as usize).min(values.len() - 1);
        #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
        let part = at - whole as f64;
        sums[whole] + part * values[whole]
    };
    (0..values.len())
        .map(|i| {
            #[expect(clippy::cast_precision_loss, reason = "a few hundred points")]
            let centre = i as f64 + 0.5;
            let (low, high) = ((centre - 0.5 * points).max(0.0), (centre + 0.5 * points).min(end));
            (integral(high) - integral(low)) / (high - low)
        })
        .collect()
}
