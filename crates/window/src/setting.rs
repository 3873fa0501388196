//! One thing that can be set: a choice, a number, a switch, a text.

use std::collections::HashMap;

use iced::keyboard::{Key, key::Named};
use iced::widget::{column, row, space, text_input};
use iced::{Center, Fill};
use view::{
    Choice, ChoiceKey, ChoiceOption, NumberKey, Setting, SettingKey, SettingKind, SettingValue, SwitchKey,
    TextKey,
};

use crate::arrows::sideways;
use crate::icon::{Ink, Shape, icon};
use crate::lettering::{BODY, M, PLAIN, S, XS, body, small, strong};
use crate::message::{Element, Message};
use crate::modal::Modal;
use crate::press::{Look, Press};

/// Up to so many choices stand side by side.
const SIDE_BY_SIDE: usize = 3;
/// As long as their labels together have no more letters than this.
const LETTERS: usize = 26;

/// The field in which a number is typed.
pub(crate) const TYPED: &str = "typed-number";

/// What was typed and does not count yet.
#[derive(Debug, Default)]
pub(crate) struct Drafts {
    /// Texts that differ from what the app holds.
    pub(crate) texts: HashMap<TextKey, String>,
    /// The one number that is being typed.
    pub(crate) number: Option<(NumberKey, String)>,
}

/// A typed number, if it is one: as people write it, with a point or a comma.
pub(crate) fn number_of(text: &str) -> Option<f64> {
    let text = text.trim().replace(',', ".").replace('\u{2212}', "-");
    text.parse::<f64>().ok().filter(|value| value.is_finite())
}

/// A setting.
pub(crate) fn view<'a>(setting: &'a Setting, drafts: &'a Drafts) -> Element<'a> {
    match &setting.kind {
        SettingKind::Choice { key, options, chosen } => choice(setting, *key, options, chosen.as_ref()),
        SettingKind::Number { key, value, min, max, step, text } => {
            let typed =
                drafts.number.as_ref().filter(|(typed, _)| typed == key).map(|(_, text)| text.as_str());
            number(setting, *key, *value, (*min, *max, *step), text, typed)
        }
        SettingKind::Switch(key, on) => switch(setting, *key, *on),
        SettingKind::Text(key, text) => field(setting, *key, drafts.texts.get(key).unwrap_or(text)),
    }
}

/// What a setting is called, so that it can be found.
fn id(key: SettingKey) -> String {
    match key {
        SettingKey::Choice(key) => format!("setting-{key:?}"),
        SettingKey::Number(key) => format!("setting-{key:?}"),
        SettingKey::Switch(key) => format!("setting-{key:?}"),
        SettingKey::Text(key) => format!("setting-{key:?}"),
    }
}

fn choice<'a>(
    setting: &'a Setting,
    key: ChoiceKey,
    options: &'a [ChoiceOption],
    chosen: Option<&Choice>,
) -> Element<'a> {
    let set = |option: &ChoiceOption| Message::Set(SettingValue::Choice(option.choice.clone()));
    let is_chosen = |option: &ChoiceOption| chosen == Some(&option.choice);
    let letters: usize = options.iter().map(|option| option.label.chars().count()).sum();
    if options.len() <= SIDE_BY_SIDE && letters <= LETTERS {
        let buttons = options.iter().map(|option| {
            Press::new(body(&option.label).width(Fill).align_x(Center), Look::Choice(is_chosen(option)))
                .padding([S, XS])
                .width(Fill)
                .on_press(set(option))
                .on_key(sideways)
                .into()
        });
        return column![small(&setting.label), row(buttons).spacing(XS)]
            .spacing(XS)
            .padding([XS, 0.0])
            .into();
    }
    let index = options.iter().position(is_chosen);
    let label = index.map_or("–", |index| options[index].label.as_str());
    let step = move |by: isize| {
        let next = index?.checked_add_signed(by).and_then(|index| options.get(index))?;
        Some(set(next))
    };
    let words = column![small(&setting.label), strong(label)].spacing(2).width(Fill);
    Press::new(row![words, icon(Shape::Down, Ink::Muted, 18.0)].spacing(S).align_y(Center), Look::Row(false))
        .id(id(setting.key()))
        .width(Fill)
        .on_press(Message::OpenModal(Modal::Choose { setting: key }))
        .on_key(move |key, _| match key.as_ref() {
            Key::Named(Named::ArrowRight | Named::ArrowDown) => step(1),
            Key::Named(Named::ArrowLeft | Named::ArrowUp) => step(-1),
            _ => None,
        })
        .into()
}

