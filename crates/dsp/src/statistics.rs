//! Mean, RMS, median and spread of numbers.

/// The arithmetic mean; nothing for no values.
#[must_use]
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// The root of the mean square; nothing for no values.
#[must_use]
pub fn rms(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt())
}

/// The standard deviation of a sample, `√(Σ(x − x̄)²/(n − 1))`; nothing for fewer
/// than two values.
#[must_use]
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    let centre = mean(values)?;
    let sum: f64 = values.iter().map(|v| (v - centre).powi(2)).sum();
    (values.len() > 1).then(|| (sum / (values.len() - 1) as f64).sqrt())
}

/// The value of which a part `fraction` (0 to 1) lies below, between neighbours
/// by a straight line; nothing for no values.
///
/// Values that are not numbers sort to the ends and count like any other.
#[must_use]
pub fn quantile(values: &[f64], fraction: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    quantile_in_place(&mut sorted, fraction)
}

/// Like [`quantile`], but sorts the values where they are: no allocation.
pub fn quantile_in_place(values: &mut [f64], fraction: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let place = fraction.clamp(0.0, 1.0) * (values.len() - 1) as f64;
    let below = place.floor() as usize;
    let (_, &mut low, above) = values.select_nth_unstable_by(below, f64::total_cmp);
    let part = place - below as f64;
    if part == 0.0 {
        return Some(low);
    }
    let high = above.iter().copied().min_by(f64::total_cmp)?;
    Some(low + part * (high - low))
}

/// The middle value; nothing for no values.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// The spread of the values, not moved by a few wild ones: 1.4826 times the
/// median distance from the median. For normally distributed values it is
/// the standard deviation (1/Φ⁻¹(3/4) = 1.4826). Nothing for no values.
#[must_use]
pub fn robust_deviation(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let distances: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    median(&distances).map(|distance| 1.482_602_218_505_602 * distance)
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: arithmetic.
    #[test]
    fn small_cases() {
        let values = [4.0, 1.0, 3.0, 2.0];
        near("mean", mean(&values).unwrap(), 2.5, 1e-15);
        near("rms", rms(&values).unwrap(), 7.5f64.sqrt(), 1e-15);
        near("deviation", standard_deviation(&values).unwrap(), (5.0f64 / 3.0).sqrt(), 1e-15);
        near("median", median(&values).unwrap(), 2.5, 1e-15);
        near("lowest", quantile(&values, 0.0).unwrap(), 1.0, 0.0);
        near("highest", quantile(&values, 1.0).unwrap(), 4.0, 0.0);
        assert_eq!(median(&[]), None);
        assert_eq!(standard_deviation(&[1.0]), None);
    }

    #[test]
    fn one_wild_value_does_not_move_the_spread() {
        let tame: Vec<f64> = (0..101).map(f64::from).collect();
        let mut wild = tame.clone();
        wild[100] = 1e9;
        near("spread", robust_deviation(&wild).unwrap(), robust_deviation(&tame).unwrap(), 1.5);
    }

    proptest::proptest! {
        #[test]
        fn a_quantile_lies_within_the_values(
            values in proptest::collection::vec(-1e6..1e6f64, 1..50),
            fraction in 0.0..1.0f64,
        ) {
            let q = quantile(&values, fraction).unwrap();
            assert!(values.iter().any(|&v| v <= q) && values.iter().any(|&v| v >= q));
        }
    }
}
