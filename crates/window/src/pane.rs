//! The chart with its faces, and the ribbon under it.

use chart::Viewport;
use iced::keyboard::{Key, key::Named};
use iced::widget::canvas::Canvas;
use iced::widget::{column, container, row, space, stack, text};
use iced::{Bottom, Center, Fill};
use view::{Activity, Command, Ribbon, Snapshot};

use crate::activity;
use crate::app::App;
use crate::arrows::sideways;
use crate::drawing::{Crosshair, Curves, Residue, Sheet};
use crate::hint::hint;
use crate::icon::{Ink, Shape, icon};
use crate::legend;
use crate::lettering::{BODY, BOLD, M, S, SMALL, TITLE, XS, body, small, strong};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::room::Room;
use crate::theme::{muted, panel};

/// One press of an arrow key moves the chart by this share of what is in view.
const PAN: f64 = 0.1;
/// One press of plus or minus.
const ZOOM: f64 = 1.25;

/// The chart and the ribbon.
pub(crate) fn view<'a>(app: &'a App, snapshot: &'a Snapshot, room: Room) -> Element<'a> {
    let head: Element<'a> = match &snapshot.shared.activity {
        Activity::Running { title, detail, progress } => {
            activity::running((title, detail, *progress), &app.live.figures, app.cue.as_ref(), room)
        }
        Activity::Idle | Activity::Countdown { .. } => {
            column![header(app, snapshot), faces(snapshot, room)].spacing(S).into()
        }
    };
    let mut parts = column![head].spacing(S);
    if snapshot.picture.is_none() {
        parts = parts.push(legend::view(app, snapshot));
    }
    parts = parts.push(plot(app, snapshot));
    if let Some(ribbon) = app.ribbon() {
        parts = parts.push(residue(app, snapshot, ribbon, room));
    }
    container(parts).padding(M).width(Fill).height(Fill).style(panel).into()
}

fn header<'a>(app: &App, snapshot: &'a Snapshot) -> Element<'a> {
    let tool = |shape, id, command: Command, enabled: bool, words: &'static str| {
        let ink = if enabled { Ink::Text } else { Ink::Muted };
        let button = Press::new(icon(shape, ink, 18.0), Look::Quiet).id(id).padding(S);
        hint(button.on_press_maybe(enabled.then_some(Message::Ask(command))), words)
    };
    let (undo, redo) = snapshot.shared.can_undo;
    let older: Element<'a> = if app.is_older() {
        body("As before; the new one is being computed.").style(muted).into()
    } else {
        space().into()
    };
    row![
        strong(snapshot.picture.as_ref().map_or(&*snapshot.chart.title, |picture| picture.title()))
            .width(Fill),
        older,
        tool(Shape::Undo, "undo", Command::Undo, undo, "Undo (Z)"),
        tool(Shape::Redo, "redo", Command::Redo, redo, "Redo (Shift Z)"),
        Press::new(body("Smoothing"), Look::Quiet)
            .padding([S, S])
            .on_press(Message::Ask(Command::NextSmoothing)),
        Press::new(
            row![icon(Shape::Frame, Ink::Text, 16.0), body("Fit")].spacing(XS).align_y(Center),
            Look::Quiet
        )
        .padding([S, S])
        .on_press(Message::Fit),
    ]
    .spacing(XS)
    .align_y(Center)
    .into()
}

fn faces(snapshot: &Snapshot, room: Room) -> Element<'_> {
    let (size, padding) = if room.narrow { (SMALL, [5.0, 6.0]) } else { (BODY, [6.0, S]) };
    let faces = snapshot.chart_faces.iter().map(|&face| {
        Press::new(body(face.title()).size(size), Look::Choice(face == snapshot.chart_face))
            .padding(padding)
            .on_press(Message::Ask(Command::ShowFace(face)))
            .on_key(sideways)
            .into()
    });
    row(faces).spacing(XS).wrap().into()
}

fn plot<'a>(app: &'a App, snapshot: &'a Snapshot) -> Element<'a> {
    if let Some(picture) = &snapshot.picture {
        return Canvas::new(Sheet { picture }).width(Fill).height(Fill).into();
    }
    let chart = app.chart.chart(snapshot);
    let view = app.chart.view(chart);
    let live = &app.live.lines;
    let curves = Canvas::new(Curves { chart, view, live, state: &app.chart }).width(Fill).height(Fill);
    let cross = Canvas::new(Crosshair { chart, view }).width(Fill).height(Fill);
    Press::new(stack![curves, cross].width(Fill).height(Fill), Look::Bare)
        .id("chart")
        .padding(0)
        .width(Fill)
        .height(Fill)
        .on_key(move |key, _| look(view, key))
        .into()
}

fn look(view: Viewport, key: &Key) -> Option<Message> {
    let zoomed = |factor| view.zoomed((0.5, 0.5), factor, 1.0);
    let view = match key.as_ref() {
        Key::Named(Named::ArrowLeft) => view.panned(-PAN, 0.0),
        Key::Named(Named::ArrowRight) => view.panned(PAN, 0.0),
        Key::Named(Named::ArrowUp) => view.panned(0.0, PAN),
        Key::Named(Named::ArrowDown) => view.panned(0.0, -PAN),
        Key::Character("+" | "=") => zoomed(ZOOM),
        Key::Character("-" | "\u{2212}") => zoomed(1.0 / ZOOM),
        _ => return None,
    };
    Some(Message::Look(view))
}

fn residue<'a>(app: &'a App, snapshot: &'a Snapshot, ribbon: &'a Ribbon, room: Room) -> Element<'a> {
    let chart = app.chart.chart(snapshot);
    let strip =
        Canvas::new(Residue { chart, view: app.chart.view(chart), line: &ribbon.line, state: &app.chart })
            .width(Fill)
            .height(room.ribbon);
    let size = if room.narrow { TITLE } else { TITLE * 1.25 };
    let number = text(&ribbon.rms_text).size(size).font(BOLD);
    let head = row![body(&ribbon.caption).width(Fill), number, small("RMS")].spacing(S).align_y(Bottom);
    column![head, strip, space().height(0)].spacing(XS).into()
}
