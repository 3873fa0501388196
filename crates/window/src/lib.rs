//! The window: what a person sees and presses.
//!
//! It shows [`view::Snapshot`]s and sends [`view::Command`]s, and holds nothing
//! but how things are looked at: theme, zoom, what is open, what was typed.

mod activity;
mod app;
mod arrows;
mod card;
mod chart_state;
mod drawing;
mod feed;
mod focus;
mod folders;
mod handle;
mod hint;
mod icon;
mod kept;
mod keys;
mod legend;
mod lettering;
mod message;
mod modal;
mod options;
mod order;
mod overlay;
mod painter;
mod pane;
mod press;
mod room;
mod run;
mod screen;
mod setting;
mod start;
mod strip;
mod theme;
mod tray;

pub use app::App;
pub use folders::{Entry, Folder, Kind};
pub use keys::{Act, BINDINGS, Binding, Stroke, act};
pub use message::{FromSession, Message};
pub use modal::Modal;
pub use options::Options;
pub use painter::{Canvas, PlacedText, Renderer};
pub use run::{Error, run, settings};
pub use theme::{Curves, Palette, Theme, ratio};
