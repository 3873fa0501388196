//! Assertions about numbers that print got, wanted and tolerance.

/// Asserts that a number lies within a tolerance of the wanted one.
///
/// # Panics
/// When it does not, or when either is not finite.
#[track_caller]
pub fn near(what: &str, got: f64, wanted: f64, tolerance: f64) {
    assert!(
        got.is_finite() && (got - wanted).abs() <= tolerance,
        "{what}: got {got}, wanted {wanted} ± {tolerance} (off by {})",
        got - wanted
    );
}

/// Asserts that two slices agree element by element.
///
/// # Panics
/// When they differ in length, or at the first element outside the tolerance.
#[track_caller]
pub fn all_near(what: &str, got: &[f64], wanted: &[f64], tolerance: f64) {
    assert_eq!(got.len(), wanted.len(), "{what}: lengths differ");
    for (index, (&g, &w)) in got.iter().zip(wanted).enumerate() {
        near(&format!("{what}[{index}]"), g, w, tolerance);
    }
}

/// Asserts that a number is at or below a bound.
///
/// # Panics
/// When it is above, or not finite.
#[track_caller]
pub fn at_most(what: &str, got: f64, bound: f64) {
    assert!(got.is_finite() && got <= bound, "{what}: got {got}, wanted at most {bound}");
}
