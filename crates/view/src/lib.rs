//! What a face shows and what it may ask for: plain data, both ways.
//!
//! The app, which knows the signals, sends [`Update`]s; a face, which knows the
//! person, sends [`Command`]s, and stops what is under way without a message
//! ([`StopHandle`]). Several faces may look at one app: what is [`Shared`] they
//! see alike, the rest is each one's own ([`FaceState`]). The window is built
//! against this crate and `chart` alone, so that a change in the numerics does
//! not rebuild it.

mod action;
mod card;
mod command;
mod kinds;
mod link;
mod setting;
mod snapshot;
mod start;

pub use action::{Action, Shelf};
pub use card::{BandState, Button, Card, CardFile, CardLine, FindingLine, HandleCard, HandleNumber, Tone};
pub use chart::HandleId;
pub use command::Command;
pub use kinds::{CaptureId, ChartFace, Number, SetMark, Stage};
pub use link::{Commands, LINK_DEPTH, Link, LooseEnd, NotSent, StopHandle, loose_link, sent};
pub use setting::{
    CarTune, Choice, ChoiceKey, ChoiceOption, DelayUnit, DriverRole, EqualizerPlace, Feed, Layout, NumberKey,
    Pace, Program, RattleRange, Setting, SettingKey, SettingKind, SettingValue, Side, Signal, SourceTask,
    SwitchKey, TextKey, TunedAs, TunedSeat, Wiring,
};
pub use snapshot::{
    Activity, Cue, FaceState, Figure, IntakeCard, JobHead, Live, Meter, MeterUnit, Now, Ribbon, RigHead,
    RigState, Shared, Snapshot, StageLine, StageState, Tile, TuneCard, Update,
};
pub use start::{Look, RecentJob, SimulatedCar, StartPage};
