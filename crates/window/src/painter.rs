//! Puts what the widgets draw on the display, by the library's software renderer.
//!
//! The renderer draws only where something changed, and for that needs the place of a change. What
//! its own compositor takes for that place is too small: a stroke's place is that of its middle line, a quad
//! that is snapped to whole pixels and a letter that leans over reach out of theirs, and what lies
//! wholly within a changed place is drawn without a mask, over the border, on pixels that were not
//! cleared before. So a ring stayed behind here and a word lost its end there. `damage` makes every place
//! larger by `REACH`, [`Canvas`] draws it larger once more beside the picture and takes over only what is
//! certain. `tests/screens/redraw.rs` compares the outcome with a picture drawn whole.

mod canvas;
mod compositor;
mod damage;
mod renderer;
mod texts;

pub use canvas::Canvas;
pub use renderer::Renderer;
pub use texts::PlacedText;

/// What a drawing is made on.
pub(crate) type Frame = iced::widget::canvas::Frame<Renderer>;
/// A drawing that was made.
pub(crate) type Geometry = iced::widget::canvas::Geometry<Renderer>;
/// A drawing that is kept.
pub(crate) type Cache = iced::widget::canvas::Cache<Renderer>;
