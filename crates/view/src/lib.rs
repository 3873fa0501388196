//! What the window shows and what it may ask for: plain data, both ways.
//!
//! The session, which knows the signals, sends [`Update`]s; the window, which
//! knows the person, sends [`Command`]s. Neither sees the other's insides. The
//! window is built against this crate and `chart` alone, so that a change in
//! the numerics does not rebuild it, and its tests need no session.

mod action;
mod card;
mod command;
mod link;
mod setting;
mod snapshot;

pub use action::{Action, Shelf};
pub use card::{BandState, Button, Card, CardLine, FindingLine, HandleCard, HandleNumber, Tone};
pub use chart::HandleId;
pub use command::{CaptureId, Command, Number};
pub use link::{LINK_DEPTH, Link, SessionEnd, link};
pub use setting::{
    Choice, ChoiceKey, ChoiceOption, DelayUnit, Layout, NumberKey, Pace, Program, RattleRange, Setting,
    SettingKey, SettingKind, SettingValue, Side, Signal, SourceTask, SwitchKey, TextKey, TunedAs,
};
pub use snapshot::{
    Activity, Cue, Face, Figure, JobHead, Live, Meter, MeterUnit, Ribbon, RigHead, RigState, SetMark,
    Snapshot, Stage, StageLine, StageState, Tile, Update,
};
