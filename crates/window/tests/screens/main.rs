//! The window without a display: clicked, typed into, looked at.

mod bench;
mod flows;
mod keyboard;
mod pictures;
mod pointer;
mod sample;
