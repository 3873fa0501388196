//! The typeface, its sizes, and the distances between things.

use iced::Font;
use iced::font::Weight;
use iced::widget::{Text, text};

use crate::painter::Renderer;
use crate::theme::{Theme, muted};

/// The files of the typeface, embedded.
pub(crate) const FILES: [&[u8]; 2] =
    [include_bytes!("../assets/fonts/B612-Regular.otf"), include_bytes!("../assets/fonts/B612-Bold.otf")];

/// Text. Its figures all have one width, so numbers do not dance, and no second,
/// monospaced face is needed for those that change.
pub(crate) const PLAIN: Font = Font::with_name("B612");
/// Titles, labels of buttons and big numbers.
pub(crate) const BOLD: Font = Font { weight: Weight::Bold, ..PLAIN };

/// Captions, ticks and times.
pub(crate) const SMALL: f32 = 12.5;
/// Everything that is read.
pub(crate) const BODY: f32 = 14.5;
/// Instructions and labels of main buttons.
pub(crate) const LEAD: f32 = 17.0;
/// Titles of sheets, numbers of second rank.
pub(crate) const TITLE: f32 = 24.0;
/// The one number that matters.
pub(crate) const HEADLINE: f32 = 46.0;
/// Live numbers while a capture runs, above the chart.
pub(crate) const FIGURE: f32 = 40.0;
/// What is read from outside the car.
pub(crate) const HUGE: f32 = 150.0;

/// Between parts of one thing.
pub(crate) const XS: f32 = 4.0;
/// Between things that belong together.
pub(crate) const S: f32 = 8.0;
/// Inside controls and cards.
pub(crate) const M: f32 = 12.0;
/// Between groups.
pub(crate) const L: f32 = 18.0;
/// Around sheets.
pub(crate) const XL: f32 = 28.0;

/// A line of text in ordinary size.
pub(crate) fn body<'a>(content: impl text::IntoFragment<'a>) -> Text<'a, Theme, Renderer> {
    text(content).size(BODY).font(PLAIN)
}

/// The same, bold.
pub(crate) fn strong<'a>(content: impl text::IntoFragment<'a>) -> Text<'a, Theme, Renderer> {
    text(content).size(BODY).font(BOLD)
}

/// A caption of second rank.
pub(crate) fn small<'a>(content: impl text::IntoFragment<'a>) -> Text<'a, Theme, Renderer> {
    text(content).size(SMALL).font(PLAIN).style(muted)
}

/// An instruction.
pub(crate) fn lead<'a>(content: impl text::IntoFragment<'a>) -> Text<'a, Theme, Renderer> {
    text(content).size(LEAD).font(BOLD)
}

/// A title.
pub(crate) fn title<'a>(content: impl text::IntoFragment<'a>) -> Text<'a, Theme, Renderer> {
    text(content).size(TITLE).font(BOLD)
}
