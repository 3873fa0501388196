//! The window without a display: clicked, typed into, looked at.

mod bench;
mod display;
mod flows;
mod keyboard;
mod pictures;
mod pointer;
mod redraw;
mod sample;
