//! What the window shows and what it may ask for: plain data, both ways.
//!
//! The session, which knows the signals, sends [`Update`]s; the window, which
//! knows the person, sends [`Command`]s. Neither sees the other's insides. The
//! window is built against this crate and `chart` alone, so that a change in
//! the numerics does not rebuild it, and its tests need no session.

mod card;
mod command;
mod link;
mod snapshot;

pub use card::{
    Action, BandState, Card, CardLine, ChoiceOption, FindingLine, HandleCard, HandleNumber, Setting,
    SettingKind, Tone,
};
pub use chart::HandleId;
pub use command::{CaptureId, Command, Number, SettingValue};
pub use link::{LINK_DEPTH, Link, SessionEnd, link};
pub use snapshot::{
    Activity, Cue, Face, Figure, JobHead, Live, Meter, MeterUnit, Ribbon, RigHead, RigState, SetMark,
    Snapshot, Stage, StageLine, StageState, Tile, Update,
};
