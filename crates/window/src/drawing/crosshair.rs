//! The cross-hair: what every curve reads where the pointer is.

use crate::painter::Renderer;
use crate::painter::{Frame, Geometry};
use chart::{Chart, Line, Plot, Role, Spot, Viewport, readout, with_unit};
use iced::widget::Action;
use iced::widget::canvas::{self, Event, Path};
use iced::{Point, Rectangle, mouse};

use super::{LETTER, Lettering, STRIP_ROW, TOP, plot, strip_rows};
use crate::lettering::{BOLD, SMALL};
use crate::message::Message;
use crate::theme::Theme;

/// The width of one reading in the strip.
const CELL: f32 = 138.0;

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
        self.draw_readings(&mut frame, *theme, &plot, at, bounds.width);
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

    /// What the curves read, in the strip above the plot.
    fn draw_readings(&self, frame: &mut Frame, theme: Theme, plot: &Plot, at: Spot, width: f32) {
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
        let columns = ((width - plot.left) / CELL).floor().max(2.0) as usize;
        let place = |cell: usize| {
            let x = plot.left + CELL * (cell % columns) as f32;
            (x, TOP + STRIP_ROW * ((cell / columns) as f32 + 0.5))
        };
        let (x, y) = place(0);
        let head = Lettering { font: BOLD, ..Lettering::small(palette.text) };
        head.write(frame, with_unit(value.x, &self.chart.x.unit), x, y);
        // The first cell is the pointer's own; the last says what did not fit.
        let room = columns * strip_rows(self.chart) - 1;
        let shown = if samples.len() > room { room.saturating_sub(1) } else { samples.len() };
        for (cell, (label, role, reading)) in samples.iter().take(shown).enumerate() {
            let (x, y) = place(cell + 1);
            frame.fill(&Path::circle(Point::new(x + 4.0, y), 4.0), theme.curve(*role));
            let letters = ((CELL - 28.0) / (SMALL * LETTER)) as usize;
            let letters = letters.saturating_sub(reading.chars().count());
            let name = Lettering::small(palette.muted);
            name.write(frame, chart::shorten(label, letters), x + 12.0, y);
            Lettering::small(palette.text).ending().write(frame, reading.clone(), x + CELL - 14.0, y);
        }
        if shown < samples.len() {
            let (x, y) = place(shown + 1);
            let more = format!("and {} more", samples.len() - shown);
            Lettering::small(palette.muted).write(frame, more, x, y);
        }
    }
}
