//! Charts as plain data: axes, ticks, lines, areas and handles.
//!
//! A [`Chart`] says what is to be seen; it knows neither pixels' owner nor
//! colour values. The window draws it with iced, a report writes it as SVG.

mod model;

pub use model::{Area, Axis, Chart, Dash, Handle, Line, Mark, Point, Role, Scale};
