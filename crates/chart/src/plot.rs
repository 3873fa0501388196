//! A view laid onto a rectangle of pixels.

use crate::{Point, Viewport};

/// A place in pixels, to the right and down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// To the right.
    pub x: f32,
    /// Down.
    pub y: f32,
}

/// A view laid onto a rectangle of pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plot {
    /// What is in view.
    pub view: Viewport,
    /// The left edge.
    pub left: f32,
    /// The upper edge.
    pub top: f32,
    /// The width.
    pub width: f32,
    /// The height.
    pub height: f32,
}

impl Plot {
    /// The right edge.
    #[must_use]
    pub fn right(&self) -> f32 {
        self.left + self.width
    }

    /// The lower edge.
    #[must_use]
    pub fn bottom(&self) -> f32 {
        self.top + self.height
    }

    /// Whether a place lies inside.
    #[must_use]
    pub fn contains(&self, spot: Spot) -> bool {
        (self.left..=self.right()).contains(&spot.x) && (self.top..=self.bottom()).contains(&spot.y)
    }

    /// Where a value is drawn. Values far outside land one height outside, so
    /// that no drawing library meets a number it cannot hold.
    #[must_use]
    pub fn spot(&self, point: Point) -> Spot {
        Spot { x: self.x(point.x), y: self.y(point.y) }
    }

    /// Where a value of the horizontal axis is drawn.
    #[must_use]
    pub fn x(&self, value: f64) -> f32 {
        self.left + (self.view.x.unit(value).clamp(-1.0, 2.0) * f64::from(self.width)) as f32
    }

    /// Where a value of the vertical axis is drawn.
    #[must_use]
    pub fn y(&self, value: f64) -> f32 {
        let unit = self.view.y.unit(value);
        let unit = if unit.is_nan() { 0.0 } else { unit.clamp(-1.0, 2.0) };
        self.bottom() - (unit * f64::from(self.height)) as f32
    }

    /// The value at a place.
    #[must_use]
    pub fn value(&self, spot: Spot) -> Point {
        let (x, y) = self.unit(spot);
        self.view.from_unit(x, y)
    }

    /// The view after the picture was dragged by so many pixels.
    #[must_use]
    pub fn dragged(&self, right: f32, down: f32) -> Viewport {
        self.view.panned(-f64::from(right / self.width), f64::from(down / self.height))
    }

    /// The view zoomed in about a place.
    #[must_use]
    pub fn zoomed(&self, about: Spot, x_factor: f64, y_factor: f64) -> Viewport {
        self.view.zoomed(self.unit(about), x_factor, y_factor)
    }

    /// A place as shares of the rectangle, from its lower left corner.
    fn unit(&self, spot: Spot) -> (f64, f64) {
        (
            f64::from(spot.x - self.left) / f64::from(self.width),
            f64::from(self.bottom() - spot.y) / f64::from(self.height),
        )
    }
}

#[cfg(test)]
pub(crate) mod tests;
