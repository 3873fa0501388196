//! The window without a display: clicked, typed into, looked at.

mod bench;
mod display;
mod flows;
mod keyboard;
mod live;
mod pictures;
mod pointer;
mod reading;
mod redraw;
mod sample;
