//! The cross-hair: what every curve reads where the pointer is.

use crate::painter::Renderer;
use crate::painter::{Frame, Geometry};
use chart::{Chart, Line, Plot, Role, Spot, Viewport, readout, with_unit};
use iced::widget::Action;
use iced::widget::canvas::{self, Event, Path};
use iced::{Point, Rectangle, Size, mouse};

use super::{Lettering, plot};
use crate::lettering::{BOLD, SMALL};
use crate::message::Message;
use crate::theme::Theme;

/// The height of a line in the box.
const LINE: f32 = 18.0;
/// Room around the text in the box.
const ROOM: f32 = 10.0;
/// The width of the box.
const WIDTH: f32 = 196.0;

/// The cross-hair on a canvas of its own, above the chart.
pub(crate) struct Crosshair<'a> {
    pub(crate) chart: &'a Chart,
    pub(crate) view: Viewport,
    pub(crate) live: &'a [Line],
    pub(crate) residue: Option<&'a Line>,
}

impl canvas::Program<Message, Theme, Renderer> for Crosshair<'_> {
    /// Whether the cross-hair was shown last.
    type State = bool;

    fn update(
        &self,
        shown: &mut bool,
        event: &Event,
        bounds: Rectangle,
        cursor: mouse::Cursor,
    ) -> Option<Action<Message>> {
        match event {
            Event::Mouse(mouse::Event::CursorMoved { .. }) => {
                let inside = self.plot_spot(bounds, cursor).is_some();
                let changed = inside || *shown;
                *shown = inside;
                changed.then(Action::request_redraw)
            }
            Event::Mouse(mouse::Event::CursorLeft) => std::mem::take(shown).then(Action::request_redraw),
            _ => None,
        }
    }

    fn draw(
        &self,
        _shown: &bool,
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        cursor: mouse::Cursor,
    ) -> Vec<Geometry> {
        let Some((plot, at)) = self.plot_spot(bounds, cursor) else { return Vec::new() };
        let mut frame = Frame::new(renderer, bounds.size());
        let palette = theme.colors();
        let upright = Rectangle { x: at.x.round(), y: plot.top, width: 1.0, height: plot.height };
        let level = Rectangle { x: plot.left, y: at.y.round(), width: plot.width, height: 1.0 };
        for (line, color) in [(upright, palette.muted), (level, palette.grid_major)] {
            frame.fill_rectangle(line.position(), line.size(), color);
        }
        self.draw_box(&mut frame, *theme, &plot, at);
        vec![frame.into_geometry()]
    }
}

impl Crosshair<'_> {
    fn plot_spot(&self, bounds: Rectangle, cursor: mouse::Cursor) -> Option<(Plot, Spot)> {
        let at = cursor.position_in(bounds)?;
        let plot = plot(self.chart, self.view, bounds.size());
        let spot = Spot { x: at.x, y: at.y };
        plot.contains(spot).then_some((plot, spot))
    }

    fn draw_box(&self, frame: &mut Frame, theme: Theme, plot: &Plot, at: Spot) {
        let palette = theme.colors();
        let value = plot.value(at);
        let scale = plot.view.x.scale;
        let lines = self.chart.lines.iter().chain(self.live);
        let mut samples: Vec<(String, Role, String)> = readout(lines, value.x, scale)
            .into_iter()
            .map(|sample| (sample.label, sample.role, with_unit(sample.value, &self.chart.y.unit)))
            .collect();
        if let Some(left) = self.residue.and_then(|line| chart::value_at(line, value.x, scale)) {
            samples.push(("Off target".to_owned(), Role::Difference, with_unit(left, "dB")));
        }
        let height = 2.0 * ROOM + LINE * (samples.len() + 1) as f32;
        let x = if at.x + 16.0 + WIDTH < plot.right() { at.x + 16.0 } else { at.x - 16.0 - WIDTH };
        let y =
            (at.y - height / 2.0).clamp(plot.top + 2.0, (plot.bottom() - height - 2.0).max(plot.top + 2.0));
        let sheet = |inset: f32| {
            let size = Size::new(WIDTH - 2.0 * inset, height - 2.0 * inset);
            Path::rounded_rectangle(Point::new(x + inset, y + inset), size, (8.0 - inset).into())
        };
        frame.fill(&sheet(0.0), palette.outline);
        frame.fill(&sheet(1.0), palette.raised);

        let head = Lettering { font: BOLD, ..Lettering::small(palette.text) };
        let first = y + ROOM + LINE / 2.0;
        head.write(frame, with_unit(value.x, &self.chart.x.unit), x + ROOM, first);
        let pointer = Lettering::small(palette.muted);
        pointer.ending().write(frame, with_unit(value.y, &self.chart.y.unit), x + WIDTH - ROOM, first);
        for (row, (label, role, reading)) in samples.into_iter().enumerate() {
            let y = first + LINE * (row + 1) as f32;
            let swatch = Path::circle(Point::new(x + ROOM + 4.0, y), 4.0);
            frame.fill(&swatch, theme.curve(role));
            let name = Lettering::small(palette.text);
            let room = ((WIDTH - 100.0) / (SMALL * super::LETTER)) as usize;
            name.write(frame, chart::shorten(&label, room), x + ROOM + 14.0, y);
            let number = Lettering::small(palette.text);
            number.ending().write(frame, reading, x + WIDTH - ROOM, y);
        }
    }
}
