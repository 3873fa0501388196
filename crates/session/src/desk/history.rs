//! Every edit can be taken back: those of the tuning, and those of captures.

use job::ChannelSetting;
use view::{CaptureId, SetMark};

use super::Desk;
use crate::Result;

/// One edit, as it is taken back and made again.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Edit {
    /// Target, processor or bands; the tuning itself knows how.
    Tune,
    /// A capture's mark: before the edit, after it.
    Mark(CaptureId, Option<SetMark>, Option<SetMark>),
    /// A capture's label: before the edit, after it.
    Rename(CaptureId, String, String),
    /// What is entered for the processor's channels: before the edit, after it.
    Channels(Vec<ChannelSetting>, Vec<ChannelSetting>),
    /// A capture was moved to the job's `discarded/`.
    Discard(CaptureId),
}

/// How many edits can be taken back.
pub(super) const HISTORY: usize = 200;

/// What can be taken back, and what can be made again.
#[derive(Debug, Default)]
pub(super) struct History {
    past: Vec<Edit>,
    future: Vec<Edit>,
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

impl Desk {
    /// Takes the last edit back. One that cannot be taken back now stays for another try.
    pub(super) fn undo(&mut self) -> Result<()> {
        let Some(edit) = self.history.past.last().cloned() else { return Ok(()) };
        match &edit {
            Edit::Tune => _ = self.tune.undo(),
            Edit::Mark(id, before, _) => self.set_mark(*id, *before)?,
            Edit::Rename(id, before, _) => self.set_label(*id, before)?,
            Edit::Channels(before, _) => self.set_channels(before.clone())?,
            Edit::Discard(id) => self.bring_back(*id)?,
        }
        self.history.past.pop();
        self.history.future.push(edit);
        Ok(())
    }

    /// Makes it again, under the same condition.
    pub(super) fn redo(&mut self) -> Result<()> {
        let Some(edit) = self.history.future.last().cloned() else { return Ok(()) };
        match &edit {
            Edit::Tune => _ = self.tune.redo(),
            Edit::Mark(id, _, after) => self.set_mark(*id, *after)?,
            Edit::Rename(id, _, after) => self.set_label(*id, after)?,
            Edit::Channels(_, after) => self.set_channels(after.clone())?,
            Edit::Discard(id) => self.take_away(*id)?,
        }
        self.history.future.pop();
        self.history.past.push(edit);
        Ok(())
    }
}
