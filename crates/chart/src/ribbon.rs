//! What lies above and below zero, as shapes to be filled.

use crate::trace::clipped;
use crate::{Axis, Line, Plot, Point, Scale, Spot};

/// The share of a line that its ribbon holds; a cancellation may run out of it.
const HELD: f64 = 0.95;
/// The heights of a ribbon, in dB either side of zero: the least that holds the
/// line is taken, so that the scale stays still while the work goes on.
const HEIGHTS_DB: [f64; 4] = [6.0, 12.0, 24.0, 48.0];

/// One stretch of a line that stays on one side of zero, closed along zero.
#[derive(Debug, Clone, PartialEq)]
pub struct Side {
    /// Whether it lies above zero.
    pub above: bool,
    /// Its outline; the first and the last place lie on zero.
    pub outline: Vec<Spot>,
}

impl Side {
    /// Upright strokes from zero to the outline, at multiples of `every` pixels:
    /// the texture that tells one side from the other without colour.
    #[must_use]
    pub fn strokes(&self, every: f32) -> Vec<(Spot, Spot)> {
        let zero = self.outline.first().map_or(0.0, |spot| spot.y);
        let mut strokes = Vec::new();
        for pair in self.outline.windows(2) {
            let (a, b) = (pair[0], pair[1]);
            let mut x = (a.x / every).ceil() * every;
            while x < b.x {
                let y = a.y + (x - a.x) / (b.x - a.x) * (b.y - a.y);
                strokes.push((Spot { x, y: zero }, Spot { x, y }));
                x += every;
            }
        }
        strokes
    }
}

/// The vertical axis of a ribbon that holds 95 % of a line's points.
#[must_use]
pub fn ribbon_axis(line: &Line) -> Axis {
    let mut heights: Vec<f64> = line.points.iter().map(|p| p.y.abs()).filter(|y| y.is_finite()).collect();
    heights.sort_by(f64::total_cmp);
    let most = (heights.len() as f64 * HELD).ceil() as usize;
    let most = most.checked_sub(1).and_then(|index| heights.get(index)).copied().unwrap_or(0.0);
    let height = HEIGHTS_DB.into_iter().find(|&h| h >= most).unwrap_or(HEIGHTS_DB[3]);
    Axis { label: String::new(), unit: "dB".to_owned(), scale: Scale::Linear, from: -height, to: height }
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

    /// Source: analytic; the first triangle of `a_straight_line_leaves_two_triangles`
    /// falls from 50 pixels at x = 10 to 0 at x = 160.
    #[test]
    fn strokes_reach_from_zero_to_the_line() {
        let sides = ribbon(&line(&[(20.0, 5.0), (20_000.0, -5.0)]), &plot());
        let strokes = sides[0].strokes(10.0);
        assert_eq!(strokes.len(), 15);
        for (foot, head) in strokes {
            near("foot", foot.y.into(), 120.0, 1e-3);
            near("height", f64::from(foot.y - head.y), f64::from(160.0 - foot.x) / 3.0, 1e-3);
        }
    }

    #[test]
    fn the_axis_is_the_least_that_holds_the_line() {
        assert_eq!(ribbon_axis(&line(&[(20.0, 5.9), (30.0, -1.0)])).to, 6.0);
        assert_eq!(ribbon_axis(&line(&[(20.0, -6.1), (30.0, f64::NAN)])).from, -12.0);
        assert_eq!(ribbon_axis(&line(&[(20.0, 480.0)])).to, 48.0);
        assert_eq!(ribbon_axis(&line(&[])).to, 6.0);
        let mut notched: Vec<(f64, f64)> = (0..100).map(|i| (f64::from(i), 5.0)).collect();
        notched[50].1 = -20.0;
        assert_eq!(ribbon_axis(&line(&notched)).to, 6.0, "a notch does not flatten the rest");
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
