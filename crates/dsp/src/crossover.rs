//! Crossover filters of order 1 to 8: Butterworth, Linkwitz-Riley and Bessel.

use std::f64::consts::PI;

use num_complex::Complex64;

use crate::biquad::{Biquad, Cascade, DesignError, check};

/// The family that a crossover belongs to, which settles its shape at the corner.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Family {
    /// Maximally flat magnitude; −3.01 dB at the corner. Order 1 to 8.
    Butterworth,
    /// Two Butterworth filters of half the order in series; −6.02 dB at the
    /// corner, so that low- and high-pass add up to an all-pass. Order 2, 4, 6
    /// or 8; at 2 and 6 one of the two ways must be inverted.
    LinkwitzRiley,
    /// Maximally flat group delay; *magnitude norm*: −3.01 dB at the corner,
    /// like scipy's `norm="mag"`. Order 1 to 8.
    Bessel,
}

/// Which side of the corner passes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    /// Below the corner.
    LowPass,
    /// Above the corner.
    HighPass,
}

/// One pole of the normalised low-pass prototype, or a conjugate pair of them.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Pole {
    /// A real pole at `−w`.
    Real { w: f64 },
    /// A pair with natural frequency `w` and quality factor `q`.
    Pair { w: f64, q: f64 },
}

/// A low-pass of this family and order; see [`design`].
///
/// # Errors
/// When the order does not exist or the corner lies outside 0 to fs/2.
pub fn low_pass(
    sample_rate_hz: f64,
    family: Family,
    order: usize,
    corner_hz: f64,
) -> Result<Cascade, DesignError> {
    design(sample_rate_hz, family, order, Side::LowPass, corner_hz)
}

/// A high-pass of this family and order; see [`design`].
///
/// # Errors
/// When the order does not exist or the corner lies outside 0 to fs/2.
pub fn high_pass(
    sample_rate_hz: f64,
    family: Family,
    order: usize,
    corner_hz: f64,
) -> Result<Cascade, DesignError> {
    design(sample_rate_hz, family, order, Side::HighPass, corner_hz)
}

/// Designs a crossover filter as a cascade of second-order sections.
///
/// The analogue prototype (poles of the family, corner at 1 rad/s) goes through
/// the bilinear transform with the corner prewarped: a pole pair of natural
/// frequency `w` and quality `q` becomes the cookbook section at
/// `f = fs/π·atan(w·tan(π·fc/fs))`; for the high-pass `w` is replaced by `1/w`.
/// Sections come in the order of rising Q.
///
/// References: S. Butterworth 1930; S. Linkwitz, *Active Crossover Networks for
/// Noncoincident Drivers*, JAES 24(1), 1976; W. E. Thomson 1949 (Bessel), poles
/// as the roots of the reverse Bessel polynomial.
///
/// Valid range: `0 < corner_hz < fs/2`. Accuracy: within 1e-9 of scipy.signal's
/// sections, Linkwitz-Riley sums flat within ±0.001 dB; see
/// `tests/crossovers.rs`.
///
/// # Errors
/// When the order does not exist or the corner lies outside 0 to fs/2.
pub fn design(
    sample_rate_hz: f64,
    family: Family,
    order: usize,
    side: Side,
    corner_hz: f64,
) -> Result<Cascade, DesignError> {
    check(sample_rate_hz, corner_hz)?;
    let poles = prototype(family, order)?;
    let warped = (PI * corner_hz / sample_rate_hz).tan();
    let place = |w: f64| {
        let w = if side == Side::LowPass { w } else { 1.0 / w };
        sample_rate_hz / PI * (w * warped).atan()
    };
    poles
        .into_iter()
        .map(|pole| match (pole, side) {
            (Pole::Real { w }, Side::LowPass) => Biquad::low_pass_first_order(sample_rate_hz, place(w)),
            (Pole::Real { w }, Side::HighPass) => Biquad::high_pass_first_order(sample_rate_hz, place(w)),
            (Pole::Pair { w, q }, Side::LowPass) => Biquad::low_pass(sample_rate_hz, place(w), q),
            (Pole::Pair { w, q }, Side::HighPass) => Biquad::high_pass(sample_rate_hz, place(w), q),
        })
        .collect()
}

fn prototype(family: Family, order: usize) -> Result<Vec<Pole>, DesignError> {
    match family {
        Family::Butterworth if (1..=8).contains(&order) => Ok(butterworth(order)),
        Family::Bessel if (1..=8).contains(&order) => Ok(bessel(order)),
        Family::LinkwitzRiley if matches!(order, 2 | 4 | 6 | 8) => {
            Ok(butterworth(order / 2).into_iter().flat_map(paired).collect())
        }
        Family::LinkwitzRiley => {
            Err(DesignError::Order { order, expected: "2, 4, 6 or 8 for Linkwitz-Riley" })
        }
        Family::Butterworth | Family::Bessel => Err(DesignError::Order { order, expected: "1 to 8" }),
    }
}

/// Each pole of a Linkwitz-Riley filter occurs twice. Two equal real poles are
/// one pair with a Q of one half: a section less.
fn paired(pole: Pole) -> Vec<Pole> {
    match pole {
        Pole::Real { w } => vec![Pole::Pair { w, q: 0.5 }],
        pair @ Pole::Pair { .. } => vec![pair, pair],
    }
}

