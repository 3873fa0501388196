//! Where the plot of a chart lies on a canvas.

use chart::{Chart, Line, Plot, Viewport};
use iced::Size;

use crate::lettering::SMALL;

/// Room left of the plot for numbers.
pub(super) const LEFT: f32 = 46.0;
/// Room above the plot for the name of the upright axis.
const TOP: f32 = 24.0;
/// Room below it for numbers, and for the name of the level axis.
const BOTTOM: f32 = 42.0;
/// Names at the right are cut at this length.
pub(super) const NAME_LENGTH: usize = 21;
/// An average letter of the typeface is this share of its size wide.
const LETTER: f32 = 0.57;

/// The length of the longest name at the right of the chart, in characters. Where it is the same, the plot
/// lies at the same place.
pub(crate) fn longest_name(chart: &Chart) -> usize {
    let length = |line: &Line| line.label.chars().count().min(NAME_LENGTH);
    chart.lines.iter().filter(|line| !line.is_bar()).map(length).max().unwrap_or(0).max(3)
}

/// Room right of the plot for the names of its lines.
pub(super) fn right(chart: &Chart) -> f32 {
    longest_name(chart) as f32 * SMALL * LETTER + 20.0
}

/// The plot of a chart on a canvas.
pub(super) fn plot(chart: &Chart, view: Viewport, size: Size) -> Plot {
    Plot {
        view,
        left: LEFT,
        top: TOP,
        width: (size.width - LEFT - right(chart)).max(1.0),
        height: (size.height - TOP - BOTTOM).max(1.0),
    }
}
