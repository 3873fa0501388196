//! The ribbon: what is left between response and target, above and below.

use crate::painter::Renderer;
use crate::painter::{Frame, Geometry};
use chart::{Chart, Line, Plot, Viewport, ribbon, ribbon_axis, ticks};
use iced::widget::canvas::{self, Path, Stroke};
use iced::{Point, Rectangle, Size, mouse};

use super::layout::{LEFT, right};
use super::lettering::Lettering;
use super::stroke::{outline, point};
use crate::chart_state::ChartState;
use crate::message::Message;
use crate::theme::Theme;

/// The distance between the strokes above zero.
const STROKES: f32 = 5.0;

/// The ribbon on a canvas, under the chart and along the same axis.
pub(crate) struct Residue<'a> {
    pub(crate) chart: &'a Chart,
    pub(crate) view: Viewport,
    pub(crate) line: &'a Line,
    pub(crate) state: &'a ChartState,
}

impl canvas::Program<Message, Theme, Renderer> for Residue<'_> {
    type State = ();

    fn draw(
        &self,
        (): &(),
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        _cursor: mouse::Cursor,
    ) -> Vec<Geometry> {
        let whole = Viewport::of(&self.chart.x, &ribbon_axis(self.line));
        let plot = Plot {
            view: whole.in_line_with(&self.view),
            left: LEFT,
            top: 4.0,
            width: (bounds.width - LEFT - right(self.chart)).max(1.0),
            height: (bounds.height - 8.0).max(1.0),
        };
        let scale = self.state.ribbon_scale.draw(renderer, bounds.size(), |frame| {
            draw_scale(frame, *theme, &plot);
        });
        let inside = Rectangle { x: plot.left, y: plot.top, width: plot.width, height: plot.height };
        let sides = self.state.ribbon.draw_with_bounds(renderer, inside, |frame| {
            draw_sides(frame, *theme, self.line, &plot);
        });
        vec![scale, sides]
    }
}

fn draw_scale(frame: &mut Frame, theme: Theme, plot: &Plot) {
    let palette = theme.colors();
    let text = Lettering::small(palette.muted);
    let corner = Point::new(plot.left, plot.top);
    frame.fill_rectangle(corner, Size::new(plot.width, plot.height), palette.sunken);
    for tick in ticks(&plot.view.x, (plot.width / 46.0) as usize) {
        if tick.major {
            let x = plot.x(tick.value).round();
            frame.fill_rectangle(Point::new(x, plot.top), Size::new(1.0, plot.height), palette.grid_major);
        }
    }
    let zero = plot.y(0.0).round();
    let (top, bottom) = (plot.view.y.to, plot.view.y.from);
    text.ending().write(frame, format!("+{top:.0}"), plot.left - 8.0, plot.top + 6.0);
    text.ending().write(frame, "0", plot.left - 8.0, zero);
    text.ending().write(frame, chart::number(bottom), plot.left - 8.0, plot.bottom() - 6.0);
    legend(frame, theme, plot);
}

fn draw_sides(frame: &mut Frame, theme: Theme, line: &Line, plot: &Plot) {
    let palette = theme.colors();
    for side in ribbon(line, plot) {
        let color = if side.above { palette.above } else { palette.below };
        let strength = if side.above { 0.22 } else { 0.42 };
        frame.fill(&outline(&side.outline, true), color.scale_alpha(strength));
        if side.above {
            for (foot, head) in side.strokes(STROKES) {
                let (x, top) = (foot.x.round(), head.y.min(foot.y));
                frame.fill_rectangle(Point::new(x, top), Size::new(1.0, (foot.y - head.y).abs()), color);
            }
        }
        let edge: Vec<_> = side.outline[1..side.outline.len() - 1].to_vec();
        let stroke = Stroke::default().with_color(color).with_width(theme.stroke() * 0.8);
        frame.stroke(&outline(&edge, false), stroke);
    }
    let zero = Point::new(plot.left, plot.y(0.0).round());
    frame.fill_rectangle(zero, Size::new(plot.width, 1.0), palette.muted);
}

fn legend(frame: &mut Frame, theme: Theme, plot: &Plot) {
    let palette = theme.colors();
    let x = plot.right() + 8.0;
    for (above, name, y) in [(true, "above", plot.top + 10.0), (false, "below", plot.bottom() - 10.0)] {
        let color = if above { palette.above } else { palette.below };
        let swatch = Size::new(11.0, 11.0);
        let corner = Point::new(x, y - 5.5);
        frame.fill_rectangle(corner, swatch, color.scale_alpha(if above { 0.22 } else { 0.42 }));
        if above {
            for step in [1.0, 5.0, 9.0] {
                frame.fill_rectangle(Point::new(x + step, y - 5.5), Size::new(1.0, 11.0), color);
            }
        } else {
            let edge = Path::line(
                point(chart::Spot { x, y: y + 5.5 }),
                point(chart::Spot { x: x + 11.0, y: y + 5.5 }),
            );
            frame.stroke(&edge, Stroke::default().with_color(color).with_width(2.0));
        }
        Lettering::small(palette.muted).write(frame, name, x + 16.0, y);
    }
}
