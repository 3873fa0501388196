//! What the curves read at one place.

use crate::{Chart, Handle, Line, Plot, Point, Role, Scale, Spot};

/// One curve's value at the cross-hair.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// The curve's name.
    pub label: String,
    /// What it stands for.
    pub role: Role,
    /// Its value.
    pub value: f64,
}

/// A line's value at `x`, straight between its points along the axis' own
/// division; `None` outside the line and where it is not finite.
#[must_use]
pub fn value_at(line: &Line, x: f64, scale: Scale) -> Option<f64> {
    between(&line.points, x, scale)
}

/// Every line's value at `x`, in the order of the lines. Lines that share name
/// and role (one curve with a gap in it) are read once, those without a name (of many alike) not.
#[must_use]
pub fn readout<'a>(lines: impl IntoIterator<Item = &'a Line>, x: f64, scale: Scale) -> Vec<Sample> {
    let mut found: Vec<Sample> = Vec::new();
    for line in lines {
        if line.label.is_empty() || found.iter().any(|s| s.label == line.label && s.role == line.role) {
            continue;
        }
        if let Some(value) = value_at(line, x, scale) {
            found.push(Sample { label: line.label.clone(), role: line.role, value });
        }
    }
    found
}

/// The handle nearest to a place, if one lies within `reach` pixels.
#[must_use]
pub fn nearest_handle<'a>(chart: &'a Chart, plot: &Plot, spot: Spot, reach: f32) -> Option<&'a Handle> {
    chart
        .handles
        .iter()
        .map(|handle| {
            let at = plot.spot(handle.at);
            (handle, (at.x - spot.x).hypot(at.y - spot.y))
        })
        .filter(|(_, distance)| *distance <= reach)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(handle, _)| handle)
}

/// Straight interpolation in a table of ascending `x`.
pub(crate) fn between(points: &[Point], x: f64, scale: Scale) -> Option<f64> {
    let after = points.partition_point(|p| p.x < x);
    let right = points.get(after)?;
    if right.x == x {
        return right.y.is_finite().then_some(right.y);
    }
    let left = points.get(after.checked_sub(1)?)?;
    let share = match scale {
        Scale::Linear => (x - left.x) / (right.x - left.x),
        Scale::Logarithmic => (x / left.x).ln() / (right.x / left.x).ln(),
    };
    let value = left.y + share * (right.y - left.y);
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use testkit::near;

    use super::*;
    use crate::plot::tests::plot;
    use crate::{Axis, Dash, HandleId};

    fn line(label: &str, points: &[(f64, f64)]) -> Line {
        Line {
            label: label.to_owned(),
            role: Role::After,
            dash: Dash::Solid,
            points: points.iter().map(|&(x, y)| Point { x, y }).collect(),
            certainty: [].into(),
        }
    }

    /// Source: analytic; a straight line over log frequency has its mean value
    /// at the geometric mean.
    #[test]
    fn values_lie_straight_along_the_axis() {
        let line = line("a", &[(100.0, 0.0), (400.0, 6.0)]);
        near("log", value_at(&line, 200.0, Scale::Logarithmic).unwrap(), 3.0, 1e-12);
        near("linear", value_at(&line, 250.0, Scale::Linear).unwrap(), 3.0, 1e-12);
        near("first", value_at(&line, 100.0, Scale::Logarithmic).unwrap(), 0.0, 1e-12);
        near("last", value_at(&line, 400.0, Scale::Logarithmic).unwrap(), 6.0, 1e-12);
        assert_eq!(value_at(&line, 99.0, Scale::Logarithmic), None);
        assert_eq!(value_at(&line, 401.0, Scale::Logarithmic), None);
    }

    #[test]
    fn a_curve_in_two_pieces_is_read_once_and_a_gap_not_at_all() {
        let pieces = [
            line("a", &[(20.0, 1.0), (100.0, 1.0)]),
            line("a", &[(200.0, 2.0), (400.0, 2.0)]),
            line("b", &[]),
            line("", &[(20.0, 5.0), (400.0, 5.0)]),
        ];
        assert_eq!(readout(&pieces, 300.0, Scale::Logarithmic).len(), 1);
        assert_eq!(readout(&pieces, 300.0, Scale::Logarithmic)[0].value, 2.0);
        assert!(readout(&pieces, 150.0, Scale::Logarithmic).is_empty());
    }

    #[test]
    fn a_value_that_is_no_number_is_not_read() {
        let line = line("a", &[(100.0, f64::NAN), (400.0, 6.0)]);
        assert_eq!(value_at(&line, 200.0, Scale::Logarithmic), None);
    }

    #[test]
    fn the_nearest_handle_within_reach_is_taken() {
        let plot = plot();
        let handle = |band, x, y| Handle {
            id: HandleId::Band(band),
            at: Point { x, y },
            least: Point { x, y },
            greatest: Point { x, y },
            label: String::new(),
            enabled: true,
            selected: false,
        };
        let chart = Chart {
            title: String::new(),
            x: Axis::audio_frequency(),
            y: Axis::audio_frequency(),
            areas: vec![],
            lines: vec![],
            handles: vec![handle(0, 200.0, 0.0), handle(1, 2000.0, 0.0)],
            marks: vec![],
        };
        let near_second = Spot { x: 205.0, y: 124.0 };
        assert_eq!(nearest_handle(&chart, &plot, near_second, 12.0).unwrap().id, HandleId::Band(1));
        assert!(nearest_handle(&chart, &plot, Spot { x: 160.0, y: 120.0 }, 12.0).is_none());
    }
}
