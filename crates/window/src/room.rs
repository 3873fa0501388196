//! How the room of the window is shared out.

use iced::Size;

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
