//! What a person chooses in the stage Source.

use procedure::HeardInput;
use view::RattleRange;

/// What a person has chosen and what was found in this stage, beside the captures.
#[derive(Debug, Clone)]
pub(crate) struct Source {
    /// The outputs of the source, with devices: names with commas between.
    pub(crate) outputs: String,
    /// The volume step at which a sweep begins, with devices.
    pub(crate) first_step: u32,
    /// The volume step that the source is at, with devices; 0 where it is not known.
    pub(crate) at_step: u32,
    /// The one output that is measured; absent for all, one after another.
    pub(crate) only: Option<String>,
    /// Whether the outputs are added up.
    pub(crate) together: bool,
    /// The bands that undo the tone, in words.
    pub(crate) undo: Vec<String>,
    /// The engine's speed, with devices.
    pub(crate) engine_rpm: f64,
    /// Where panels are made to buzz.
    pub(crate) rattle_range: RattleRange,
    /// The tone that the input heard, until its calibration is kept.
    pub(crate) heard: Option<HeardInput>,
    /// What the meter shows, as it was typed.
    pub(crate) meter: String,
    /// Whether the source plays the tone, rather than the rig.
    pub(crate) source_plays: bool,
    pub(crate) attenuator_db: f64,
    /// The other measurement that was chosen, by its id, and what there is to choose from.
    pub(crate) other: String,
    pub(super) offers: Vec<Offer>,
}

impl Default for Source {
    fn default() -> Self {
        Self {
            outputs: "front".to_owned(),
            first_step: 1,
            at_step: 0,
            only: None,
            together: false,
            undo: Vec::new(),
            engine_rpm: 0.0,
            rattle_range: RattleRange::Low,
            heard: None,
            meter: String::new(),
            source_plays: false,
            attenuator_db: 0.0,
            other: String::new(),
            offers: Vec::new(),
        }
    }
}

/// A measurement that can be chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Offer {
    pub(super) id: String,
    pub(super) title: String,
    pub(super) summary: String,
}
