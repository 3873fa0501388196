//! What lies above and below zero, as shapes to be filled.

use crate::trace::clipped;
use crate::{Line, Plot, Point, Spot};

/// One stretch of a line that stays on one side of zero, closed along zero.
#[derive(Debug, Clone, PartialEq)]
pub struct Side {
    /// Whether it lies above zero.
    pub above: bool,
    /// Its outline; the first and the last place lie on zero.
    pub outline: Vec<Spot>,
}

/// Cuts a line at its zeros into shapes above and below. Crossings are found by
/// straight interpolation in the drawn picture.
#[must_use]
pub fn ribbon(line: &Line, plot: &Plot) -> Vec<Side> {
    let zero = plot.y(0.0);
    let mut sides: Vec<Side> = Vec::new();
    let mut open: Option<Side> = None;
    let mut before: Option<(Spot, f64)> = None;
    for Point { x, y } in clipped(&line.points, plot) {
        if !y.is_finite() {
            close(&mut open, &mut sides, before, zero);
            before = None;
            continue;
        }
        let spot = plot.spot(Point { x, y });
        if let Some((last, value)) = before
            && value * y < 0.0
        {
            let share = (value / (value - y)) as f32;
            let crossing = Spot { x: last.x + share * (spot.x - last.x), y: zero };
            close(&mut open, &mut sides, Some((crossing, 0.0)), zero);
            open = Some(Side { above: y > 0.0, outline: vec![crossing] });
        }
        if y == 0.0 {
            close(&mut open, &mut sides, Some((spot, 0.0)), zero);
        } else {
            open.get_or_insert_with(|| {
                let start = before.map_or(Spot { x: spot.x, y: zero }, |(last, _)| Spot { y: zero, ..last });
                Side { above: y > 0.0, outline: vec![start] }
            })
            .outline
            .push(spot);
        }
        before = Some((spot, y));
    }
    close(&mut open, &mut sides, before, zero);
    sides
}

fn close(open: &mut Option<Side>, sides: &mut Vec<Side>, last: Option<(Spot, f64)>, zero: f32) {
    if let (Some(mut side), Some((spot, _))) = (open.take(), last) {
        side.outline.push(Spot { x: spot.x, y: zero });
        if side.outline.len() > 2 {
            sides.push(side);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use testkit::near;

    use super::*;
    use crate::plot::tests::plot;
    use crate::{Dash, Role};

    fn line(points: &[(f64, f64)]) -> Line {
        Line {
            label: String::new(),
            role: Role::Difference,
            dash: Dash::Solid,
            points: points.iter().map(|&(x, y)| Point { x, y }).collect(),
            certainty: [].into(),
        }
    }

    /// Twice the area enclosed, by the shoelace formula.
    fn area(outline: &[Spot]) -> f64 {
        let pairs = outline.iter().zip(outline.iter().cycle().skip(1));
        pairs.map(|(a, b)| f64::from(a.x * b.y - b.x * a.y)).sum::<f64>().abs() / 2.0
    }

    /// Source: analytic; from +5 dB at 20 Hz to −5 dB at 20 kHz the line crosses
    /// zero in the middle and leaves two triangles of 150 × 50 / 2 pixels.
    #[test]
    fn a_straight_line_leaves_two_triangles() {
        let sides = ribbon(&line(&[(20.0, 5.0), (20_000.0, -5.0)]), &plot());
        assert_eq!(sides.len(), 2);
        assert!(sides[0].above && !sides[1].above);
        near("above", area(&sides[0].outline), 3750.0, 0.01);
        near("below", area(&sides[1].outline), 3750.0, 0.01);
        near("crossing", sides[0].outline.last().unwrap().x.into(), 160.0, 1e-3);
    }

    #[test]
    fn a_gap_closes_the_shape_and_zero_touches_none() {
        let sides = ribbon(&line(&[(20.0, 2.0), (200.0, 2.0), (400.0, f64::NAN), (2000.0, 2.0)]), &plot());
        assert_eq!(sides.len(), 2);
        assert!(ribbon(&line(&[(20.0, 0.0), (200.0, 0.0)]), &plot()).is_empty());
    }

    proptest! {
        #[test]
        fn every_shape_starts_and_ends_on_zero_and_keeps_its_side(
            values in proptest::collection::vec(-9f64..9.0, 2..40),
        ) {
            let plot = plot();
            let points: Vec<(f64, f64)> =
                values.iter().enumerate().map(|(i, &y)| (20.0 * 1.19f64.powi(i as i32), y)).collect();
            let zero = plot.y(0.0);
            for side in ribbon(&line(&points), &plot) {
                prop_assert_eq!(side.outline[0].y, zero);
                prop_assert_eq!(side.outline.last().unwrap().y, zero);
                for spot in &side.outline {
                    let inside = if side.above { spot.y <= zero + 1e-3 } else { spot.y >= zero - 1e-3 };
                    prop_assert!(inside, "{spot:?} of {side:?}");
                }
            }
        }
    }
}
