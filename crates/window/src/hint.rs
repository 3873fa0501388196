//! Words that appear beside a thing on which the pointer rests: for what is drawn as an icon, and for
//! what is cut.

use std::time::Duration;

use iced::widget::{container, tooltip};

use crate::lettering::{M, S, small};
use crate::message::Element;
use crate::theme::sheet;

/// So long the pointer rests before the words appear.
const REST: Duration = Duration::from_millis(400);
/// Longer words are broken into lines.
const WIDEST: f32 = 320.0;

/// A thing with words beside it.
pub(crate) fn hint<'a>(
    thing: impl Into<Element<'a>>,
    words: impl iced::widget::text::IntoFragment<'a>,
) -> Element<'a> {
    let words = container(small(words)).padding([S, M]).max_width(WIDEST).style(sheet);
    tooltip(thing, words, tooltip::Position::FollowCursor).delay(REST).gap(S).into()
}
