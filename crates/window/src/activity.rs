//! What is under way, in very big type over the chart.

use iced::widget::{column, container, opaque, row, scrollable, space, text};
use iced::{Center, Fill};
use view::{Activity, Figure, Snapshot};

use crate::app::App;
use crate::icon;
use crate::lettering::{BOLD, FIGURE, HUGE, L, M, S, TITLE, XL, XS, body, lead, small};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::theme::{ground, muted, raised, scrim, sheet, tinted};

/// What is read from another seat, in pixels.
const FAR: f32 = 60.0;

/// The countdown, over the chart; nothing at other times.
pub(crate) fn view(snapshot: &Snapshot) -> Element<'_> {
    match &snapshot.shared.activity {
        Activity::Countdown { title, hint, seconds } => countdown(title, hint, *seconds),
        Activity::Idle | Activity::Running { .. } => space().into(),
    }
}

fn countdown<'a>(what: &'a str, hint: &'a str, seconds: u32) -> Element<'a> {
    let number = text(seconds.to_string()).size(HUGE).font(BOLD).line_height(1.0);
    let content = column![
        text(what).size(TITLE * 1.2).font(BOLD).align_x(Center),
        number,
        lead(hint).align_x(Center).style(muted),
        stop("Stop"),
    ]
    .spacing(L)
    .align_x(Center);
    let card = container(content).padding(XL).style(sheet);
    opaque(container(card).center(Fill).style(scrim))
}

/// What is running, in the place of the chart's head, so that the live curves
/// stay in view.
pub(crate) fn running<'a>(
    what: &'a str,
    detail: &'a str,
    progress: Option<f32>,
    figures: &'a [Figure],
) -> Element<'a> {
    let share = progress.map(|share| format!("{:.0} %", share.clamp(0.0, 1.0) * 100.0));
    let bar: Element<'a> = match progress {
        Some(share) => icon::meter(share, 0.0, false),
        None => space().height(12).into(),
    };
    let words =
        column![text(what).size(TITLE * 1.2).font(BOLD), body(detail).style(muted),].spacing(S).width(Fill);
    let number = text(share.unwrap_or_default()).size(TITLE).font(BOLD);
    let head = row![words, number, stop("Stop")].spacing(L).align_y(Center);
    let mut content = column![head].spacing(M);
    if !figures.is_empty() {
        content = content.push(row(figures.iter().map(figure)).spacing(L));
    }
    let content = content.push(bar);
    container(content).padding(L).width(Fill).style(raised).into()
}

/// Everything that matters, to be read from another seat: nothing is smaller than 60 pixels.
pub(crate) fn large<'a>(app: &'a App, snapshot: &'a Snapshot) -> Element<'a> {
    let words = |content: String| text(content).size(FAR).font(BOLD).line_height(1.1).width(Fill);
    let figures = app.live.figures.iter().map(|figure| {
        let number = text(&figure.value).size(HUGE).font(BOLD).line_height(1.0).style(tinted(figure.tone));
        column![number, words(figure.caption.clone()).style(muted)].spacing(S).width(Fill).into()
    });
    let parts = match &snapshot.shared.activity {
        Activity::Countdown { title, seconds, .. } => {
            let number = text(seconds.to_string()).size(2.0 * HUGE).font(BOLD).line_height(1.0);
            column![words(title.clone()), number]
        }
        Activity::Running { title, progress, .. } => {
            let share = progress.map(|share| format!("{:.0} %", share.clamp(0.0, 1.0) * 100.0));
            column![
                words(title.clone()),
                text(share.unwrap_or_default()).size(HUGE).font(BOLD),
                row(figures).spacing(L)
            ]
        }
        Activity::Idle => {
            let main = snapshot.card.main.as_ref().filter(|main| main.enabled);
            let next = main.map_or_else(String::new, |main| format!("Space: {}", main.label));
            let headline = text(&snapshot.card.headline).size(HUGE).font(BOLD).line_height(1.0);
            column![words(snapshot.card.instruction.clone()), headline, words(next).style(muted)]
        }
    };
    let list = scrollable(parts.spacing(XL).width(Fill)).id("large").height(Fill);
    opaque(container(list).padding(XL).width(Fill).height(Fill).style(ground))
}

/// A number in very big type, with what it is.
fn figure(figure: &Figure) -> Element<'_> {
    // Long numbers are set smaller rather than broken.
    let size = if figure.value.chars().count() > 6 { FIGURE * 0.8 } else { FIGURE };
    let number = text(&figure.value)
        .size(size)
        .font(BOLD)
        .line_height(1.0)
        .wrapping(text::Wrapping::None)
        .style(tinted(figure.tone));
    let number = container(number).height(FIGURE).align_y(iced::Bottom);
    column![number, body(&figure.caption).style(muted)].spacing(XS).width(Fill).into()
}

fn stop<'a>(label: &'a str) -> Element<'a> {
    let content =
        row![lead(label), small("Space").style(|_| text::Style { color: None })].spacing(M).align_y(Center);
    Press::new(content, Look::Stop).id("stop").padding([M, L]).on_press(Message::StartOrStop).into()
}
