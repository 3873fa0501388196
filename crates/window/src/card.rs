//! The stage's card: what to do now, and what was found.

use iced::widget::{column, container, row, scrollable, space, text};
use iced::{Center, Fill, Padding};
use view::{Activity, Button, CardLine, Command, FindingLine, Setting, Snapshot, StageState, Tone};

use crate::app::App;
use crate::hint::hint;
use crate::icon;
use crate::lettering::{BOLD, HEADLINE, L, LEAD, M, S, XS, body, lead, small};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::room::Room;
use crate::theme::{bar, divider, muted, panel, raised, tinted};
use crate::{handle, setting};

/// The list that the card scrolls in.
pub(crate) const SCROLL: &str = "card";

/// The card.
pub(crate) fn view<'a>(app: &'a App, snapshot: &'a Snapshot, room: Room) -> Element<'a> {
    let card = &snapshot.card;
    let state = snapshot.shared.stages.iter().find(|line| line.stage == snapshot.face.stage);
    let mut parts =
        column![heading(snapshot, state.map_or(StageState::NotBegun, |line| line.state))].spacing(L);
    let mut what = column![lead(&card.instruction)].spacing(S);
    if !card.detail.is_empty() {
        what = what.push(body(&card.detail).style(muted));
    }
    parts = parts.push(what);
    if let Some(main) = &card.main {
        parts = parts.push(main_button(main, &snapshot.shared.activity, room));
    }
    if !card.headline.is_empty() {
        parts = parts.push(headline(&card.headline, &card.headline_caption));
    }
    if !card.actions.is_empty() {
        parts = parts.push(row(card.actions.iter().map(button)).spacing(S).wrap());
    }
    let (above, below) = card.settings.split_at(card.first_settings.min(card.settings.len()));
    let settings = |settings: &'a [Setting]| {
        column(settings.iter().map(|setting| setting::view(setting, &app.drafts))).spacing(XS)
    };
    if !above.is_empty() {
        parts = parts.push(settings(above));
    }
    if !card.lines.is_empty() {
        parts = parts.push(lines(&card.lines, room));
    }
    if !card.files.is_empty() {
        let open = |file: &'a view::CardFile| -> Element<'a> {
            Press::new(body(&file.label), Look::Plain)
                .id(format!("open-{}", file.label))
                .padding([S + 2.0, M])
                .on_press(Message::OpenPath(file.path.clone()))
                .into()
        };
        parts = parts.push(row(card.files.iter().map(open)).spacing(S).wrap());
    }
    if !card.findings.is_empty() {
        parts = parts.push(column(card.findings.iter().map(finding)).spacing(S));
    }
    if !snapshot.handles.is_empty() {
        parts = parts.push(handle::list(&snapshot.handles));
    }
    if !below.is_empty() {
        parts = parts.push(settings(below));
    }
    let padding = Padding { right: M, ..Padding::ZERO };
    let list = scrollable(container(parts).padding(padding)).id(SCROLL).height(Fill).spacing(0);
    container(list)
        .padding(Padding { top: M, bottom: M, left: L, right: XS })
        .width(room.card)
        .height(Fill)
        .style(panel)
        .into()
}

fn heading<'a>(snapshot: &Snapshot, state: StageState) -> Element<'a> {
    let number =
        snapshot.shared.stages.iter().position(|line| line.stage == snapshot.face.stage).unwrap_or(0) + 1;
    let words = match state {
        StageState::NotBegun => "not begun",
        StageState::Begun => "begun",
        StageState::Measured => "done",
        StageState::NeedsAnotherLook => "check again",
    };
    row![
        body(format!("{number}  {}", snapshot.face.stage.title())).width(Fill),
        icon::stage_state(state, 16.0),
        small(words),
    ]
    .spacing(S)
    .align_y(Center)
    .into()
}

fn main_button<'a>(main: &'a Button, activity: &Activity, room: Room) -> Element<'a> {
    let busy = *activity != Activity::Idle;
    let key = small("Space").style(|_| text::Style { color: None });
    let label = if busy { "Stop" } else { main.label.as_str() };
    let content = row![text(label).size(LEAD).font(BOLD).width(Fill), key].spacing(S).align_y(Center);
    let press = Press::new(content, if busy { Look::Stop } else { Look::Main })
        .id("main")
        .padding([L, if room.narrow { M } else { L }])
        .width(Fill)
        .on_press_maybe((main.enabled || busy).then_some(Message::StartOrStop));
    if busy || main.why.is_empty() {
        return press.into();
    }
    column![press, small(&main.why)].spacing(XS).into()
}

fn headline<'a>(number: &'a str, caption: &'a str) -> Element<'a> {
    // Long headlines are set smaller rather than broken.
    let size = if number.chars().count() > 9 { HEADLINE * 0.66 } else { HEADLINE };
    column![text(number).size(size).font(BOLD).line_height(1.05), body(caption).style(muted)]
        .spacing(XS)
        .into()
}

fn button(button: &Button) -> Element<'_> {
    let press = Press::new(body(&button.label), Look::Plain)
        .id(format!("action-{:?}", button.action))
        .padding([S + 2.0, M])
        .on_press_maybe(button.enabled.then_some(Message::Ask(Command::Press(button.action))));
    if button.why.is_empty() { press.into() } else { hint(press, &*button.why) }
}

/// What a card has beside its lines, and about the width of a letter in them.
const BESIDE: f32 = 82.0;
const LETTER: f32 = 7.6;

fn lines(lines: &[CardLine], room: Room) -> Element<'_> {
    let one_line = ((room.card - BESIDE) / LETTER) as usize;
    let mut table = column![].spacing(0);
    for (index, line) in lines.iter().enumerate() {
        if index > 0 {
            table = table.push(container(space()).width(Fill).height(1).style(divider));
        }
        let mark: Element<'_> = match line.tone {
            Tone::Plain => space().width(16).into(),
            tone => icon::tone(tone, 16.0),
        };
        let value = text(&line.value).size(crate::lettering::BODY).font(BOLD).style(tinted(line.tone));
        let label = body(&line.label).style(muted).width(Fill);
        // What is too long for one line stands below its name.
        let words: Element<'_> = if line.label.chars().count() + line.value.chars().count() > one_line {
            column![label, value].spacing(XS).width(Fill).into()
        } else {
            row![label, value].spacing(S).align_y(Center).width(Fill).into()
        };
        table = table.push(row![mark, words].spacing(S).align_y(Center).padding([7.0, 0.0]));
    }
    container(table).padding([XS, M]).style(raised).into()
}

fn finding(finding: &FindingLine) -> Element<'_> {
    let edge = container(space()).width(4).height(Fill).style(bar(finding.tone));
    let words =
        row![icon::tone(finding.tone, 18.0), body(&finding.text).width(Fill)].spacing(S).padding([S, 0.0]);
    row![edge, words].spacing(M).height(iced::Shrink).into()
}
