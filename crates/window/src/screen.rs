//! The whole window: where each part has its place.

use iced::alignment::{Horizontal, Vertical};
use iced::widget::{column, container, row, space, stack};
use iced::{Center, Fill, Padding};
use view::{Activity, Snapshot, Tone};

use crate::app::{App, Notice};
use crate::icon::{self, Ink, Shape, icon};
use crate::lettering::{L, M, S, body, lead, small, title};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::room::Room;
use crate::theme::{ground, outlined};
use crate::{activity, card, order, overlay, pane, start, strip, tray};

impl App {
    /// What is to be seen.
    #[must_use]
    pub fn view(&self) -> Element<'_> {
        let Some(snapshot) = self.snapshot.as_deref() else {
            let text = if self.ended { "The session has ended." } else { "Starting…" };
            return container(title(text)).center(Fill).style(ground).into();
        };
        let room = self.room();
        let base = Press::new(parts(self, snapshot, room), Look::Bare)
            .out_of_reach(self.modal.is_some())
            .padding(0)
            .width(Fill)
            .height(Fill);
        let sheet = match &self.modal {
            Some(modal) => overlay::view(modal, snapshot, self.folder.as_ref(), room.height),
            None => space().into(),
        };
        let large: Element<'_> =
            if self.large && self.modal.is_none() { activity::large(self, snapshot) } else { space().into() };
        stack![base, large, news(self), sheet].width(Fill).height(Fill).into()
    }
}

fn parts<'a>(app: &'a App, snapshot: &'a Snapshot, room: Room) -> Element<'a> {
    let strip = strip::view(app, snapshot, room);
    let page = match &snapshot.start {
        Some(page) => column![strip, start::view(snapshot, page, room)],
        None => {
            let middle = stack![
                pane::view(app, snapshot, room),
                activity::view(snapshot),
                cue(app, &snapshot.shared.activity)
            ];
            let middle = middle.width(Fill).height(Fill);
            let work = row![order::view(snapshot, room), middle, card::view(app, snapshot, room)];
            column![strip, work.spacing(S).height(Fill), tray::view(app, snapshot, room)]
        }
    };
    container(page.spacing(S)).padding(S).width(Fill).height(Fill).style(ground).into()
}

/// The big word of a moment, over the chart's head: it covers no curve. While something runs the head itself has a place
/// for it, where it covers no number either.
fn cue<'a>(app: &'a App, activity: &Activity) -> Element<'a> {
    match &app.cue {
        Some(cue) if !matches!(activity, Activity::Running { .. }) => container(activity::cue(cue))
            .width(Fill)
            .height(Fill)
            .padding(S)
            .align_x(Horizontal::Left)
            .align_y(Vertical::Top)
            .into(),
        _ => space().into(),
    }
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
