//! What has a handle on the chart, as cards: a sentence, its reason, and steps of its numbers; a
//! band has a switch and a lock, a value of a channel a lock, a shelf or point of the target can be taken away.

use iced::keyboard::{Key, key::Named};
use iced::widget::{column, container, row};
use iced::{Center, Fill};
use view::{Command, HandleCard, HandleId, Number};

use crate::icon::{Ink, Shape, icon};
use crate::lettering::{S, XS, body, small, strong};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::setting::lever;
use crate::theme::muted;

/// All of them.
pub(crate) fn list(handles: &[HandleCard]) -> Element<'_> {
    let cards = handles.iter().flat_map(|handle| {
        let heading = (!handle.heading.is_empty()).then(|| strong(&handle.heading).into());
        heading.into_iter().chain([card(handle)])
    });
    column![head(handles), column(cards).spacing(S)].spacing(S).into()
}

/// What a card is called, so that it can be found.
pub(crate) fn name(id: HandleId) -> String {
    match id {
        HandleId::Band(index) => format!("band-{index}"),
        HandleId::Proposed(index) => format!("proposed-{index}"),
        HandleId::Value(index) => format!("value-{index}"),
        HandleId::Shelf(index) => format!("shelf-{index}"),
        HandleId::Point(index) => format!("point-{index}"),
    }
}

fn head(handles: &[HandleCard]) -> Element<'_> {
    let bands = || handles.iter().filter_map(|handle| handle.band);
    if handles.iter().any(|handle| matches!(handle.id, HandleId::Shelf(_) | HandleId::Point(_))) {
        return strong("Shelves and points").into();
    }
    let (on, of) = (bands().filter(|band| band.enabled).count(), bands().count());
    if handles.iter().any(|handle| matches!(handle.id, HandleId::Proposed(_) | HandleId::Value(_))) {
        // What is not entered is not exported.
        return column![strong("What to enter, in this order"), small(format!("{on} of {of} bands on"))]
            .into();
    }
    let export = Press::new(strong("Export bands"), Look::Plain)
        .id("export")
        .padding([S, S + 2.0])
        .on_press(Message::Ask(Command::ExportBands));
    let words = column![strong("Bands"), small(format!("{on} of {of} on"))].width(Fill);
    row![words, export].align_y(Center).into()
}

fn card(handle: &HandleCard) -> Element<'_> {
    let id = handle.id;
    let is_off = handle.band.is_some_and(|band| !band.enabled);
    let sentence = if is_off { body(&handle.text).style(muted) } else { strong(&handle.text) };
    let mut head = row![small(&handle.label).width(16), sentence.width(Fill)].spacing(XS).align_y(Center);
    let goes = matches!(id, HandleId::Shelf(_) | HandleId::Point(_));
    if goes {
        let bin = Press::new(icon(Shape::Bin, Ink::Muted, 16.0), Look::Quiet)
            .id(format!("{}-remove", name(id)))
            .pointer_only()
            .padding(XS)
            .on_press(Message::Ask(Command::RemoveHandle(id)));
        head = head.push(bin);
    }
    let mut parts = column![head].spacing(XS);
    if !handle.reason.is_empty() {
        parts = parts.push(body(&handle.reason).style(muted));
    }
    if let Some(locked) = handle.locked.or(handle.band.map(|band| band.locked)) {
        parts = parts.push(tools(id, locked, handle.band.map(|band| band.enabled)));
    }
    if handle.selected {
        parts = parts.push(steps(handle));
    }
    Press::new(parts, Look::Row(handle.selected))
        .id(name(id))
        .width(Fill)
        .padding([S, S + 2.0])
        .on_press(Message::Ask(Command::SelectHandle((!handle.selected).then_some(id))))
        .on_key(move |key, modifiers| {
            let step = |what, by| Some(Message::Ask(Command::StepHandle { handle: id, what, by }));
            match key.as_ref() {
                Key::Named(Named::ArrowUp) if modifiers.shift() => step(Number::Q, 1),
                Key::Named(Named::ArrowDown) if modifiers.shift() => step(Number::Q, -1),
                Key::Named(Named::ArrowUp) => step(Number::Gain, 1),
                Key::Named(Named::ArrowDown) => step(Number::Gain, -1),
                Key::Named(Named::ArrowRight) => step(Number::Frequency, 1),
                Key::Named(Named::ArrowLeft) => step(Number::Frequency, -1),
                Key::Named(Named::Delete | Named::Backspace) if goes => {
                    Some(Message::Ask(Command::RemoveHandle(id)))
                }
                _ => None,
            }
        })
        .into()
}

fn tools<'a>(id: HandleId, locked: bool, enabled: Option<bool>) -> Element<'a> {
    let (shape, ink, word) = if locked {
        (Shape::Shut, Ink::Accent, "kept as it is")
    } else {
        (Shape::Open, Ink::Muted, "unlocked")
    };
    let lock = Press::new(row![icon(shape, ink, 16.0), small(word)].spacing(XS).align_y(Center), Look::Quiet)
        .id(format!("{}-lock", name(id)))
        .padding(XS)
        .on_press(Message::Ask(Command::Lock(id, !locked)));
    let switch = enabled.map(|enabled| {
        Press::new(lever(enabled), Look::Quiet)
            .id(format!("{}-switch", name(id)))
            .padding(XS)
            .on_press(Message::Ask(Command::Enable(id, !enabled)))
    });
    row![container(lock).width(Fill)].push(switch).align_y(Center).into()
}

/// Its numbers, each with a way down and up.
fn steps(handle: &HandleCard) -> Element<'_> {
    let (id, name) = (handle.id, name(handle.id));
    let lines = handle.numbers.iter().map(|number| {
        let what = number.what;
        let step = move |by: i32| Some(Message::Ask(Command::StepHandle { handle: id, what, by }));
        crate::setting::stepper(
            format!("{name}-{}", number.label),
            small(&number.label).into(),
            crate::setting::shown(&number.text),
            step,
            |_| None,
        )
    });
    column(lines).spacing(2).into()
}
