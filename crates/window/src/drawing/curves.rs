//! The chart: grid, areas, curves, handles; dragging and zooming.

use std::time::{Duration, Instant};

use crate::painter::Renderer;
use crate::painter::{Frame, Geometry};
use chart::{
    Chart, Handle, HandleId, Line, Plot, Spot, Viewport, area_outline, nearest_handle, place, shorten, ticks,
    uncovered,
};
use iced::widget::Action;
use iced::widget::canvas::{self, Event, Path, Stroke};
use iced::{Color, Point, Rectangle, Size, keyboard, mouse, window};
use view::Command;

use super::layout::{NAME_LENGTH, plot};
use super::lettering::Lettering;
use super::stroke::{draw_line, outline, point};
use crate::chart_state::ChartState;
use crate::kept::Kept;
use crate::lettering::BOLD;
use crate::message::Message;
use crate::theme::Theme;

/// How far from a handle's middle the pointer still takes it.
const REACH: f32 = 16.0;
/// Two presses within this time and distance show the whole chart.
const DOUBLE: Duration = Duration::from_millis(400);
/// How far apart they may be, in pixels.
const STILL: f32 = 6.0;
/// How far a handle may reach over the edge beside it.
const OVERHANG: f32 = 18.0;
/// While a handle is dragged the session hears of it at most this often.
const DRAG_EVERY: Duration = Duration::from_millis(33);
/// One notch of the wheel.
const NOTCH: f64 = 1.25;
/// The least distance between two names at the right.
const NAME_GAP: f32 = 16.0;

/// The chart on a canvas.
pub(crate) struct Curves<'a> {
    pub(crate) chart: &'a Chart,
    pub(crate) view: Viewport,
    pub(crate) live: &'a [Line],
    pub(crate) state: &'a ChartState,
}

/// What the pointer is doing.
#[derive(Default)]
pub(crate) struct Hand {
    grip: Option<Grip>,
    last_press: Option<(Instant, Point)>,
    shift: bool,
    handles: Kept<HandlesKey>,
}

/// What the drawing of the handles depends on.
type HandlesKey = (Vec<(Handle, Spot)>, Viewport, Theme);

#[derive(Debug)]
enum Grip {
    Pan { view: Viewport, from: Point },
    Handle { id: HandleId, at: Spot, told: Instant, told_at: Spot, moved: bool },
}

