//! The part of a chart that is in view, and how values map onto it.

use crate::{Axis, Chart, Point, Scale};

/// The smallest ratio between the ends of a logarithmic view: a twelfth of an
/// octave, below which nothing that is measured here has any detail.
const LEAST_RATIO: f64 = 1.059_463_094_359_295_3;
/// The smallest length of a linear view, as a share of the axis.
const LEAST_SHARE: f64 = 1.0 / 200.0;

/// One axis' part in view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// How the axis divides its length.
    pub scale: Scale,
    /// The value at the left or lower edge.
    pub from: f64,
    /// The value at the right or upper edge.
    pub to: f64,
}

impl Span {
    /// The whole of an axis. An axis that cannot be shown (empty, not finite,
    /// or logarithmic and not positive) is replaced by one that can.
    #[must_use]
    pub fn whole(axis: &Axis) -> Self {
        let sound = axis.from.is_finite() && axis.to.is_finite() && axis.from < axis.to;
        match axis.scale {
            Scale::Linear if sound => Self { scale: axis.scale, from: axis.from, to: axis.to },
            Scale::Logarithmic if sound && axis.from > 0.0 => {
                Self { scale: axis.scale, from: axis.from, to: axis.to }
            }
            Scale::Linear => Self { scale: Scale::Linear, from: 0.0, to: 1.0 },
            Scale::Logarithmic => Self { scale: Scale::Logarithmic, from: 20.0, to: 20_000.0 },
        }
    }

    /// Where a value lies: 0 at `from`, 1 at `to`. On a logarithmic axis values
    /// at or below zero lie at negative infinity.
    #[must_use]
    pub fn unit(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Linear => (value - self.from) / (self.to - self.from),
            Scale::Logarithmic if value > 0.0 => (value / self.from).ln() / (self.to / self.from).ln(),
            Scale::Logarithmic => f64::NEG_INFINITY,
        }
    }

    /// The value at a place; the inverse of [`Span::unit`].
    #[must_use]
    pub fn value(&self, unit: f64) -> f64 {
        match self.scale {
            Scale::Linear => self.from + unit * (self.to - self.from),
            Scale::Logarithmic => self.from * (self.to / self.from).powf(unit),
        }
    }

    /// The same length, moved by a share of itself and kept inside `limit`.
    #[must_use]
    pub fn moved(&self, share: f64, limit: &Self) -> Self {
        Self { from: self.value(share), to: self.value(1.0 + share), ..*self }.inside(limit)
    }

    /// Made `factor` times shorter about a place that stays where it is, never
    /// longer than `limit`, never shorter than can be read.
    #[must_use]
    pub fn zoomed(&self, about: f64, factor: f64, limit: &Self) -> Self {
        if !(factor.is_finite() && factor > 0.0) {
            return *self;
        }
        let factor = factor.min(self.length() / limit.least());
        let from = self.value(about - about / factor);
        let to = self.value(about + (1.0 - about) / factor);
        Self { from, to, ..*self }.inside(limit)
    }

    /// Moved, and only then cut, so that it lies inside `limit`.
    fn inside(self, limit: &Self) -> Self {
        if self.length() >= limit.length() {
            return *limit;
        }
        if self.from < limit.from {
            let to = self.value(1.0 + self.unit(limit.from));
            return Self { from: limit.from, to: to.min(limit.to), ..self };
        }
        if self.to > limit.to {
            let from = self.value(self.unit(limit.to) - 1.0);
            return Self { from: from.max(limit.from), to: limit.to, ..self };
        }
        self
    }

    /// Difference or log ratio between its ends.
    fn length(&self) -> f64 {
        match self.scale {
            Scale::Linear => self.to - self.from,
            Scale::Logarithmic => (self.to / self.from).ln(),
        }
    }

    /// The shortest view of this axis.
    fn least(&self) -> f64 {
        match self.scale {
            Scale::Linear => self.length() * LEAST_SHARE,
            Scale::Logarithmic => LEAST_RATIO.ln().min(self.length()),
        }
    }
}

