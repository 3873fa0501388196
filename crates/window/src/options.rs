//! How the window opens.

use iced::Size;
use view::Look;

use crate::theme::Theme;

/// The smallest size in which everything has its place.
pub(crate) const LEAST: Size = Size::new(1024.0, 700.0);
/// The largest scale of everything that is drawn.
pub(crate) const LARGEST_TEXT: f32 = 1.6;

/// How the window opens.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Its look.
    pub theme: Theme,
    /// Its width and height, before the display's scale.
    pub size: (f32, f32),
    /// How large everything is drawn: 1 as designed.
    pub text_scale: f32,
}

impl Options {
    /// As a window was left.
    #[must_use]
    pub fn of(look: Look) -> Self {
        Self {
            theme: if look.daylight { Theme::Daylight } else { Theme::Garage },
            size: (look.size.0.max(LEAST.width), look.size.1.max(LEAST.height)),
            text_scale: look.text_scale.clamp(1.0, LARGEST_TEXT),
        }
    }
}

impl Default for Options {
    fn default() -> Self {
        Self::of(Look::default())
    }
}
