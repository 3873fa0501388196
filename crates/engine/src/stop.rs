//! The switch that stops what runs, from any thread.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Stops whatever runs. Every face holds a clone.
///
/// A run is numbered when it begins, and a stop names the run that it means: a stop that comes
/// late, when the next run has begun, does not end that one.
///
/// # Real-time
/// No call waits, allocates or locks: it may stand in a signal handler. The output callback reads
/// the switch itself, so the first callback after [`stop`](Self::stop) begins the fade, whatever
/// the rest of the program is doing.
#[derive(Debug, Clone, Default)]
pub struct StopSwitch(Arc<Runs>);

#[derive(Debug, Default)]
struct Runs {
    /// The number of the run that began last; 0 before the first.
    begun: AtomicU64,
    /// This run and all before it are stopped.
    stopped: AtomicU64,
}

impl StopSwitch {
    /// Begins a run, and gives what it asks whether to stop. A run may hold several captures.
    #[must_use]
    pub fn begin(&self) -> RunToken {
        let run = self.0.begun.fetch_add(1, Ordering::AcqRel) + 1;
        RunToken { runs: Arc::clone(&self.0), run }
    }

    /// Stops the run that began last, and all before it.
    pub fn stop(&self) {
        self.stop_run(self.0.begun.load(Ordering::Acquire));
    }

    /// Stops this run and all before it.
    pub fn stop_run(&self, run: u64) {
        self.0.stopped.fetch_max(run, Ordering::AcqRel);
    }
}

/// One run's view of the switch.
#[derive(Debug, Clone)]
pub struct RunToken {
    runs: Arc<Runs>,
    run: u64,
}

impl RunToken {
    /// The run's number, as [`StopSwitch::stop_run`] takes it.
    #[must_use]
    pub fn run(&self) -> u64 {
        self.run
    }

    /// Whether this run is to end.
    #[must_use]
    pub fn is_stopped(&self) -> bool {
        self.runs.stopped.load(Ordering::Acquire) >= self.run
    }
}

impl PartialEq for RunToken {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.runs, &other.runs) && self.run == other.run
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stop_ends_its_own_run_and_no_later_one() {
        let switch = StopSwitch::default();
        switch.stop();
        let first = switch.begin();
        assert!(!first.is_stopped(), "a stop while nothing ran ends nothing");
        switch.clone().stop();
        assert!(first.is_stopped());
        let second = switch.begin();
        assert!(!second.is_stopped());
        switch.stop_run(first.run());
        assert!(!second.is_stopped(), "a late stop means the run before");
        switch.stop_run(second.run());
        assert!(second.is_stopped());
    }
}