/// The part of a chart that is in view.
///
/// Places are given in the *unit square*: (0, 0) is the lower left corner, (1, 1)
/// the upper right one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Viewport {
    /// Along the horizontal axis.
    pub x: Span,
    /// Along the vertical axis.
    pub y: Span,
    x_limit: Span,
    y_limit: Span,
}

impl Viewport {
    /// The whole chart.
    #[must_use]
    pub fn fit(chart: &Chart) -> Self {
        Self::of(&chart.x, &chart.y)
    }

    /// The whole of two axes.
    #[must_use]
    pub fn of(x: &Axis, y: &Axis) -> Self {
        let (x, y) = (Span::whole(x), Span::whole(y));
        Self { x, y, x_limit: x, y_limit: y }
    }

    /// This view on another chart: kept where the axes are still the same, the
    /// whole chart where they are not.
    #[must_use]
    pub fn carried_to(&self, chart: &Chart) -> Self {
        let whole = Self::fit(chart);
        Self {
            x: if whole.x_limit == self.x_limit { self.x } else { whole.x },
            y: if whole.y_limit == self.y_limit { self.y } else { whole.y },
            ..whole
        }
    }

    /// This view with another's part of the horizontal axis, so that two charts
    /// one above the other stay in line.
    #[must_use]
    pub fn in_line_with(&self, other: &Self) -> Self {
        Self { x: other.x, x_limit: other.x_limit, ..*self }
    }

