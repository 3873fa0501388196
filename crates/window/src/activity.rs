//! What is under way, in very big type over the chart.

use iced::widget::{column, container, opaque, row, space, text};
use iced::{Center, Fill};
use view::{Activity, Command, Snapshot};

use crate::icon;
use crate::lettering::{BOLD, HUGE, L, M, S, TITLE, XL, body, lead, small};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::theme::{muted, raised, scrim, sheet};

/// The countdown, over the chart; nothing at other times.
pub(crate) fn view(snapshot: &Snapshot) -> Element<'_> {
    match &snapshot.activity {
        Activity::Countdown { title, seconds } => countdown(title, *seconds),
        Activity::Idle | Activity::Running { .. } => space().into(),
    }
}

fn countdown(what: &str, seconds: u32) -> Element<'_> {
    let number = text(seconds.to_string()).size(HUGE).font(BOLD).line_height(1.0);
    let content = column![
        text(what).size(TITLE * 1.2).font(BOLD).align_x(Center),
        number,
        body("Shut the doors, hold still.").style(muted),
        stop("Stop"),
    ]
    .spacing(L)
    .align_x(Center);
    let card = container(content).padding(XL).style(sheet);
    opaque(container(card).center(Fill).style(scrim))
}

/// What is running, in the place of the chart's head, so that the live curves
/// stay in view.
pub(crate) fn running<'a>(what: &'a str, detail: &'a str, progress: Option<f32>) -> Element<'a> {
    let share = progress.map(|share| format!("{:.0} %", share.clamp(0.0, 1.0) * 100.0));
    let bar: Element<'a> = match progress {
        Some(share) => icon::meter(share, 0.0, false),
        None => space().height(12).into(),
    };
    let words =
        column![text(what).size(TITLE * 1.35).font(BOLD), text(detail).size(TITLE * 0.8).style(muted),]
            .spacing(S)
            .width(Fill);
    let number = text(share.unwrap_or_default()).size(TITLE * 2.0).font(BOLD);
    let content = column![row![words, number, stop("Stop")].spacing(L).align_y(Center), bar].spacing(M);
    container(content).padding(L).width(Fill).style(raised).into()
}

fn stop<'a>(label: &'a str) -> Element<'a> {
    let content =
        row![lead(label), small("Space").style(|_| text::Style { color: None })].spacing(M).align_y(Center);
    Press::new(content, Look::Stop)
        .id("stop")
        .padding([M, L])
        .on_press(Message::Ask(Command::StartOrStop))
        .into()
}
