//! The whole window: where each part has its place.

use iced::alignment::{Horizontal, Vertical};
use iced::widget::{column, container, row, space, stack};
use iced::{Center, Fill, Padding, Size};
use view::{Snapshot, Tone};

use crate::app::{App, Notice};
use crate::icon::{self, Ink, Shape, icon};
use crate::lettering::{L, M, S, TITLE, body, lead, small, title};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::theme::{ground, outlined, toned};
use crate::{activity, card, modal, order, pane, start, strip, tray};

/// How the room of the window is shared out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Room {
    /// The work order's width.
    pub(crate) order: f32,
    /// The card's width.
    pub(crate) card: f32,
    /// The tray's height.
    pub(crate) tray: f32,
    /// The ribbon's height.
    pub(crate) ribbon: f32,
    /// Whether little room is left.
    pub(crate) narrow: bool,
    /// The window's height.
    pub(crate) height: f32,
}

impl Room {
    /// For a window of this size.
    pub(crate) fn of(size: Size) -> Self {
        let narrow = size.width < 1180.0;
        Self {
            order: if narrow { 158.0 } else { 196.0 },
            card: (size.width * 0.275).clamp(296.0, 440.0),
            tray: if size.height < 760.0 { 116.0 } else { 132.0 },
            ribbon: (size.height * 0.105).clamp(66.0, 150.0),
            narrow,
            height: size.height,
        }
    }
}

/// Everything.
pub(crate) fn view(app: &App) -> Element<'_> {
    let Some(snapshot) = app.snapshot.as_deref() else {
        let text = if app.ended { "The session has ended." } else { "Starting…" };
        return container(title(text)).center(Fill).style(ground).into();
    };
    let room = app.room();
    let base = Press::new(parts(app, snapshot, room), Look::Bare)
        .out_of_reach(app.modal.is_some())
        .padding(0)
        .width(Fill)
        .height(Fill);
    let sheet = match &app.modal {
        Some(modal) => modal::view(modal, snapshot, app.folder.as_ref(), room.height),
        None => space().into(),
    };
    let large: Element<'_> =
        if app.large && app.modal.is_none() { activity::large(app, snapshot) } else { space().into() };
    stack![base, large, news(app), sheet].width(Fill).height(Fill).into()
}

fn parts<'a>(app: &'a App, snapshot: &'a Snapshot, room: Room) -> Element<'a> {
    let strip = strip::view(app, snapshot, room);
    let page = match &snapshot.start {
        Some(page) => column![strip, start::view(snapshot, page, room)],
        None => {
            let middle = stack![pane::view(app, snapshot, room), activity::view(snapshot), cue(app)];
            let middle = middle.width(Fill).height(Fill);
            let work = row![order::view(snapshot, room), middle, card::view(app, snapshot, room)];
            column![strip, work.spacing(S).height(Fill), tray::view(app, snapshot, room)]
        }
    };
    container(page.spacing(S)).padding(S).width(Fill).height(Fill).style(ground).into()
}

/// The big word of a moment, over the chart's head: it covers no curve.
fn cue(app: &App) -> Element<'_> {
    let Some(cue) = &app.cue else { return space().into() };
    let (tone, shape) = if cue.good { (Tone::Good, Shape::Check) } else { (Tone::Caution, Shape::Triangle) };
    let word = iced::widget::text(&cue.text).size(TITLE).font(crate::lettering::BOLD);
    let shape: Element<'_> = if cue.good { icon(shape, Ink::OnTone, 28.0) } else { space().into() };
    let banner = container(row![shape, word].spacing(M).align_y(Center)).padding([M, L]).style(toned(tone));
    container(banner)
        .width(Fill)
        .height(Fill)
        .padding([S, S])
        .align_x(Horizontal::Left)
        .align_y(Vertical::Top)
        .into()
}

/// Notices, low at the right, above the tray.
fn news(app: &App) -> Element<'_> {
    let mut notices: Vec<Element<'_>> = app.notices.iter().map(notice).collect();
    if app.ended {
        notices.push(ended());
    }
    if notices.is_empty() {
        return space().into();
    }
    container(column(notices).spacing(S).width(420))
        .width(Fill)
        .height(Fill)
        .padding(Padding { bottom: 148.0, right: L, ..Padding::ZERO })
        .align_x(Horizontal::Right)
        .align_y(Vertical::Bottom)
        .into()
}

fn notice(notice: &Notice) -> Element<'_> {
    let tone = if notice.good { Tone::Good } else { Tone::Bad };
    let close = Press::new(icon(Shape::Cross, Ink::Muted, 16.0), Look::Quiet)
        .padding(S)
        .on_press(Message::Dismiss(notice.id));
    let open: Element<'_> = match &notice.path {
        Some(path) => Press::new(body("Open"), Look::Plain)
            .padding([S, M])
            .on_press(Message::OpenPath(path.clone()))
            .into(),
        None => space().into(),
    };
    container(
        row![icon::tone(tone, 20.0), body(&notice.text).width(Fill), open, close].spacing(M).align_y(Center),
    )
    .padding([S, M])
    .width(Fill)
    .style(outlined(tone))
    .into()
}

fn ended<'a>() -> Element<'a> {
    let text = "The session has ended unexpectedly. What was recorded is in the job’s folder; \
                close the window and start Headrest again.";
    container(column![lead("Session ended"), small(text)].spacing(S))
        .padding(M)
        .width(Fill)
        .style(outlined(Tone::Bad))
        .into()
}
