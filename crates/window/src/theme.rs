//! How the window looks: its colours, and what the library's widgets are drawn with.

mod contrast;
mod look;
mod palette;
mod surface;

pub use contrast::ratio;
pub use look::Theme;
pub use palette::{Curves, Palette};
pub(crate) use surface::*;