    /// Whether all of the chart is in view.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.x == self.x_limit && self.y == self.y_limit
    }

    /// Everything in view again.
    #[must_use]
    pub fn whole(&self) -> Self {
        Self { x: self.x_limit, y: self.y_limit, ..*self }
    }

    /// Where a value lies in the unit square.
    #[must_use]
    pub fn to_unit(&self, point: Point) -> (f64, f64) {
        (self.x.unit(point.x), self.y.unit(point.y))
    }

    /// The value at a place of the unit square.
    #[must_use]
    pub fn from_unit(&self, x: f64, y: f64) -> Point {
        Point { x: self.x.value(x), y: self.y.value(y) }
    }

    /// Moved by shares of its own width and height: positive brings what lies
    /// to the right and above into view. It stays inside the axes.
    #[must_use]
    pub fn panned(&self, x: f64, y: f64) -> Self {
        Self { x: self.x.moved(x, &self.x_limit), y: self.y.moved(y, &self.y_limit), ..*self }
    }

    /// Zoomed in by `x_factor` and `y_factor` (below 1: out) about a place of
    /// the unit square, which keeps its value unless an end of an axis is met.
    #[must_use]
    pub fn zoomed(&self, about: (f64, f64), x_factor: f64, y_factor: f64) -> Self {
        Self {
            x: self.x.zoomed(about.0, x_factor, &self.x_limit),
            y: self.y.zoomed(about.1, y_factor, &self.y_limit),
            ..*self
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use testkit::near;

    use super::*;

    fn decibels(from: f64, to: f64) -> Axis {
        Axis { label: "Level".into(), unit: "dB".into(), scale: Scale::Linear, from, to }
    }

    fn audio() -> Viewport {
        Viewport::of(&Axis::audio_frequency(), &decibels(-30.0, 10.0))
    }

    /// Source: analytic; the geometric mean of 20 Hz and 20 kHz is 632.456 Hz.
    #[test]
    fn the_middle_of_a_log_axis_is_the_geometric_mean() {
        let view = audio();
        near("frequency", view.from_unit(0.5, 0.5).x, 632.455_532, 1e-6);
        near("level", view.from_unit(0.5, 0.5).y, -10.0, 1e-12);
        near("200 Hz is one decade of three", view.to_unit(Point { x: 200.0, y: 0.0 }).0, 1.0 / 3.0, 1e-12);
    }

    #[test]
    fn a_zoom_keeps_the_value_under_the_pointer() {
        let view = audio().zoomed((0.4, 0.6), 2.0, 2.0);
        let before = audio().from_unit(0.4, 0.6);
        let after = view.from_unit(0.4, 0.6);
        near("frequency", after.x, before.x, 1e-9);
        near("level", after.y, before.y, 1e-12);
        near("half as long", (view.x.to / view.x.from).ln(), 1000f64.ln() / 2.0, 1e-12);
        near("half as high", view.y.to - view.y.from, 20.0, 1e-12);
    }

    #[test]
    fn it_never_leaves_the_axes() {
        let view = audio().zoomed((0.5, 0.5), 4.0, 4.0);
        let left = view.panned(-10.0, -10.0);
        near("left end", left.x.from, 20.0, 1e-9);
        near("lower end", left.y.from, -30.0, 1e-9);
        near("same length", (left.x.to / left.x.from).ln(), (view.x.to / view.x.from).ln(), 1e-9);
        let out = view.zoomed((0.1, 0.9), 0.01, 0.01);
        assert!(out.is_whole(), "{out:?}");
        assert!(view.whole().is_whole());
    }

    #[test]
    fn a_zoom_ends_at_a_twelfth_of_an_octave() {
        let view = audio().zoomed((0.5, 0.5), 1e9, 1e9);
        near("ratio", view.x.to / view.x.from, 2f64.powf(1.0 / 12.0), 1e-9);
        near("height", view.y.to - view.y.from, 0.2, 1e-9);
    }

    #[test]
    fn it_survives_a_chart_whose_axes_stayed() {
        let view = audio().zoomed((0.5, 0.5), 2.0, 1.0);
        let chart = |y: Axis| Chart {
            title: String::new(),
            x: Axis::audio_frequency(),
            y,
            areas: vec![],
            lines: vec![],
            handles: vec![],
            marks: vec![],
        };
        assert_eq!(view.carried_to(&chart(decibels(-30.0, 10.0))), view);
        let other = view.carried_to(&chart(decibels(0.0, 90.0)));
        assert_eq!(other.x, view.x);
        assert_eq!((other.y.from, other.y.to), (0.0, 90.0));
    }

    #[test]
    fn an_impossible_axis_is_replaced() {
        let bad = Axis { from: -1.0, ..Axis::audio_frequency() };
        assert_eq!(Span::whole(&bad).from, 20.0);
        assert_eq!(Span::whole(&decibels(f64::NAN, 1.0)), Span { scale: Scale::Linear, from: 0.0, to: 1.0 });
    }

    proptest! {
        #[test]
        fn to_and_from_the_unit_square_are_inverse(
            x in 1e-1f64..1e5, y in -200f64..200.0, px in -0.4f64..0.4, zoom in 0.3f64..30.0,
        ) {
            let view = audio().zoomed((0.3, 0.7), zoom, zoom).panned(px, -px);
            let (ux, uy) = view.to_unit(Point { x, y });
            let back = view.from_unit(ux, uy);
            // 1e-9: a logarithm and a power of up to 1e3 units each lose a few ulp.
            prop_assert!((back.x / x - 1.0).abs() < 1e-9);
            prop_assert!((back.y - y).abs() < 1e-9);
        }

        #[test]
        fn every_pan_and_zoom_stays_inside(
            moves in proptest::collection::vec((-3f64..3.0, -3f64..3.0, 0.05f64..20.0), 0..12),
        ) {
            let mut view = audio();
            for (x, y, factor) in moves {
                view = view.panned(x, y).zoomed((x.abs() / 3.0, y.abs() / 3.0), factor, factor);
                prop_assert!(view.x.from >= 20.0 - 1e-6 && view.x.to <= 20_000.0 + 1e-3, "{view:?}");
                prop_assert!(view.y.from >= -30.0 - 1e-9 && view.y.to <= 10.0 + 1e-9, "{view:?}");
                prop_assert!(view.x.from < view.x.to && view.y.from < view.y.to);
            }
        }
    }
}
