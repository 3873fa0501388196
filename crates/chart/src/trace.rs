//! Lines and areas as pixels: cut to the view, thinned to the columns.

use crate::crosshair::between;
use crate::{Area, Line, Plot, Point, Scale, Spot};

/// Certainties are drawn in this many steps.
const LEVELS: f32 = 4.0;

/// A piece of a line whose points are equally sure.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Its places, from left to right.
    pub spots: Vec<Spot>,
    /// How sure it is, 0 to 1 in quarters.
    pub certainty: f32,
}

/// A line as it is drawn: cut at the edges of the view, broken where it is not
/// finite, thinned to at most four points a pixel column (first, lowest,
/// highest, last, so that no peak is lost), and divided where its certainty
/// changes by a step.
#[must_use]
pub fn traces(line: &Line, plot: &Plot) -> Vec<Trace> {
    let levels = |x: f64| level(line, x, plot.view.x.scale);
    let mut found: Vec<Trace> = Vec::new();
    let mut open: Option<Trace> = None;
    for group in split(&clipped(&line.points, plot)) {
        for (spot, x) in thinned(group, plot) {
            let certainty = levels(x);
            match &mut open {
                Some(trace) if trace.certainty == certainty => trace.spots.push(spot),
                Some(trace) => {
                    trace.spots.push(spot);
                    let next = Trace { spots: vec![spot], certainty };
                    found.extend(open.replace(next));
                }
                None => open = Some(Trace { spots: vec![spot], certainty }),
            }
        }
        found.extend(open.take());
    }
    found.retain(|trace| trace.spots.len() > 1);
    found
}

/// An area's outline, cut to the view: its upper edge to the right, its lower
/// edge back.
#[must_use]
pub fn area_outline(area: &Area, plot: &Plot) -> Vec<Spot> {
    let edge = |points: &[Point]| -> Vec<Spot> {
        let inside = clipped(points, plot);
        split(&inside).flat_map(|group| thinned(group, plot)).map(|(spot, _)| spot).collect()
    };
    let mut outline = edge(&area.upper);
    outline.extend(edge(&area.lower).into_iter().rev());
    outline
}

/// The points in view, with the places where the line enters and leaves it.
pub(crate) fn clipped(points: &[Point], plot: &Plot) -> Vec<Point> {
    let (from, to, scale) = (plot.view.x.from, plot.view.x.to, plot.view.x.scale);
    let first = points.partition_point(|p| p.x < from);
    let last = points.partition_point(|p| p.x <= to).max(first);
    let mut inside = Vec::with_capacity(last - first + 2);
    if first > 0
        && points.get(first).is_none_or(|p| p.x > from)
        && let Some(y) = between(points, from, scale)
    {
        inside.push(Point { x: from, y });
    }
    inside.extend_from_slice(&points[first..last]);
    if last < points.len()
        && inside.last().is_none_or(|p| p.x < to)
        && let Some(y) = between(points, to, scale)
    {
        inside.push(Point { x: to, y });
    }
    inside
}

/// Runs of points that can be drawn.
fn split(points: &[Point]) -> impl Iterator<Item = &[Point]> {
    points.split(|p| !p.y.is_finite() || !p.x.is_finite()).filter(|group| !group.is_empty())
}

/// At most four places a pixel column, each with its value of `x`.
fn thinned(points: &[Point], plot: &Plot) -> Vec<(Spot, f64)> {
    let spots: Vec<(Spot, f64)> = points.iter().map(|&p| (plot.spot(p), p.x)).collect();
    if spots.len() as f32 <= 2.0 * plot.width {
        return spots;
    }
    let mut kept = Vec::new();
    for column in spots.chunk_by(|a, b| a.0.x.floor() == b.0.x.floor()) {
        let by_height = |a: &&(Spot, f64), b: &&(Spot, f64)| a.0.y.total_cmp(&b.0.y);
        let ends =
            [column.first(), column.iter().min_by(by_height), column.iter().max_by(by_height), column.last()];
        let mut four: Vec<(Spot, f64)> = ends.into_iter().flatten().copied().collect();
        four.sort_by(|a, b| a.1.total_cmp(&b.1));
        four.dedup();
        kept.extend(four);
    }
    kept
}

