//! What follows from the state, on a thread that may take its time.

use std::ops::Deref;
use std::sync::Arc;

use view::FaceState;

use super::memos::Memos;
use super::state::State;

/// A copy of the state with what was computed last. Cards, charts and results are functions of this one: the thread
/// that takes the mail has a [`State`] alone, and can compute none of them by mistake.
#[derive(Debug)]
pub(super) struct Derivation {
    state: State,
    /// What was computed last, for every thread that looks at the same work.
    pub(super) memos: Arc<Memos>,
}

impl Deref for Derivation {
    type Target = State;

    fn deref(&self) -> &State {
        &self.state
    }
}

impl Derivation {
    /// Of this state; what was computed of earlier ones is used as far as it still holds.
    pub(super) fn of(state: State, memos: Arc<Memos>) -> Self {
        Self { state, memos }
    }

    /// The same, looked at by another face.
    pub(super) fn seen_by(self, face: FaceState) -> Self {
        Self { state: State { face, ..self.state }, ..self }
    }

    /// The same, once sheet and report are written.
    pub(super) fn handed_over(self) -> Self {
        Self { state: State { handed_over: true, ..self.state }, ..self }
    }
}