impl canvas::Program<Message, Theme, Renderer> for Curves<'_> {
    type State = Hand;

    fn update(
        &self,
        hand: &mut Hand,
        event: &Event,
        bounds: Rectangle,
        cursor: mouse::Cursor,
    ) -> Option<Action<Message>> {
        let plot = plot(self.chart, self.view, bounds.size());
        match event {
            Event::Keyboard(keyboard::Event::ModifiersChanged(modifiers)) => {
                hand.shift = modifiers.shift();
                None
            }
            Event::Mouse(mouse::Event::ButtonPressed(mouse::Button::Left)) => {
                let at = cursor.position_in(bounds)?;
                plot.contains(spot(at)).then(|| self.grip(hand, &plot, at)).flatten()
            }
            Event::Mouse(mouse::Event::CursorMoved { .. }) => {
                let at = cursor.land().position_from(bounds.position())?;
                self.drag(hand, &plot, at)
            }
            Event::Mouse(mouse::Event::ButtonReleased(mouse::Button::Left)) => self.let_go(hand, &plot),
            Event::Window(window::Event::RedrawRequested(now)) => Self::tell(hand, &plot, *now),
            Event::Mouse(mouse::Event::WheelScrolled { delta }) => {
                let at = cursor.position_in(bounds)?;
                plot.contains(spot(at)).then(|| {
                    let notches = match *delta {
                        mouse::ScrollDelta::Lines { x, y } => {
                            if y == 0.0 {
                                x
                            } else {
                                y
                            }
                        }
                        mouse::ScrollDelta::Pixels { y, .. } => y / 60.0,
                    };
                    let factor = NOTCH.powf(notches.clamp(-6.0, 6.0).into());
                    let (x, y) = if hand.shift { (1.0, factor) } else { (factor, 1.0) };
                    Action::publish(Message::Look(plot.zoomed(spot(at), x, y))).and_capture()
                })
            }
            _ => None,
        }
    }

    fn draw(
        &self,
        hand: &Hand,
        renderer: &Renderer,
        theme: &Theme,
        bounds: Rectangle,
        _cursor: mouse::Cursor,
    ) -> Vec<Geometry> {
        let plot = plot(self.chart, self.view, bounds.size());
        // A little more than the plot, so that no stroke is cut along its edge.
        let inside = Rectangle { x: plot.left, y: plot.top, width: plot.width, height: plot.height }
            .expand(theme.stroke());
        let grid = self.state.grid.draw(renderer, bounds.size(), |frame| {
            draw_grid(frame, *theme, self.chart, &plot);
        });
        let names = self.state.names.draw(renderer, bounds.size(), |frame| {
            draw_names(frame, *theme, &self.chart.lines, &plot);
            draw_marks(frame, *theme, self.chart, &plot);
        });
        let curves = self.state.curves.draw_with_bounds(renderer, inside, |frame| {
            self.draw_curves(frame, *theme, &plot);
        });
        let live = self.state.live.draw_with_bounds(renderer, inside, |frame| {
            for line in self.live.iter().filter(|line| !self.state.hides(&line.label)) {
                draw_curve(frame, *theme, line, &plot);
            }
        });
        let places: Vec<(Handle, Spot)> = self
            .chart
            .handles
            .iter()
            .map(|handle| (handle.clone(), self.place_of(hand, handle, &plot)))
            .collect();
        let key = (places.clone(), self.view, *theme);
        let beside = Rectangle { x: inside.x - OVERHANG, width: inside.width + 2.0 * OVERHANG, ..inside };
        let handles = hand.handles.draw_inside(key, renderer, beside, |frame| {
            // The chosen one lies on top.
            let mut order: Vec<&(Handle, Spot)> = places.iter().collect();
            order.sort_by_key(|(handle, _)| handle.selected);
            let middles: Vec<Spot> = order.iter().map(|(_, at)| *at).collect();
            for ((handle, at), shown) in order.into_iter().zip(uncovered(&middles, HANDLE_RADIUS)) {
                draw_handle(frame, *theme, handle, *at, (&plot, shown));
            }
        });
        vec![grid, curves, live, names, handles]
    }

    fn mouse_interaction(&self, hand: &Hand, bounds: Rectangle, cursor: mouse::Cursor) -> mouse::Interaction {
        let Some(at) = cursor.position_in(bounds) else { return mouse::Interaction::None };
        let plot = plot(self.chart, self.view, bounds.size());
        match hand.grip {
            Some(_) => mouse::Interaction::Grabbing,
            None if !plot.contains(spot(at)) => mouse::Interaction::None,
            None if nearest_handle(self.chart, &plot, spot(at), REACH).is_some() => mouse::Interaction::Grab,
            None => mouse::Interaction::Crosshair,
        }
    }
}

impl Curves<'_> {
    fn grip(&self, hand: &mut Hand, plot: &Plot, at: Point) -> Option<Action<Message>> {
        let now = Instant::now();
        let twice = hand
            .last_press
            .replace((now, at))
            .is_some_and(|(before, place)| now.duration_since(before) < DOUBLE && place.distance(at) < STILL);
        if let Some(handle) = nearest_handle(self.chart, plot, spot(at), REACH) {
            hand.grip = Some(Grip::Handle {
                id: handle.id,
                at: spot(at),
                told: now,
                told_at: spot(at),
                moved: false,
            });
            return Some(Action::publish(Message::Ask(Command::SelectHandle(Some(handle.id)))));
        }
        if twice {
            hand.grip = None;
            return Some(Action::publish(Message::Fit));
        }
        hand.grip = Some(Grip::Pan { view: self.view, from: at });
        Some(Action::request_redraw())
    }

    fn drag(&self, hand: &mut Hand, plot: &Plot, to: Point) -> Option<Action<Message>> {
        match hand.grip.as_mut()? {
            Grip::Pan { view, from } => {
                let held = Plot { view: *view, ..*plot };
                Some(Action::publish(Message::Look(held.dragged(to.x - from.x, to.y - from.y))).and_capture())
            }
            Grip::Handle { id, at, moved, .. } => {
                let handle = self.chart.handles.iter().find(|handle| handle.id == *id)?;
                *at = within(plot, handle, spot(to));
                *moved = true;
                // The handle itself follows with the next drawing, which also tells the session.
                Some(Action::request_redraw().and_capture())
            }
        }
    }

    /// Tells the session where a handle is, if it does not know and was not told just now; else asks
    /// to be asked again, so that it hears of the last place even where the hand then rests.
    fn tell(hand: &mut Hand, plot: &Plot, now: Instant) -> Option<Action<Message>> {
        let Grip::Handle { id, at, told, told_at, moved: true } = hand.grip.as_mut()? else { return None };
        if at == told_at {
            return None;
        }
        if now.duration_since(*told) < DRAG_EVERY {
            return Some(Action::request_redraw_at(*told + DRAG_EVERY));
        }
        (*told, *told_at) = (now, *at);
        Some(Action::publish(Message::Ask(drag_command(*id, plot, *at, false))))
    }

    fn let_go(&self, hand: &mut Hand, plot: &Plot) -> Option<Action<Message>> {
        match hand.grip.take()? {
            Grip::Handle { id, at, moved: true, .. } => {
                Some(Action::publish(Message::Ask(drag_command(id, plot, at, true))).and_capture())
            }
            _ => Some(Action::request_redraw()),
        }
    }

    /// A handle follows the hand at once, before the session has answered.
    fn place_of(&self, hand: &Hand, handle: &Handle, plot: &Plot) -> Spot {
        match hand.grip {
            Some(Grip::Handle { id, at, moved: true, .. }) if id == handle.id => at,
            _ => plot.spot(handle.at),
        }
    }

    fn draw_curves(&self, frame: &mut Frame, theme: Theme, plot: &Plot) {
        for area in &self.chart.areas {
            let edge = area_outline(area, plot);
            if edge.len() > 2 {
                frame.fill(&outline(&edge, true), theme.curve(area.role).scale_alpha(0.2));
            }
        }
        for mark in &self.chart.marks {
            let x = plot.x(mark.x);
            dots(frame, theme.colors().muted, x, plot.top + 22.0, plot.bottom());
        }
        for line in &self.chart.lines {
            draw_curve(frame, theme, line, plot);
        }
    }
}

