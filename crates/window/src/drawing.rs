//! Drawing on canvases: where the plot lies, and text on it.

mod crosshair;
mod curves;
mod fingerprint;
mod residue;
mod sheet;

pub(crate) use crosshair::Crosshair;
pub(crate) use curves::Curves;
pub(crate) use fingerprint::Fingerprint;
pub(crate) use residue::Residue;
pub(crate) use sheet::Sheet;

use crate::painter::Frame;
use chart::{Chart, Line, Plot, Spot, Viewport};
use iced::alignment::Vertical;
use iced::widget::canvas::{LineDash, LineJoin, Path, Stroke, Text};
use iced::widget::text::Alignment;
use iced::{Color, Font, Pixels, Point, Size};

use crate::lettering::{PLAIN, SMALL};
use crate::theme::Theme;

/// Room left of the plot for numbers.
const LEFT: f32 = 46.0;
/// Room above the plot for the name of the upright axis.
const TOP: f32 = 24.0;
/// Room below it for numbers, and for the name of the level axis.
const BOTTOM: f32 = 42.0;
/// Names at the right are cut at this length.
const NAME_LENGTH: usize = 21;
/// An average letter of the typeface is this share of its size wide.
const LETTER: f32 = 0.57;
/// Solid strokes are cut into pieces of so many points, which the software
/// renderer draws faster than one long path.
const PIECE: usize = 64;

/// The length of the longest name at the right of the chart, in characters. Where it is the same, the plot
/// lies at the same place.
pub(crate) fn longest_name(chart: &Chart) -> usize {
    let length = |line: &Line| line.label.chars().count().min(NAME_LENGTH);
    chart.lines.iter().filter(|line| !line.is_bar()).map(length).max().unwrap_or(0).max(3)
}

/// Room right of the plot for the names of its lines.
fn right(chart: &Chart) -> f32 {
    longest_name(chart) as f32 * SMALL * LETTER + 20.0
}

/// The plot of a chart on a canvas.
fn plot(chart: &Chart, view: Viewport, size: Size) -> Plot {
    Plot {
        view,
        left: LEFT,
        top: TOP,
        width: (size.width - LEFT - right(chart)).max(1.0),
        height: (size.height - TOP - BOTTOM).max(1.0),
    }
}

fn point(spot: Spot) -> Point {
    Point::new(spot.x, spot.y)
}

fn outline(spots: &[Spot], closed: bool) -> Path {
    Path::new(|path| {
        for (index, &spot) in spots.iter().enumerate() {
            if index == 0 {
                path.move_to(point(spot));
            } else {
                path.line_to(point(spot));
            }
        }
        if closed {
            path.close();
        }
    })
}

/// Draws a line of a chart, faded where it is unsure.
fn draw_line(frame: &mut Frame, theme: Theme, line: &Line, plot: &Plot, width: f32) {
    let color = theme.curve(line.role);
    let segments: Vec<f32> = line.dash.pattern().iter().map(|length| length * width).collect();
    for trace in chart::traces(line, plot) {
        let stroke = Stroke {
            line_dash: LineDash { segments: &segments, offset: 0 },
            ..Stroke::default()
                .with_color(color.scale_alpha(0.25 + 0.75 * trace.certainty))
                .with_width(width)
                .with_line_join(LineJoin::Round)
        };
        if segments.is_empty() && trace.certainty >= 1.0 {
            let mut start = 0;
            while start + 1 < trace.spots.len() {
                let end = (start + PIECE).min(trace.spots.len());
                frame.stroke(&outline(&trace.spots[start..end], false), stroke);
                start = end - 1;
            }
        } else {
            // Pieces would break the rhythm of dashes, and show as dots where
            // translucent ends lie on one another.
            frame.stroke(&outline(&trace.spots, false), stroke);
        }
    }
}

/// How a piece of text lies at its place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lettering {
    size: f32,
    font: Font,
    color: Color,
    align_x: Alignment,
    align_y: Vertical,
}

impl Lettering {
    pub(crate) fn small(color: Color) -> Self {
        Self { size: SMALL, font: PLAIN, color, align_x: Alignment::Left, align_y: Vertical::Center }
    }

    fn centred(self) -> Self {
        Self { align_x: Alignment::Center, ..self }
    }

    pub(crate) fn bold(self) -> Self {
        Self { font: crate::lettering::BOLD, ..self }
    }

    pub(crate) fn ending(self) -> Self {
        Self { align_x: Alignment::Right, ..self }
    }

    pub(crate) fn write(self, frame: &mut Frame, content: impl Into<String>, x: f32, y: f32) {
        frame.fill_text(Text {
            content: content.into(),
            position: Point::new(x, y),
            color: self.color,
            size: Pixels(self.size),
            font: self.font,
            align_x: self.align_x,
            align_y: self.align_y,
            ..Text::default()
        });
    }
}
