//! Strokes: places as paths, and the lines of a chart.

use chart::{Line, Plot, Spot};
use iced::Point;
use iced::widget::canvas::{LineDash, LineJoin, Path, Stroke};

use crate::painter::Frame;
use crate::theme::Theme;

/// Solid strokes are cut into pieces of so many points, which the software
/// renderer draws faster than one long path.
const PIECE: usize = 64;

pub(super) fn point(spot: Spot) -> Point {
    Point::new(spot.x, spot.y)
}

pub(super) fn outline(spots: &[Spot], closed: bool) -> Path {
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
pub(super) fn draw_line(frame: &mut Frame, theme: Theme, line: &Line, plot: &Plot, width: f32) {
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
