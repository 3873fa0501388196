//! The bands as cards: a sentence, its reason, a switch, a lock, and steps along
//! the processor's own grid.

use iced::keyboard::{Key, key::Named};
use iced::widget::{column, container, row};
use iced::{Center, Fill};
use view::{BandCard, BandStep, Command};

use crate::icon::{Ink, Shape, icon};
use crate::lettering::{S, XS, body, small, strong};
use crate::message::{Element, Message};
use crate::press::{Look, Press};
use crate::setting::lever;
use crate::theme::muted;

/// All bands.
pub(crate) fn list(bands: &[BandCard]) -> Element<'_> {
    let on = bands.iter().filter(|band| band.enabled).count();
    let export = Press::new(strong("Export bands"), Look::Plain)
        .id("export")
        .padding([S, S + 2.0])
        .on_press(Message::Ask(Command::ExportBands));
    let words = column![strong("Bands"), small(format!("{on} of {} on", bands.len()))].width(Fill);
    let head = row![words, export].align_y(Center);
    column![head, column(bands.iter().enumerate().map(|(index, band)| card(index, band))).spacing(S)]
        .spacing(S)
        .into()
}

fn card(index: usize, band: &BandCard) -> Element<'_> {
    let number = small(format!("{}", index + 1)).width(16);
    let sentence = if band.enabled { strong(&band.text) } else { body(&band.text).style(muted) };
    let head = row![number, sentence.width(Fill)].spacing(XS).align_y(Center);
    let mut parts = column![head].spacing(XS);
    if !band.reason.is_empty() {
        parts = parts.push(body(&band.reason).style(muted));
    }
    parts = parts.push(tools(index, band));
    if band.selected {
        parts = parts.push(steps(index, band));
    }
    let chosen = if band.selected { None } else { Some(index) };
    Press::new(parts, Look::Row(band.selected))
        .id(format!("band-{index}"))
        .width(Fill)
        .padding([S, S + 2.0])
        .on_press(Message::Ask(Command::SelectBand(chosen)))
        .on_key(move |key, modifiers| {
            let step = |what, by| Some(Message::Ask(Command::StepBand { band: index, what, by }));
            match key.as_ref() {
                Key::Named(Named::ArrowUp) if modifiers.shift() => step(BandStep::Q, 1),
                Key::Named(Named::ArrowDown) if modifiers.shift() => step(BandStep::Q, -1),
                Key::Named(Named::ArrowUp) => step(BandStep::Gain, 1),
                Key::Named(Named::ArrowDown) => step(BandStep::Gain, -1),
                Key::Named(Named::ArrowRight) => step(BandStep::Frequency, 1),
                Key::Named(Named::ArrowLeft) => step(BandStep::Frequency, -1),
                _ => None,
            }
        })
        .into()
}

fn tools(index: usize, band: &BandCard) -> Element<'_> {
    let (shape, ink, word) = if band.locked {
        (Shape::Shut, Ink::Accent, "kept as it is")
    } else {
        (Shape::Open, Ink::Muted, "free to change")
    };
    let lock = Press::new(row![icon(shape, ink, 16.0), small(word)].spacing(XS).align_y(Center), Look::Quiet)
        .id(format!("band-{index}-lock"))
        .padding(XS)
        .on_press(Message::Ask(Command::LockBand(index, !band.locked)));
    let switch = Press::new(lever(band.enabled), Look::Quiet)
        .id(format!("band-{index}-switch"))
        .padding(XS)
        .on_press(Message::Ask(Command::EnableBand(index, !band.enabled)));
    row![container(lock).width(Fill), switch].align_y(Center).into()
}

/// The three numbers, each with a way down and up.
fn steps(index: usize, band: &BandCard) -> Element<'_> {
    let step =
        |what: BandStep| move |by: i32| Some(Message::Ask(Command::StepBand { band: index, what, by }));
    let line = |name: &'static str, value, what| {
        crate::setting::stepper(format!("band-{index}-{name}"), small(name).into(), value, step(what))
    };
    column![
        line("Frequency", band.frequency_text.as_str(), BandStep::Frequency),
        line("Gain", band.gain_text.as_str(), BandStep::Gain),
        line("Q", band.q_text.as_str(), BandStep::Q),
    ]
    .spacing(2)
    .into()
}