/// A curve, or a bar with what it stands on.
fn draw_curve(frame: &mut Frame, theme: Theme, line: &Line, plot: &Plot) {
    if line.is_bar() {
        fill_under(frame, theme.curve(line.role).scale_alpha(0.3), line, plot);
    }
    draw_line(frame, theme, line, plot, theme.stroke());
}

/// Fills between a line and the lower edge.
fn fill_under(frame: &mut Frame, color: Color, line: &Line, plot: &Plot) {
    for trace in chart::traces(line, plot) {
        let mut edge = trace.spots;
        if let (Some(&first), Some(&last)) = (edge.first(), edge.last()) {
            edge.push(Spot { x: last.x, y: plot.bottom() });
            edge.push(Spot { x: first.x, y: plot.bottom() });
            frame.fill(&outline(&edge, true), color);
        }
    }
}

fn spot(at: Point) -> Spot {
    Spot { x: at.x, y: at.y }
}

/// The place nearest to `spot` that is in view and within the handle's limits.
fn within(plot: &Plot, handle: &Handle, spot: Spot) -> Spot {
    let (least, greatest) = (plot.spot(handle.least), plot.spot(handle.greatest));
    Spot {
        x: spot.x.clamp(plot.left, plot.right()).min(greatest.x).max(least.x),
        y: spot.y.clamp(plot.top, plot.bottom()).min(least.y).max(greatest.y),
    }
}

fn drag_command(handle: HandleId, plot: &Plot, at: Spot, done: bool) -> Command {
    let value = plot.value(at);
    Command::DragHandle { handle, frequency_hz: value.x, db: value.y, done }
}

fn draw_grid(frame: &mut Frame, theme: Theme, chart: &Chart, plot: &Plot) {
    let palette = theme.colors();
    let text = Lettering::small(palette.muted);
    let shade = |major: bool| if major { palette.grid_major } else { palette.grid };
    for tick in ticks(&plot.view.x, (plot.width / 46.0) as usize) {
        let x = plot.x(tick.value).round();
        frame.fill_rectangle(Point::new(x, plot.top), Size::new(1.0, plot.height), shade(tick.major));
        text.centred().write(frame, tick.label, x, plot.bottom() + 15.0);
    }
    for tick in ticks(&plot.view.y, (plot.height / 32.0) as usize) {
        let y = plot.y(tick.value).round();
        frame.fill_rectangle(Point::new(plot.left, y), Size::new(plot.width, 1.0), shade(tick.major));
        // An axis without a name has no numbers either.
        if !chart.y.label.is_empty() {
            text.ending().write(frame, tick.label, plot.left - 8.0, y);
        }
    }
    text.write(frame, chart.y.name(), 4.0, plot.top - 14.0);
    text.centred().write(frame, chart.x.name(), plot.left + plot.width / 2.0, plot.bottom() + 33.0);
}