/// Poles on the unit circle at equal angles: `q_k = 1/(2·cos θ_k)`.
fn butterworth(order: usize) -> Vec<Pole> {
    let mut poles = Vec::new();
    if !order.is_multiple_of(2) {
        poles.push(Pole::Real { w: 1.0 });
    }
    for pair in 0..order / 2 {
        // The angle of a pole pair from the negative real axis, small angles (low Q) first.
        let step = if order.is_multiple_of(2) { pair as f64 + 0.5 } else { pair as f64 + 1.0 };
        let angle = PI * step / order as f64;
        poles.push(Pole::Pair { w: 1.0, q: 1.0 / (2.0 * angle.cos()) });
    }
    poles
}

/// The roots of the reverse Bessel polynomial
/// `θ_n(s) = Σ (2n−k)! / (2^(n−k)·k!·(n−k)!)·s^k`, scaled to −3.01 dB at 1 rad/s.
fn bessel(order: usize) -> Vec<Pole> {
    let coefficients: Vec<f64> = (0..=order)
        .map(|k| {
            factorial(2 * order - k) / (2f64.powi((order - k) as i32) * factorial(k) * factorial(order - k))
        })
        .collect();
    let corner = bessel_corner(&coefficients);
    let mut poles: Vec<Pole> = roots(&coefficients)
        .into_iter()
        .filter(|root| root.im > -1e-9)
        .map(|root| {
            let w = root.norm() / corner;
            if root.im.abs() < 1e-9 {
                Pole::Real { w }
            } else {
                Pole::Pair { w, q: root.norm() / (-2.0 * root.re) }
            }
        })
        .collect();
    let sharpness = |pole: &Pole| match pole {
        Pole::Real { .. } => 0.5,
        Pole::Pair { q, .. } => *q,
    };
    poles.sort_by(|a, b| sharpness(a).total_cmp(&sharpness(b)));
    poles
}

fn factorial(n: usize) -> f64 {
    (1..=n).map(|k| k as f64).product()
}

fn polynomial(coefficients: &[f64], s: Complex64) -> Complex64 {
    coefficients.iter().rev().fold(Complex64::ZERO, |sum, &c| sum * s + c)
}

/// Where `|θ_n(0)/θ_n(jw)|² = 1/2`, by bisection; the magnitude falls steadily.
fn bessel_corner(coefficients: &[f64]) -> f64 {
    let wanted = 2.0 * coefficients[0] * coefficients[0];
    let (mut low, mut high) = (0.0, 10.0);
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if polynomial(coefficients, Complex64::new(0.0, middle)).norm_sqr() < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// All roots of a polynomial (ascending coefficients) at once.
///
/// Each root estimate is moved by Newton's step, corrected for the pull of the
/// other estimates. References: O. Aberth, Math. Comp. 27 (1973), 339–344.
fn roots(coefficients: &[f64]) -> Vec<Complex64> {
    let order = coefficients.len() - 1;
    let derivative: Vec<f64> = coefficients.iter().enumerate().skip(1).map(|(k, &c)| k as f64 * c).collect();
    let radius = coefficients[0].abs().powf(1.0 / order as f64);
    let mut roots: Vec<Complex64> =
        (0..order).map(|k| Complex64::from_polar(radius, 2.0 * PI * k as f64 / order as f64 + 0.4)).collect();
    for _ in 0..100 {
        for k in 0..order {
            let here = roots[k];
            let slope = polynomial(&derivative, here);
            let newton = polynomial(coefficients, here) / slope;
            let pull: Complex64 = roots
                .iter()
                .enumerate()
                .filter(|&(j, _)| j != k)
                .map(|(_, other)| (here - other).inv())
                .sum();
            roots[k] = here - newton / (1.0 - newton * pull);
        }
    }
    roots
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;

    /// Source: definition of each family; −3.0103 dB or −6.0206 dB at the corner.
    #[test]
    fn every_family_and_order_has_its_level_at_the_corner() {
        for (family, orders, wanted) in [
            (Family::Butterworth, &[1, 2, 3, 4, 5, 6, 7, 8][..], -3.010_299_956_639_812),
            (Family::Bessel, &[1, 2, 3, 4, 5, 6, 7, 8][..], -3.010_299_956_639_812),
            (Family::LinkwitzRiley, &[2, 4, 6, 8][..], -6.020_599_913_279_624),
        ] {
            for &order in orders {
                for side in [Side::LowPass, Side::HighPass] {
                    let filter = design(48_000.0, family, order, side, 2_500.0).unwrap();
                    let what = format!("{family:?} {order} {side:?}");
                    near(&what, filter.magnitude_db(2_500.0), wanted, 1e-9);
                    assert_eq!(filter.sections().len(), order.div_ceil(2), "{what}");
                }
            }
        }
    }

    #[test]
    fn orders_that_do_not_exist_are_refused() {
        for (family, order) in [
            (Family::LinkwitzRiley, 3),
            (Family::LinkwitzRiley, 0),
            (Family::Butterworth, 9),
            (Family::Bessel, 0),
        ] {
            let error = low_pass(48_000.0, family, order, 80.0).unwrap_err();
            assert!(matches!(error, DesignError::Order { .. }), "{error}");
        }
        assert!(low_pass(48_000.0, Family::Butterworth, 2, 24_000.0).is_err());
    }
}
