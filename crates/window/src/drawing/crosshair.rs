//! The cross-hair: where the pointer is. What the curves read there stands in the legend.

use crate::painter::{Geometry, Renderer};
use chart::{Chart, Plot, Spot, Viewport};
use iced::widget::Action;
use iced::widget::canvas::{self, Event};
use iced::{Rectangle, mouse, window};

use super::layout::plot;
use crate::kept::Kept;
use crate::message::Message;
use crate::theme::Theme;

/// The cross-hair on a canvas of its own, above the chart.
pub(crate) struct Crosshair<'a> {
    pub(crate) chart: &'a Chart,
    pub(crate) view: Viewport,
}

/// What stays of a cross-hair from picture to picture.
#[derive(Default)]
pub(crate) struct Hairs {
    /// The place of the level axis that was told last.
    told: Option<f64>,
    /// The drawings, each no larger than its line, so that one that rests costs nothing.
    upright: Kept<(Rectangle, Theme)>,
    level: Kept<(Rectangle, Theme)>,
}

impl canvas::Program<Message, Theme, Renderer> for Crosshair<'_> {
    type State = Hairs;

    fn update(
        &self,
        hairs: &mut Hairs,
        event: &Event,
        bounds: Rectangle,
        cursor: mouse::Cursor,
    ) -> Option<Action<Message>> {
        match event {
            Event::Mouse(mouse::Event::CursorMoved { .. } | mouse::Event::CursorLeft)
            | Event::Window(window::Event::RedrawRequested(_)) => {
                // Under a pointer that rests the chart may have been zoomed, or be another one.
                let at = self.plot_spot(bounds, cursor).map(|(plot, at)| plot.value(at).x);
                if hairs.told != at {
                    hairs.told = at;
                    return Some(Action::publish(Message::Point(at)));
                }
                let moved = matches!(event, Event::Mouse(_)) && at.is_some();
                moved.then(Action::request_redraw)
            }
            _ => None,
        }
    }

    fn draw(
        &self,
        hairs: &Hairs,
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        cursor: mouse::Cursor,
    ) -> Vec<Geometry> {
        let Some((plot, at)) = self.plot_spot(bounds, cursor) else { return Vec::new() };
        let palette = theme.colors();
        let upright = Rectangle { x: at.x.round(), y: plot.top, width: 1.0, height: plot.height };
        let level = Rectangle { x: plot.left, y: at.y.round(), width: plot.width, height: 1.0 };
        let lines = [(&hairs.upright, upright, palette.muted), (&hairs.level, level, palette.grid_major)];
        let drawn = lines.map(|(kept, line, color)| {
            kept.draw_inside((line, *theme), renderer, line, |frame| {
                frame.fill_rectangle(line.position(), line.size(), color);
            })
        });
        drawn.into()
    }
}

impl Crosshair<'_> {
    fn plot_spot(&self, bounds: Rectangle, cursor: mouse::Cursor) -> Option<(Plot, Spot)> {
        let at = cursor.position_in(bounds)?;
        let plot = plot(self.chart, self.view, bounds.size());
        let spot = Spot { x: at.x, y: at.y };
        plot.contains(spot).then_some((plot, spot))
    }
}