fn number<'a>(
    setting: &'a Setting,
    key: NumberKey,
    value: f64,
    (min, max, step): (f64, f64, f64),
    text: &'a str,
    typed: Option<&'a str>,
) -> Element<'a> {
    let stepped = move |by: f64| {
        let next = (value + by * step).clamp(min, max);
        (next != value).then_some(Message::Set(SettingValue::Number(key, next)))
    };
    let value = match typed {
        Some(typed) => text_input(text, typed)
            .id(TYPED)
            .on_input(move |typed| Message::TypeNumber(key, typed))
            .on_submit(Message::SettleNumber)
            .font(PLAIN)
            .size(BODY)
            .padding([XS, S])
            .width(VALUE)
            .into(),
        None => Press::new(strong(text).width(Fill).align_x(Center), Look::Quiet)
            .id(format!("value-{key:?}"))
            .pointer_only()
            .padding([XS, 0.0])
            .width(VALUE)
            .on_press(Message::TypeNumber(key, String::new()))
            .into(),
    };
    let typing = move |digits: &Key| match digits.as_ref() {
        Key::Character(text) if text.chars().all(|c| c.is_ascii_digit() || "-.,\u{2212}".contains(c)) => {
            Some(Message::TypeNumber(key, text.to_owned()))
        }
        _ => None,
    };
    stepper(id(setting.key()), body(&setting.label).into(), value, move |by| stepped(f64::from(by)), typing)
}

/// The width of a stepper's value.
const VALUE: f32 = 78.0;

/// A value that is only shown.
pub(crate) fn shown(value: &str) -> Element<'_> {
    strong(value).width(VALUE).align_x(Center).into()
}

/// A label, a value, and a way down and up.
pub(crate) fn stepper<'a>(
    id: String,
    label: Element<'a>,
    value: Element<'a>,
    step: impl Fn(i32) -> Option<Message> + 'a,
    other_key: impl Fn(&Key) -> Option<Message> + 'a,
) -> Element<'a> {
    let button = |shape, message: Option<Message>| {
        let ink = if message.is_some() { Ink::Text } else { Ink::Muted };
        let button = Press::new(icon(shape, ink, 16.0), Look::Plain).pointer_only().repeating();
        button.padding(S).on_press_maybe(message)
    };
    let down = button(Shape::Minus, step(-1));
    let up = button(Shape::Plus, step(1));
    let content =
        row![iced::widget::container(label).width(Fill), down, value, up].align_y(Center).spacing(XS);
    Press::new(content, Look::Row(false))
        .id(id)
        .width(Fill)
        .padding([XS, S])
        .on_key(move |key, modifiers| {
            let by = if modifiers.shift() { 10 } else { 1 };
            match key.as_ref() {
                Key::Named(Named::ArrowUp | Named::ArrowRight) => step(by),
                Key::Named(Named::ArrowDown | Named::ArrowLeft) => step(-by),
                _ => other_key(key),
            }
        })
        .into()
}

fn switch(setting: &Setting, key: SwitchKey, on: bool) -> Element<'_> {
    Press::new(row![body(&setting.label).width(Fill), lever(on)].spacing(S).align_y(Center), Look::Row(false))
        .id(id(setting.key()))
        .width(Fill)
        .on_press(Message::Set(SettingValue::Switch(key, !on)))
        .into()
}

/// On or off, in words and shape.
pub(crate) fn lever<'a>(on: bool) -> Element<'a> {
    let mark: Element<'a> =
        if on { icon(Shape::CheckedDisc, Ink::Accent, 20.0) } else { icon(Shape::Ring, Ink::Muted, 20.0) };
    row![small(if on { "on" } else { "off" }), mark].spacing(S).align_y(Center).into()
}

fn field<'a>(setting: &'a Setting, key: TextKey, text: &'a str) -> Element<'a> {
    column![
        small(&setting.label),
        text_input("", text)
            .id(id(setting.key()))
            .on_input(move |typed| Message::Draft(key, typed))
            .on_submit(Message::SettleDrafts)
            .font(PLAIN)
            .size(BODY)
            .padding([S, M]),
        space().height(0),
    ]
    .spacing(XS)
    .padding([XS, 0.0])
    .into()
}
