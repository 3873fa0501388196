//! What is under way, in very big type over the chart.

use iced::widget::{column, container, opaque, row, scrollable, space, text};
use iced::{Center, Fill};
use view::{Activity, Cue, Figure, Snapshot, Tone};

use crate::app::App;
use crate::icon::{self, Ink, Shape};
use crate::lettering::{BODY, BOLD, FIGURE, HUGE, L, LEAD, M, S, TITLE, XL, XS, lead, small};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::room::Room;
use crate::theme::{ground, muted, scrim, sheet, tinted, toned};

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

/// The height of the chart's head, so that the chart stays where it is when something begins to run.
const HEAD: f32 = 73.0;
/// The same in a narrow window.
const NARROW_HEAD: f32 = 69.0;

/// The big word of a moment.
pub(crate) fn cue(cue: &Cue) -> Element<'_> {
    let tone = if cue.good { Tone::Good } else { Tone::Caution };
    let word = text(&cue.text).size(TITLE).font(BOLD);
    let shape: Element<'_> =
        if cue.good { icon::icon(Shape::Check, Ink::OnTone, 28.0) } else { space().into() };
    container(row![shape, word].spacing(M).align_y(Center)).padding([M, L]).style(toned(tone)).into()
}

/// What is running, in the place of the chart's head: the numbers that matter stand in its corner. A word of the moment
/// stands where it is said what runs.
pub(crate) fn running<'a>(
    (what, detail, progress): (&'a str, &'a str, Option<f32>),
    figures: &'a [Figure],
    word: Option<&'a Cue>,
    room: Room,
) -> Element<'a> {
    let share = progress.map(|share| format!("{:.0} %", share.clamp(0.0, 1.0) * 100.0));
    let detail = [Some(detail.to_owned()).filter(|words| !words.is_empty()), share];
    let detail = detail.into_iter().flatten().collect::<Vec<_>>().join(" \u{00b7} ");
    // Two lines of a long title are as high as one of a short one with what stands below it.
    let size = if what.chars().count() > if room.narrow { 18 } else { 28 } { BODY } else { LEAD };
    let words: Element<'_> = match word {
        Some(word) => cue(word),
        None => column![text(what).size(size).font(BOLD).line_height(1.2), small(detail)].into(),
    };
    let figures = figures.iter().map(|one| figure(one, room));
    let height = if room.narrow { NARROW_HEAD } else { HEAD };
    let stop = Press::new(lead("Stop"), Look::Stop).id("stop").padding([M, M]).on_press(Message::StartOrStop);
    let head =
        row![container(words).width(Fill), row(figures).spacing(if room.narrow { S } else { L }), stop]
            .spacing(M)
            .height(height - 8.0)
            .align_y(Center);
    let bar: Element<'_> = match progress {
        Some(share) => icon::progress(share),
        None => space().height(4).into(),
    };
    column![head, bar].spacing(XS).height(height).into()
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
fn figure(figure: &Figure, room: Room) -> Element<'_> {
    let size = if room.narrow { FIGURE * 0.7 } else { FIGURE };
    let number = text(&figure.value)
        .size(size)
        .font(BOLD)
        .line_height(1.0)
        .wrapping(text::Wrapping::None)
        .style(tinted(figure.tone));
    column![number, small(&figure.caption).wrapping(text::Wrapping::None)].spacing(2).into()
}

fn stop<'a>(label: &'a str) -> Element<'a> {
    let content =
        row![lead(label), small("Space").style(|_| text::Style { color: None })].spacing(M).align_y(Center);
    Press::new(content, Look::Stop).id("stop").padding([M, L]).on_press(Message::StartOrStop).into()
}
