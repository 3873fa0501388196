//! What joins a face to the app: its commands, the updates it gets, and the switch that stops.

use std::fmt;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};

use crate::{Command, Update};

/// How many messages may wait in each direction. The app drops live updates when a face lags; a
/// face is told when its commands no longer fit.
pub const LINK_DEPTH: usize = 256;

/// A face's end.
#[derive(Debug)]
pub struct Link {
    /// Commands to the app.
    pub commands: Commands,
    /// Updates from it.
    pub updates: Receiver<Update>,
    /// Stops what is under way.
    pub stop: StopHandle,
}

/// Why a command was not handed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotSent {
    /// Too many commands are waiting.
    Busy,
    /// The app has ended.
    Ended,
}

/// Hands commands on and never waits.
#[derive(Clone)]
pub struct Commands(Arc<dyn Fn(Command) -> Result<(), NotSent> + Send + Sync>);

impl Commands {
    /// Commands go to this function.
    #[must_use]
    pub fn new(send: impl Fn(Command) -> Result<(), NotSent> + Send + Sync + 'static) -> Self {
        Self(Arc::new(send))
    }

    /// Hands a command on.
    ///
    /// # Errors
    /// When too many are waiting, or the app has ended.
    pub fn send(&self, command: Command) -> Result<(), NotSent> {
        (self.0)(command)
    }
}

impl fmt::Debug for Commands {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Commands")
    }
}

/// Stops what is under way. It is no message: nobody has to be free to read it.
#[derive(Clone)]
pub struct StopHandle(Arc<dyn Fn(Option<u64>) + Send + Sync>);

impl StopHandle {
    /// A stop goes to this function, with the number of the run that it means.
    #[must_use]
    pub fn new(stop: impl Fn(Option<u64>) + Send + Sync + 'static) -> Self {
        Self(Arc::new(stop))
    }

    /// Stops whatever is under way.
    pub fn stop(&self) {
        (self.0)(None);
    }

    /// Stops this run, and not the next one where this one has ended already.
    pub fn stop_run(&self, run: u64) {
        (self.0)(Some(run));
    }
}

impl fmt::Debug for StopHandle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("StopHandle")
    }
}

/// The other end of a link without an app behind it: for tests, and for looking at a face with
/// data that was made up.
#[derive(Debug)]
pub struct LooseEnd {
    /// Commands from the face.
    pub commands: Receiver<Command>,
    /// Updates to it.
    pub updates: SyncSender<Update>,
    /// The runs that were stopped; without a number where whatever ran was meant.
    pub stops: Receiver<Option<u64>>,
}

/// A link without an app.
#[must_use]
pub fn loose_link() -> (Link, LooseEnd) {
    let (commands_in, commands) = sync_channel(LINK_DEPTH);
    let (updates, updates_out) = sync_channel(LINK_DEPTH);
    let (stops_in, stops) = sync_channel(LINK_DEPTH);
    let link = Link {
        commands: Commands::new(move |command| sent(commands_in.try_send(command))),
        updates: updates_out,
        stop: StopHandle::new(move |run| {
            // More stops than fit have nobody who reads them.
            let _ = stops_in.try_send(run);
        }),
    };
    (link, LooseEnd { commands, updates, stops })
}

/// What became of a message that was handed on without waiting.
///
/// # Errors
/// When there was no room, or nobody takes messages any more.
pub fn sent<T>(result: Result<(), TrySendError<T>>) -> Result<(), NotSent> {
    result.map_err(|error| match error {
        TrySendError::Full(_) => NotSent::Busy,
        TrySendError::Disconnected(_) => NotSent::Ended,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_fit_is_said_and_never_waited_for() {
        let (link, end) = loose_link();
        for _ in 0..LINK_DEPTH {
            assert_eq!(link.commands.send(Command::Undo), Ok(()));
        }
        assert_eq!(link.commands.send(Command::Undo), Err(NotSent::Busy));
        drop(end);
        assert_eq!(link.commands.send(Command::Undo), Err(NotSent::Ended));
    }

    #[test]
    fn a_stop_names_the_run_that_it_means() {
        let (link, end) = loose_link();
        link.stop.stop_run(7);
        link.stop.clone().stop();
        assert_eq!(end.stops.try_iter().collect::<Vec<_>>(), [Some(7), None]);
    }
}
