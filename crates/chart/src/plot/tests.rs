//! Places of values and back, on a plot that other tests use too.

use testkit::near;

use super::*;
use crate::{Axis, Scale};

/// 300 × 200 pixels at (10, 20): 20 Hz–20 kHz, −10…10 dB.
pub(crate) fn plot() -> Plot {
    let y = Axis { label: "Level".into(), unit: "dB".into(), scale: Scale::Linear, from: -10.0, to: 10.0 };
    Plot {
        view: Viewport::of(&Axis::audio_frequency(), &y),
        left: 10.0,
        top: 20.0,
        width: 300.0,
        height: 200.0,
    }
}

#[test]
fn corners_and_decades_fall_on_their_pixels() {
    let plot = plot();
    for (x, y, px, py) in
        [(20.0, -10.0, 10.0, 220.0), (200.0, 0.0, 110.0, 120.0), (20_000.0, 10.0, 310.0, 20.0)]
    {
        let spot = plot.spot(Point { x, y });
        near("x", spot.x.into(), px, 1e-4);
        near("y", spot.y.into(), py, 1e-4);
        let value = plot.value(spot);
        near("frequency", value.x / x, 1.0, 1e-5);
        near("level", value.y, y, 1e-5);
    }
}

#[test]
fn what_is_grabbed_stays_under_the_hand() {
    let mut plot = plot();
    plot.view = plot.view.zoomed((0.5, 0.5), 4.0, 4.0);
    let grabbed = plot.value(Spot { x: 100.0, y: 100.0 });
    plot.view = plot.dragged(13.0, -7.0);
    let spot = plot.spot(grabbed);
    near("x", spot.x.into(), 113.0, 1e-3);
    near("y", spot.y.into(), 93.0, 1e-3);
}

#[test]
fn values_that_cannot_be_drawn_give_finite_places() {
    let plot = plot();
    for value in [f64::INFINITY, f64::NEG_INFINITY, f64::NAN, 1e300] {
        assert!(plot.spot(Point { x: value.abs(), y: value }).y.is_finite());
    }
    assert!(plot.x(0.0).is_finite());
}
