//! The strip above the chart: where the pointer is, what every curve reads there, and a switch for each.
//!
//! It keeps its place and its widths, so that it covers no curve and no number jumps.

use chart::{Dash, Line, Role, readout, with_unit};
use iced::widget::canvas::{self, Canvas, Path};
use iced::widget::{container, row};
use iced::{Center, Color, Fill, Point, Rectangle, Size, mouse};
use view::Snapshot;

use crate::app::App;
use crate::arrows::sideways;
use crate::drawing::Lettering;
use crate::hint::hint;
use crate::kept::Kept;
use crate::lettering::{BOLD, S, XS, small};
use crate::message::{Element, Message};
use crate::painter::{Frame, Geometry, Renderer};
use crate::press::{Look, Press};
use crate::theme::{Theme, plain};

/// The height of one entry.
const ROW: f32 = 22.0;
/// So many letters of a name are shown at most, and room is kept for so many.
const NAME: std::ops::RangeInclusive<usize> = 8..=28;
/// So many letters a reading has, its sign, number and unit.
const READING: usize = 8;
/// The width of a letter, on average.
const LETTER: f32 = 7.2;

/// One curve or area of the chart.
struct Entry<'a> {
    name: &'a str,
    role: Role,
    dash: Dash,
}

/// The strip.
pub(crate) fn view<'a>(app: &'a App, snapshot: &'a Snapshot) -> Element<'a> {
    let chart = &*snapshot.chart;
    let scale = app.chart.view(app.chart.chart(snapshot)).x.scale;
    let lines = || chart.lines.iter().chain(&app.live.lines);
    let readings = app.chart.at.map(|at| readout(lines(), at, scale)).unwrap_or_default();
    let reading = |name: &str, role: Role| {
        let sample = readings.iter().find(|sample| sample.label == name && sample.role == role);
        sample.map_or_else(String::new, |sample| with_unit(sample.value, &chart.y.unit))
    };
    let entries = entries(lines(), &chart.areas);
    // All are as wide as the longest name asks for, with its reading: nothing moves with the pointer.
    let longest = entries.iter().map(|entry| entry.name.chars().count()).max().unwrap_or(0);
    let letters = longest.clamp(*NAME.start(), *NAME.end()) + READING;
    let width = LETTER * letters as f32 + MARK + 4.0 * XS + S;
    let mut cells = Vec::new();
    for entry in &entries {
        let reading = reading(entry.name, entry.role);
        cells.push(switch(entry, reading, app.chart.hides(entry.name), width));
    }
    // What comes and goes with the pointer stands behind what stays, and has its place before it comes.
    let at = app.chart.at.map_or_else(String::new, |at| chart.x.reading(at));
    cells.push(cell(small(at).font(BOLD).style(plain).into(), width));
    // Bars have no names of their own; the one under the pointer is read.
    if let Some(bar) = readings.iter().find(|one| matches!(one.role, Role::Clean | Role::Unclean)) {
        let words = format!("{}  {}", with_unit(bar.value, &chart.y.unit), bar.label);
        cells.push(small(words).style(plain).into());
    }
    if let Some(ribbon) = app.ribbon() {
        let left = app.chart.at.and_then(|at| chart::value_at(&ribbon.line, at, scale));
        let words = left.map_or_else(String::new, |left| format!("off target {}", with_unit(left, "dB")));
        cells.push(cell(small(words).into(), width));
    }
    container(row(cells).wrap()).width(Fill).into()
}

/// Every curve and area with a name, once each.
fn entries<'a>(lines: impl Iterator<Item = &'a Line>, areas: &'a [chart::Area]) -> Vec<Entry<'a>> {
    let mut found: Vec<Entry<'a>> = Vec::new();
    let curves = lines.filter(|line| !line.is_bar());
    let curves = curves.map(|line| Entry { name: &line.label, role: line.role, dash: line.dash });
    let areas = areas.iter().map(|area| Entry { name: &area.label, role: area.role, dash: Dash::Solid });
    for entry in curves.chain(areas) {
        if !entry.name.is_empty() && found.iter().all(|known| known.name != entry.name) {
            found.push(entry);
        }
    }
    found
}

fn cell(content: Element<'_>, width: f32) -> Element<'_> {
    container(content).width(width).height(ROW).padding([0.0, XS]).align_y(Center).into()
}

fn switch<'a>(entry: &Entry<'a>, reading: String, hidden: bool, width: f32) -> Element<'a> {
    let shown = chart::shorten(entry.name, *NAME.end());
    let words = if hidden { "Show" } else { "Hide" };
    let words = if *shown == *entry.name { words.to_owned() } else { format!("{words} {}", entry.name) };
    let look = Looks { role: entry.role, dash: entry.dash, hidden, name: shown, reading };
    let name = entry.name.to_owned();
    let press = Press::new(Canvas::new(look).width(width - S).height(ROW), Look::Quiet)
        .id(format!("curve-{name}"))
        .padding(0)
        .on_press(Message::SwitchCurve(name))
        .on_key(sideways);
    container(hint(press, words)).width(width).into()
}

/// An entry as it looks: a piece of the curve itself, hollow while it is hidden, its name and what it reads.
#[derive(Debug, Clone, PartialEq)]
struct Looks {
    role: Role,
    dash: Dash,
    hidden: bool,
    name: String,
    reading: String,
}

impl canvas::Program<Message, Theme, Renderer> for Looks {
    type State = Kept<(Looks, Theme)>;

    fn draw(
        &self,
        kept: &Self::State,
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        _cursor: mouse::Cursor,
    ) -> Vec<Geometry> {
        vec![kept.draw((self.clone(), *theme), renderer, bounds.size(), |frame| {
            let palette = theme.colors();
            let middle = (bounds.height / 2.0).round();
            if self.hidden {
                frame.fill(&Path::circle(Point::new(MARK / 2.0 + XS, middle), 4.5), palette.outline);
                frame.fill(&Path::circle(Point::new(MARK / 2.0 + XS, middle), 3.0), palette.panel);
            } else {
                self.draw_mark(frame, theme.curve(self.role), middle);
            }
            let ink = if self.hidden { palette.muted } else { palette.text };
            let plain = Lettering::small(ink);
            plain.write(frame, self.name.clone(), MARK + 2.0 * XS, middle);
            let bold = plain.bold().ending();
            bold.write(frame, self.reading.clone(), bounds.width - XS, middle);
        })]
    }
}

/// The length of the piece of a curve.
const MARK: f32 = 18.0;

impl Looks {
    fn draw_mark(&self, frame: &mut Frame, color: Color, middle: f32) {
        let pieces: &[(f32, f32)] = match self.dash {
            Dash::Solid => &[(0.0, 18.0)],
            Dash::Dashed => &[(0.0, 7.0), (11.0, 7.0)],
            Dash::Dotted => &[(0.0, 3.0), (5.0, 3.0), (10.0, 3.0), (15.0, 3.0)],
            Dash::DashDot => &[(0.0, 8.0), (11.0, 2.0), (16.0, 2.0)],
        };
        for (from, length) in pieces {
            frame.fill_rectangle(Point::new(XS + from, middle - 1.0), Size::new(*length, 3.0), color);
        }
    }
}
