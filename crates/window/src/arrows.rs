//! Arrow keys that take the keyboard to the next thing of a row or a list.

use iced::keyboard::{Key, Modifiers, key::Named};

use crate::message::Message;

/// Arrow keys in a row: to the thing on the left, on the right.
pub(crate) fn sideways(key: &Key, _: Modifiers) -> Option<Message> {
    match key.as_ref() {
        Key::Named(Named::ArrowRight) => Some(Message::FocusNext),
        Key::Named(Named::ArrowLeft) => Some(Message::FocusPrevious),
        _ => None,
    }
}

/// Arrow keys in a list: to the thing above, to the thing below.
pub(crate) fn up_and_down(key: &Key, _: Modifiers) -> Option<Message> {
    match key.as_ref() {
        Key::Named(Named::ArrowDown) => Some(Message::FocusNext),
        Key::Named(Named::ArrowUp) => Some(Message::FocusPrevious),
        _ => None,
    }
}
