//! The two bounded queues between a window and its session.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use crate::{Command, Update};

/// How many messages may wait in each direction. The session drops live
/// updates when the window lags; commands wait.
pub const LINK_DEPTH: usize = 256;

/// The window's end.
#[derive(Debug)]
pub struct Link {
    /// Commands to the session.
    pub commands: SyncSender<Command>,
    /// Updates from it.
    pub updates: Receiver<Update>,
}

/// The session's end.
#[derive(Debug)]
pub struct SessionEnd {
    /// Commands from the window.
    pub commands: Receiver<Command>,
    /// Updates to it.
    pub updates: SyncSender<Update>,
}

/// Makes both ends.
#[must_use]
pub fn link() -> (Link, SessionEnd) {
    let (commands, command_end) = sync_channel(LINK_DEPTH);
    let (update_end, updates) = sync_channel(LINK_DEPTH);
    (Link { commands, updates }, SessionEnd { commands: command_end, updates: update_end })
}
