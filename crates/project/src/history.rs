//! Every edit can be taken back, and made again.

use std::collections::VecDeque;

use crate::{Change, Project};

/// How many edits can be taken back.
const MOST: usize = 200;

/// The edits that were made, each with the change that takes it back.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct History {
    past: VecDeque<Edit>,
    future: Vec<Edit>,
}

/// One edit.
#[derive(Debug, Clone, PartialEq)]
struct Edit {
    back: Change,
    again: Change,
}

impl History {
    /// Makes an edit and notes how it is taken back. What is no edit is made all the same.
    ///
    /// `make` is what makes changes: [`Project::apply`], or that and saving.
    ///
    /// # Errors
    /// What `make` says; nothing is noted then.
    pub fn make<E>(
        &mut self,
        project: &Project,
        change: Change,
        make: impl FnOnce(Change) -> Result<(), E>,
    ) -> Result<(), E> {
        let edit = project.inverse(&change).map(|back| Edit { back, again: change.clone() });
        make(change)?;
        if let Some(edit) = edit {
            self.future.clear();
            if self.past.len() == MOST {
                self.past.pop_front();
            }
            self.past.push_back(edit);
        }
        Ok(())
    }

    /// Whether there is something to undo, and to redo.
    #[must_use]
    pub fn can(&self) -> (bool, bool) {
        (!self.past.is_empty(), !self.future.is_empty())
    }

    /// Takes the last edit back; whether there was one.
    ///
    /// # Errors
    /// What `make` says; the edit can still be taken back then.
    pub fn undo<E>(&mut self, make: impl FnOnce(Change) -> Result<(), E>) -> Result<bool, E> {
        let Some(edit) = self.past.back() else { return Ok(false) };
        make(edit.back.clone())?;
        self.future.extend(self.past.pop_back());
        Ok(true)
    }

    /// Makes the last edit that was taken back again; whether there was one.
    ///
    /// # Errors
    /// What `make` says; the edit can still be made again then.
    pub fn redo<E>(&mut self, make: impl FnOnce(Change) -> Result<(), E>) -> Result<bool, E> {
        let Some(edit) = self.future.last() else { return Ok(false) };
        make(edit.again.clone())?;
        self.past.extend(self.future.pop());
        Ok(true)
    }
}
