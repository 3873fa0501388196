//! Charts as plain data: axes, ticks, lines, areas and handles.
//!
//! A [`Chart`] says what is to be seen; it knows neither pixels' owner nor
//! colour values. The window draws it with iced; for a report it becomes a [`Drawing`],
//! which is written as SVG or PDF.
//! Everything that turns values into places and places into values is here, so
//! that both draw the same picture.

mod cabin;
mod cells;
mod chain;
mod crosshair;
mod dash;
mod drawing;
mod labels;
mod model;
mod number;
mod paper;
mod picture;
mod plot;
mod ribbon;
pub mod svg;
mod ticks;
mod trace;
mod viewport;

pub use cabin::{Cabin, Flank, MicPlace, Speaker, SpeakerKind, SpeakerState};
pub use cells::{Cell, Lean, THIRD_OCTAVES, cells};
pub use chain::{Chain, ChainPart, PartState};
pub use crosshair::{Sample, nearest_handle, readout, value_at};
pub use drawing::{Anchor, Drawing, Ink, Inks, Path, Shape, Size, TEXT, Text};
pub use labels::{place, shorten, uncovered};
pub use model::{Area, Axis, Chart, Dash, Handle, HandleId, Line, Mark, Point, Role, Scale};
pub use number::{number, with_unit};
pub use picture::Picture;
pub use plot::{Plot, Spot};
pub use ribbon::{Side, ribbon, ribbon_axis};
pub use ticks::{Tick, ticks};
pub use trace::{Trace, area_outline, traces};
pub use viewport::{Span, Viewport};
