//! The stage's card: one instruction, one main button, then details.

use chart::HandleId;

use crate::{Action, Number, Setting};

/// The card of a stage.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Card {
    /// The one instruction, in plain words.
    pub instruction: String,
    /// Why, or how to connect; may be empty.
    pub detail: String,
    /// The main button.
    pub main: Option<Button>,
    /// Further buttons.
    pub actions: Vec<Button>,
    /// What can be set.
    pub settings: Vec<Setting>,
    /// How many of the settings come before what was read, because it depends on them.
    pub first_settings: usize,
    /// The one number that matters, shown very large; empty without one.
    pub headline: String,
    /// What the headline is.
    pub headline_caption: String,
    /// What was read, line by line.
    pub lines: Vec<CardLine>,
    /// Remarks.
    pub findings: Vec<FindingLine>,
    /// What was written, which can be opened.
    pub files: Vec<CardFile>,
}

/// A file or a folder that was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CardFile {
    /// What opening it is called.
    pub label: String,
    /// Where it is.
    pub path: String,
}

/// A button.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Button {
    /// What it does.
    pub action: Action,
    /// What is written on it.
    pub label: String,
    /// Whether it can be pressed now.
    pub enabled: bool,
    /// Why it cannot, and what to do about it; empty while it can.
    pub why: String,
}

/// How a line is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Tone {
    /// A plain fact.
    #[default]
    Plain,
    /// As it should be.
    Good,
    /// Needs another look.
    Caution,
    /// Must not stay so.
    Bad,
}

/// A line of a reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CardLine {
    /// What it is.
    pub label: String,
    /// The value, ready to be shown.
    pub value: String,
    /// How it is meant.
    pub tone: Tone,
}

/// A remark.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FindingLine {
    /// How it is meant.
    pub tone: Tone,
    /// What it says.
    pub text: String,
}

/// What has a handle on the chart, as a sentence with its numbers: a band, or a shelf or point of
/// the target; and a value of a channel, which has none there.
#[derive(Debug, Clone, PartialEq)]
pub struct HandleCard {
    /// Which.
    pub id: HandleId,
    /// What those from here on are, such as `Levels`; empty where that goes on.
    pub heading: String,
    /// What is written on its handle.
    pub label: String,
    /// "Cut 4.5 dB at 160 Hz, Q 3.2".
    pub text: String,
    /// Why: "All 6 positions agree."
    pub reason: String,
    /// Whether it is the chosen one.
    pub selected: bool,
    /// What can be stepped.
    pub numbers: Vec<HandleNumber>,
    /// What else can be said of a band.
    pub band: Option<BandState>,
    /// Whether a value stays when the rest is found again; absent for what cannot be locked, and for bands.
    pub locked: Option<bool>,
}

/// A number that is stepped, as it is shown.
#[derive(Debug, Clone, PartialEq)]
pub struct HandleNumber {
    /// Which number.
    pub what: Number,
    /// What it is, for people.
    pub label: String,
    /// The value with its unit.
    pub text: String,
}

/// How a band stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BandState {
    /// Whether it counts.
    pub enabled: bool,
    /// Whether the fit must leave it alone.
    pub locked: bool,
}
