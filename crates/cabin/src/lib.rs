//! The simulated car: a pure model, block in, block out.
//!
//! A [`Car`] is read from TOML and says what there is: a factory radio with
//! volume steps and limits, a signal processor, amplifiers, drivers, a small
//! cabin, a microphone and an electrical tap. A [`Cabin`] runs it: stereo
//! samples of the player in, samples of microphone and tap out. A [`Setup`] is
//! what a person has set. [`Car::truth`] tells what a measurement should find.
//!
//! Nothing here reads a clock or a file; all noise is seeded.

mod acoustics;
mod cabin;
mod car;
mod chain;
mod delay;
mod description;
mod limit;
mod microphone;
mod noise;
mod player;
mod rattle;
mod setup;
mod truth;

pub use cabin::{Cabin, CabinError};
pub use car::{
    Band, BandKind, BassKnob, Car, CarError, Channel, CrossoverKind, Driver, Edge, EngineOrder, Limit,
    LimitKind, Loudness, Microphone, Modes, Output, OutputKind, Position, Processor, Radio, Rattle, Role,
    Side, Space, Stated, Tap, WIRE_POSITION, Wall, WallSide,
};
pub use chain::ChainResponse;
pub use player::{Stick, StickError};
pub use setup::{Setup, SetupError};
pub use truth::{Arrival, CLEAN_THD, OutputTruth, Truth};