/// A line's certainty at `x`, in steps.
fn level(line: &Line, x: f64, scale: Scale) -> f32 {
    if line.certainty.is_empty() {
        return 1.0;
    }
    let after = line.points.partition_point(|p| p.x < x);
    let at = |index: usize| line.certainty.get(index).copied().unwrap_or(1.0);
    let certainty = match (line.points.get(after), after.checked_sub(1).and_then(|i| line.points.get(i))) {
        (Some(right), Some(left)) if right.x > x => {
            let share = match scale {
                Scale::Linear => (x - left.x) / (right.x - left.x),
                Scale::Logarithmic => (x / left.x).ln() / (right.x / left.x).ln(),
            };
            at(after - 1) + share as f32 * (at(after) - at(after - 1))
        }
        (Some(_), _) => at(after),
        (None, _) => at(line.points.len().saturating_sub(1)),
    };
    (certainty.clamp(0.0, 1.0) * LEVELS).round() / LEVELS
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use testkit::near;

    use super::*;
    use crate::plot::tests::plot;
    use crate::{Dash, Role};

    fn line(points: Vec<Point>, certainty: &[f32]) -> Line {
        Line {
            label: "a".into(),
            role: Role::After,
            dash: Dash::Solid,
            points: points.into(),
            certainty: certainty.into(),
        }
    }

    fn points(pairs: &[(f64, f64)]) -> Vec<Point> {
        pairs.iter().map(|&(x, y)| Point { x, y }).collect()
    }

    #[test]
    fn a_line_is_cut_where_it_enters_and_leaves_the_view() {
        let mut plot = plot();
        plot.view = plot.view.zoomed((0.5, 0.5), 3.0, 1.0);
        let traces = traces(&line(points(&[(20.0, 0.0), (20_000.0, 6.0)]), &[]), &plot);
        assert_eq!(traces.len(), 1);
        near("left", traces[0].spots[0].x.into(), 10.0, 1e-3);
        near("right", traces[0].spots[1].x.into(), 310.0, 1e-3);
        // A third of the way and two thirds of the way along 0…6 dB.
        near("2 dB", traces[0].spots[0].y.into(), f64::from(plot.y(2.0)), 1e-3);
        near("4 dB", traces[0].spots[1].y.into(), f64::from(plot.y(4.0)), 1e-3);
    }

    #[test]
    fn a_value_that_is_no_number_breaks_the_line() {
        let broken = points(&[(20.0, 0.0), (30.0, 0.0), (40.0, f64::NAN), (50.0, 0.0), (60.0, 0.0)]);
        assert_eq!(traces(&line(broken, &[]), &plot()).len(), 2);
    }

    #[test]
    fn thinning_keeps_every_peak() {
        let many: Vec<Point> = (0..40_000)
            .map(|i| {
                let x = 20.0 * 1000f64.powf(f64::from(i) / 39_999.0);
                Point { x, y: if i == 12_345 { 9.0 } else { 0.0 } }
            })
            .collect();
        let plot = plot();
        let traces = traces(&line(many, &[]), &plot);
        let spots = &traces[0].spots;
        assert!(spots.len() <= 4 * 301, "{}", spots.len());
        let peak = spots.iter().map(|s| s.y).fold(f32::INFINITY, f32::min);
        near("peak", peak.into(), plot.y(9.0).into(), 1e-4);
    }

    #[test]
    fn a_line_divides_where_its_certainty_changes() {
        let four = points(&[(20.0, 0.0), (40.0, 0.0), (80.0, 0.0), (160.0, 0.0)]);
        let traces = traces(&line(four, &[0.1, 0.1, 1.0, 1.0]), &plot());
        assert_eq!(traces.iter().map(|t| t.certainty).collect::<Vec<_>>(), [0.0, 1.0]);
        assert_eq!(traces[0].spots.last(), traces[1].spots.first(), "no gap between the pieces");
    }

    #[test]
    fn an_area_closes_around_its_two_edges() {
        let area = Area {
            label: "t".into(),
            role: Role::Target,
            lower: points(&[(20.0, -3.0), (20_000.0, -3.0)]).into(),
            upper: points(&[(20.0, 3.0), (20_000.0, 3.0)]).into(),
        };
        let plot = plot();
        let outline = area_outline(&area, &plot);
        assert_eq!(outline.len(), 4);
        near("height", f64::from(outline[3].y - outline[0].y), 60.0, 1e-3);
    }

    proptest! {
        #[test]
        fn every_spot_is_finite_and_within_the_width(
            values in proptest::collection::vec((0.1f64..1e5, prop_oneof![Just(f64::NAN), -1e6f64..1e6]), 0..200),
            zoom in 1f64..50.0,
        ) {
            let mut sorted = values;
            sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut plot = plot();
            plot.view = plot.view.zoomed((0.4, 0.5), zoom, 1.0);
            for trace in traces(&line(points(&sorted), &[]), &plot) {
                for spot in trace.spots {
                    prop_assert!(spot.y.is_finite());
                    prop_assert!(spot.x >= plot.left - 0.01 && spot.x <= plot.right() + 0.01, "{spot:?}");
                }
            }
        }
    }
}