/// The names of the lines at their ends, with a leader to where each ends.
fn draw_names(frame: &mut Frame, theme: Theme, lines: &[Line], plot: &Plot) {
    let mut ends: Vec<(&Line, f32)> = Vec::new();
    for line in lines.iter().filter(|line| !line.label.is_empty() && !line.is_bar()) {
        let Some(value) = last_in_view(line, plot) else { continue };
        let y = plot.y(value).clamp(plot.top, plot.bottom());
        match ends.iter_mut().find(|(l, _)| l.label == line.label && l.role == line.role) {
            Some(known) => *known = (line, y),
            None => ends.push((line, y)),
        }
    }
    let wanted: Vec<f32> = ends.iter().map(|(_, y)| *y).collect();
    let placed = place(&wanted, NAME_GAP, plot.top + 6.0, plot.bottom() - 6.0);
    for ((line, y), at) in ends.into_iter().zip(placed) {
        let color = theme.curve(line.role);
        let leader = Path::line(Point::new(plot.right() + 1.0, y), Point::new(plot.right() + 11.0, at));
        frame.stroke(&leader, Stroke::default().with_color(color).with_width(theme.stroke()));
        let text = Lettering { color: theme.colors().text, ..Lettering::small(color) };
        text.write(frame, shorten(&line.label, NAME_LENGTH), plot.right() + 16.0, at);
    }
}

fn last_in_view(line: &Line, plot: &Plot) -> Option<f64> {
    let view = plot.view.x;
    chart::value_at(line, view.to, view.scale).or_else(|| {
        let inside = |x: f64| (view.from..=view.to).contains(&x);
        line.points.iter().rev().find(|p| p.y.is_finite() && inside(p.x)).map(|p| p.y)
    })
}

fn draw_marks(frame: &mut Frame, theme: Theme, chart: &Chart, plot: &Plot) {
    let text = Lettering::small(theme.colors().text);
    for (index, mark) in chart.marks.iter().enumerate() {
        let unit = plot.view.x.unit(mark.x);
        if !(0.0..=1.0).contains(&unit) {
            continue;
        }
        let x = plot.x(mark.x);
        // Neighbouring remarks take turns in two rows.
        let y = plot.top + 10.0 + if index % 2 == 0 { 0.0 } else { 16.0 };
        let (text, aside) = if unit > 0.7 { (text.ending(), 4.0) } else { (text, -4.0) };
        text.write(frame, shorten(&mark.label, 26), x + aside, y);
    }
}

/// A dotted upright line, on whole pixels.
fn dots(frame: &mut Frame, color: Color, x: f32, from: f32, to: f32) {
    let mut y = from;
    while y < to {
        frame.fill_rectangle(Point::new(x.round(), y), Size::new(1.0, 2.0), color);
        y += 5.0;
    }
}

const HANDLE_RADIUS: f32 = 11.0;

/// A handle with its number, or without where another one lies on it: letters are painted over all discs.
fn draw_handle(frame: &mut Frame, theme: Theme, handle: &Handle, at: Spot, (plot, numbered): (&Plot, bool)) {
    if at.x < plot.left - 1.0 || at.x > plot.right() + 1.0 {
        return;
    }
    let palette = theme.colors();
    let color = match handle.id {
        HandleId::Band(_) | HandleId::Proposed(_) => palette.curves.bands,
        // A value has no place on the chart.
        HandleId::Shelf(_) | HandleId::Point(_) | HandleId::Value(_) => palette.curves.target,
    };
    // Discs on discs and no strokes: what a stroke paints outside its path would
    // be left behind when the handle is dragged on.
    let at = Spot { x: at.x.round(), y: at.y.round() };
    let mut disc = |radius: f32, color: Color| frame.fill(&Path::circle(point(at), radius), color);
    let radius = if handle.selected { HANDLE_RADIUS + 2.0 } else { HANDLE_RADIUS };
    if handle.selected {
        disc(radius + 5.0, palette.text);
        disc(radius + 2.5, palette.panel);
    }
    let ink = if handle.enabled {
        disc(radius, color);
        palette.panel
    } else {
        disc(radius, palette.outline);
        disc(radius - 1.5, palette.panel);
        palette.muted
    };
    if !numbered {
        return;
    }
    let number = Lettering { font: BOLD, ..Lettering::small(ink) };
    number.centred().write(frame, handle.label.as_str(), at.x, at.y);
}
