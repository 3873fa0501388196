//! Every edit can be taken back: those of the tuning, and those of the job.

use project::Change;

use super::tune::HISTORY;

/// One edit, as it is taken back and made again.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Edit {
    /// Target, processor or bands; the tuning itself knows how.
    Tune,
    /// A change of the job.
    Job {
        /// What takes it back.
        back: Box<Change>,
        /// What makes it again.
        again: Box<Change>,
        /// Whether the tuning changed with it.
        with_bands: bool,
    },
}

/// What can be taken back, and what can be made again.
#[derive(Debug, Default)]
pub(super) struct History {
    pub(super) past: Vec<Edit>,
    pub(super) future: Vec<Edit>,
}

impl History {
    /// Notes an edit that was made.
    pub(super) fn note(&mut self, edit: Edit) {
        self.future.clear();
        if self.past.len() == HISTORY {
            self.past.remove(0);
        }
        self.past.push(edit);
    }

    /// Whether there is something to undo, and to redo.
    pub(super) fn can_undo(&self) -> (bool, bool) {
        (!self.past.is_empty(), !self.future.is_empty())
    }
}
