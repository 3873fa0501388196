//! The tunes of the whole car that were found, and what they were judged by.

use std::sync::Arc;

use project::derive::{ProposedTune, TuneInputs};
use tuning::JudgedCar;
use view::CarTune;

/// The tunes of the whole car that were found, to be compared before one is entered.
#[derive(Debug, Clone, Default)]
pub(super) struct Proposals {
    pub(super) quick: Option<Arc<ProposedTune>>,
    pub(super) joint: Option<Arc<ProposedTune>>,
    /// Why none could be found.
    pub(super) refused: Option<String>,
}

impl Proposals {
    /// The one of a kind.
    pub(super) fn of(&self, kind: CarTune) -> Option<&Arc<ProposedTune>> {
        match kind {
            CarTune::Quick => self.quick.as_ref(),
            CarTune::Joint => self.joint.as_ref(),
        }
    }
}

/// What the car comes to as it was, and with what is proposed.
#[derive(Debug)]
pub(super) struct CarJudged {
    pub(super) before: JudgedCar,
    pub(super) predicted: Option<JudgedCar>,
}

/// Inputs that are the same ones, not only alike.
#[derive(Debug, Clone)]
pub(super) struct Same(pub(super) Arc<TuneInputs>);

impl PartialEq for Same {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }
}
