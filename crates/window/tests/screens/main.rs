//! The window without a display: clicked, typed into, looked at.

mod bench;
mod display;
#[allow(dead_code, reason = "the work order and the pictures use more of it")]
mod driving;
mod flows;
mod keyboard;
mod live;
mod pictures;
mod pointer;
mod prepared;
mod reading;
mod redraw;
